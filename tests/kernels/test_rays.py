"""Rays against trying every triangle with another formula."""

from __future__ import annotations

import numpy as np
import pytest

from kerfmark.geometry.closest import BoxTree
from kerfmark.kernels import rays as kernels


def plain_hits(corners, o, d):
    """Distances by solving for the crossing of ray and plane and asking for barycentric coordinates in range."""
    found = []
    for a, b, c in corners.reshape(-1, 3, 3):
        matrix = np.column_stack([b - a, c - a, -d])
        if abs(np.linalg.det(matrix)) > 1e-14:
            s, t, at = np.linalg.solve(matrix, o - a)
            if s >= 0 and t >= 0 and s + t <= 1 and at >= 0:
                found.append(at)
    return sorted(found)


def test_hits_are_those_of_solving_for_each_triangle(pebble):
    tree = BoxTree(pebble)
    rng = np.random.default_rng(4)
    origins, directions = rng.uniform(-8, 8, (12, 3)), rng.normal(size=(12, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    first, face = kernels.first_hits(tree.boxes, tree.levels, tree.corners, tree.order, origins, directions, np.inf)
    for i, (o, d) in enumerate(zip(origins, directions, strict=True)):
        plain = plain_hits(tree.corners, o, d)
        every, _ = kernels.all_hits(tree.boxes, tree.levels, tree.corners, tree.order, o, d)
        assert sorted(every) == pytest.approx(plain, abs=1e-9)
        assert np.isnan(first[i]) == (not plain) == (face[i] < 0)
        if plain:
            assert first[i] == pytest.approx(plain[0], abs=1e-9)


def test_no_ray_slips_through_a_corner_or_a_side(pebble):
    # From inside a closed surface every ray must hit, also those aimed at corners and at middles of sides exactly.
    tree = BoxTree(pebble)
    a, b = pebble.vertices_mm[pebble.faces[:, 0]], pebble.vertices_mm[pebble.faces[:, 1]]
    targets = np.concatenate([a, b, 0.5 * (a + b), a + 0.25 * (b - a)])
    distance, _ = kernels.first_hits(
        tree.boxes, tree.levels, tree.corners, tree.order, np.zeros_like(targets), targets, np.inf
    )
    assert np.nanmax(distance) <= 1.0 + 1e-9
    assert not np.isnan(distance).any()


def test_a_ray_along_an_axis_through_a_flat_face_of_the_box_counts_it(brick):
    tree = BoxTree(brick)
    every, _ = kernels.all_hits(
        tree.boxes, tree.levels, tree.corners, tree.order, np.array([2.0, 2.0, -1.0]), np.array([0.0, 0.0, 1.0])
    )
    assert set(np.round(every, 12)) == {2.0, 6.0}  # the box spans z 1 to 5
