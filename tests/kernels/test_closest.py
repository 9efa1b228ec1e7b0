"""Closest points against plain searches."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfmark.geometry.closest import BoxTree
from kerfmark.kernels import closest as kernels

coordinate = st.floats(-3, 3).map(lambda x: round(x, 2))
point = st.tuples(coordinate, coordinate, coordinate).map(np.array)


def plain_closest(corners, p):
    """Least distance over the plane's foot, the three sides and the three corners, by projecting on each."""
    a, b, c = corners.reshape(3, 3)
    candidates = []
    for u, v in ((a, b), (b, c), (c, a)):
        length = (v - u) @ (v - u)
        s = np.clip((p - u) @ (v - u) / length, 0, 1) if length > 0 else 0.0
        candidates.append(u + s * (v - u))
    normal = np.cross(b - a, c - a)
    if normal @ normal > 1e-12:
        foot = p - normal * ((p - a) @ normal) / (normal @ normal)
        sides = [np.cross(v - u, foot - u) @ normal for u, v in ((a, b), (b, c), (c, a))]
        if min(sides) >= 0:
            candidates.append(foot)
    return min(np.linalg.norm(p - q) for q in candidates)


@given(point, point, point, point)
@settings(max_examples=300, deadline=None)
def test_distance_to_a_triangle_is_the_least_over_its_features(a, b, c, p):
    corners = np.concatenate([a, b, c]).reshape(1, 9).astype(float)
    x, y, z, feature = kernels.closest_on_triangle(corners, 0, *p.astype(float))
    # A sliver loses digits where its sides cross: 1e-6 mm is a thousandth of what a scanner resolves.
    assert np.linalg.norm(p - [x, y, z]) == pytest.approx(plain_closest(corners[0], p), abs=1e-6)
    assert 0 <= feature <= 6


@pytest.mark.parametrize(
    ("p", "feature"),
    [
        ((-1, -1, 1), 0),
        ((5, -1, 1), 1),
        ((-1, 5, 1), 2),
        ((1, -1, 1), 3),
        ((3, 3, 1), 4),
        ((-1, 1, 1), 5),
        ((1, 1, 1), 6),
    ],
)
def test_the_feature_named_is_the_one_the_point_lies_on(p, feature):
    corners = np.array([[0.0, 0, 0, 4, 0, 0, 0, 4, 0]])
    assert kernels.closest_on_triangle(corners, 0, *map(float, p))[3] == feature


@pytest.mark.parametrize("guess", [-1, 0, 4000])
def test_the_tree_finds_what_trying_every_triangle_finds(pebble, guess):
    tree = BoxTree(pebble)
    rng = np.random.default_rng(11)
    stack, squares = np.empty(128, np.int32), np.empty(128)
    for p in rng.uniform(-9, 9, (40, 3)):
        _, _, square, *_ = kernels.closest_in_tree(
            tree.boxes, tree.levels, tree.corners, tree.discs, stack, squares, *p, np.inf, guess
        )
        plain = min(
            sum((p - kernels.closest_on_triangle(tree.corners, t, *p)[:3]) ** 2) for t in range(len(tree.corners))
        )
        assert square == pytest.approx(plain, rel=1e-12)


def test_nothing_is_found_beyond_the_limit(pebble):
    tree = BoxTree(pebble)
    stack, squares = np.empty(128, np.int32), np.empty(128)
    found, *_ = kernels.closest_in_tree(
        tree.boxes, tree.levels, tree.corners, tree.discs, stack, squares, 50.0, 0.0, 0.0, 100.0, 7
    )
    assert found == -1


@given(point, point, point, point, st.floats(0.01, 5.0))
@settings(max_examples=400, deadline=None)
def test_no_triangle_within_reach_is_taken_to_lie_beyond_its_disc(a, b, c, p, reach):
    corners = np.concatenate([a, b, c]).reshape(1, 9).astype(float)
    if kernels._beyond_disc(kernels.discs_around(corners), 0, *p.astype(float), reach**2):
        assert plain_closest(corners[0], p) >= reach - 1e-7


def test_discs_spare_most_triangles(pebble):
    # From 1 mm above, of 5120 triangles of 0.5 mm only those round the foot can be closest.
    tree = BoxTree(pebble)
    spared = sum(kernels._beyond_disc(tree.discs, t, 0.0, 0.0, 9.0, 1.0) for t in range(len(tree.discs)))
    assert spared > 5000
