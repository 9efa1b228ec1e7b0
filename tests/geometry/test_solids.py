"""Solids against the formulas of their volumes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfmark.errors import InputError
from kerfmark.geometry import mesh
from kerfmark.geometry.frames import rotation_about
from kerfmark.geometry.solids import Solid, difference, hull, intersection, union
from kerfmark.records import Surface


def polygon_factor(segments):
    """Area of a regular polygon over that of its circle."""
    return segments / (2 * np.pi) * np.sin(2 * np.pi / segments)


def test_volumes_of_the_shapes_are_those_of_their_formulas():
    # Sources: a b c; π r² h and π h (R² + R r + r²) / 3 with the polygon in place of the circle; prism: area × height.
    k = polygon_factor(64)
    assert Solid.box([0, 1, 2], [1, 3, 5]).volume_mm3 == pytest.approx(6.0, rel=1e-12)
    assert Solid.cylinder(2, 3, segments=64).volume_mm3 == pytest.approx(12 * np.pi * k, rel=1e-9)
    assert Solid.frustum(2, 1, 3, segments=64).volume_mm3 == pytest.approx(np.pi * 7 * k, rel=1e-9)
    assert Solid.extruded([[0, 0], [3, 0], [0, 4]], 2).volume_mm3 == pytest.approx(12.0, rel=1e-12)
    assert Solid.sphere(2, segments=256).volume_mm3 == pytest.approx(32 / 3 * np.pi, rel=1e-3)


def test_a_cone_may_stand_on_its_tip():
    up, down = Solid.frustum(0, 2, 3, segments=64), Solid.frustum(2, 0, 3, segments=64)
    assert up.volume_mm3 == pytest.approx(down.volume_mm3) == pytest.approx(4 * np.pi * polygon_factor(64), rel=1e-9)
    low = up.surface().vertices_mm[up.surface().vertices_mm[:, 2] < 1e-9]
    assert np.linalg.norm(low[:, :2], axis=1).max() < 1e-9


@pytest.mark.parametrize("way", [1, -1])
def test_a_revolved_rectangle_is_a_cylinder_either_way_round(way):
    profile = np.array([[0, 1], [2, 1], [2, 4], [0, 4]], dtype=float)[::way]
    solid = Solid.revolved(profile, segments=64)
    assert solid.volume_mm3 == pytest.approx(12 * np.pi * polygon_factor(64), rel=1e-9)
    assert mesh.bounds_mm(solid.surface())[:, 2].tolist() == [1, 4]


@pytest.mark.parametrize("order", [1, -1])
@pytest.mark.parametrize("way", [1, -1])
def test_a_loft_of_two_squares_is_a_frustum_of_a_pyramid(order, way):
    # Source: h (A + B + √(A B)) / 3 with A = 16, B = 4, h = 3: 28.
    square = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]], dtype=float)[::way]
    rings = np.array([[[*p * s, z] for p in square] for s, z in ((2, 0), (1, 3))])[::order]
    assert Solid.loft(rings).volume_mm3 == pytest.approx(28.0, rel=1e-12)


def test_booleans_add_up():
    # Source: |A ∪ B| = |A| + |B| − |A ∩ B|, |A \ B| = |A| − |A ∩ B|; the overlap of the boxes is 1 × 2 × 2.
    a, b = Solid.box([0, 0, 0], [2, 2, 2]), Solid.box([1, 0, 0], [4, 2, 2])
    assert union(a, b).volume_mm3 == pytest.approx(16.0, rel=1e-12)
    assert union([a, b]).volume_mm3 == pytest.approx(16.0, rel=1e-12)
    assert difference(a, b).volume_mm3 == pytest.approx(4.0, rel=1e-12)
    assert intersection(a, b).volume_mm3 == pytest.approx(4.0, rel=1e-12)
    assert difference(a, a).is_empty


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_booleans_of_turned_boxes_keep_the_balance_of_volumes(seed):
    rng = np.random.default_rng(seed)
    a = Solid.box([-1, -1, -1], [1, 1, 1]).transformed(rotation_about(rng.normal(size=3), rng.uniform(0, 360)))
    b = Solid.box([-1, -1, -1], [1, 1, 1]).moved(rng.uniform(-1, 1, 3))
    overlap = intersection(a, b).volume_mm3
    assert union(a, b).volume_mm3 + overlap == pytest.approx(16.0, rel=1e-9)
    assert difference(a, b).volume_mm3 == pytest.approx(8.0 - overlap, rel=1e-9)


def test_coordinates_keep_double_precision(pebble):
    back = Solid.from_surface(pebble).surface()
    assert {tuple(p) for p in back.vertices_mm.tolist()} == {tuple(p) for p in pebble.vertices_mm.tolist()}
    assert mesh.volume_mm3(back) == pytest.approx(mesh.volume_mm3(pebble), rel=1e-14)


def test_refining_splits_edges_and_keeps_the_volume(brick):
    fine = Solid.from_surface(brick).refined(0.5)
    surface = fine.surface()
    edges = np.diff(surface.vertices_mm[mesh.face_edges(surface).ends], axis=1)[:, 0]
    assert np.linalg.norm(edges, axis=1).max() < 1.0
    assert fine.volume_mm3 == pytest.approx(24.0, rel=1e-9)


def test_the_hull_of_two_boxes_fills_what_lies_between():
    # Source: a prism of 1 × 1 stretched from x = 0 to x = 5.
    ends = Solid.box([0, 0, 0], [1, 1, 1]), Solid.box([4, 0, 0], [5, 1, 1])
    assert hull(*ends).volume_mm3 == pytest.approx(5.0, rel=1e-12)


def test_parts_come_largest_first():
    both = union(Solid.box([0, 0, 0], [1, 1, 1]), Solid.box([5, 5, 5], [7, 7, 7]))
    assert [p.volume_mm3 for p in both.parts()] == pytest.approx([8, 1])


def test_an_open_surface_is_no_solid(cup):
    with pytest.raises(InputError, match=r"cup.stl: .*not closed.*Close its holes"):
        Solid.from_surface(cup, name="cup.stl")


@pytest.mark.parametrize(
    "make",
    [
        lambda: Solid.from_surface(Surface(np.full((3, 3), np.nan), np.array([[0, 1, 2]], dtype=np.int32))),
        lambda: Solid.from_surface(Surface(np.empty((0, 3)), np.empty((0, 3), dtype=np.int32))),
        lambda: Solid.box([0, 0, 0], [1, 0, 1]),
        lambda: Solid.cylinder(-1, 2),
        lambda: Solid.frustum(0, 0, 2),
        lambda: Solid.sphere(0),
        lambda: Solid.extruded([[0, 0], [1, 0]], 1),
        lambda: Solid.extruded([[0, 0], [1, 0], [2, 0]], 1),
        lambda: Solid.revolved([[0, 0], [1, np.inf], [2, 0]]),
        lambda: Solid.loft(np.zeros((1, 4, 3))),
    ],
)
def test_what_encloses_nothing_is_refused_in_words(make):
    with pytest.raises(InputError, match="expected"):
        make()
