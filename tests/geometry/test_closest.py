"""Closest points against libigl."""

from __future__ import annotations

import igl
import numpy as np
import pytest

from kerfmark.errors import InputError
from kerfmark.geometry.closest import ClosestPoint, self_intersections
from kerfmark.geometry.mesh import joined
from kerfmark.geometry.solids import Solid
from kerfmark.records import Surface


@pytest.mark.parametrize("shape", ["pebble", "cup", "brick"])
@pytest.mark.parametrize("count", [50, 5000])
def test_closest_points_are_those_of_libigl(shape, count, request):
    # Source: libigl, point_mesh_squared_distance. Both are exact up to rounding.
    surface = request.getfixturevalue(shape)
    points = np.random.default_rng(1).uniform(-9, 9, (count, 3))
    closest, distance, face = ClosestPoint(surface).query(points, max_distance_mm=100.0)
    square, _, expected = igl.point_mesh_squared_distance(points, surface.vertices_mm, surface.faces)[:3]
    np.testing.assert_allclose(distance, np.sqrt(square), atol=1e-9)
    np.testing.assert_allclose(np.linalg.norm(points - closest, axis=1), distance, atol=1e-12)
    apart = np.linalg.norm(closest - expected, axis=1) > 1e-6  # two places may be equally close
    assert apart.mean() < 0.01
    assert face.min() >= 0


def test_points_too_far_away_find_nothing(brick):
    closest, distance, face = ClosestPoint(brick).query([[2, 2, 40.0], [2, 2, 6.0]], max_distance_mm=2.0)
    assert np.isnan(closest[0]).all()
    assert (distance[0], face[0]) == (np.inf, -1)
    assert distance[1] == pytest.approx(1.0)  # the box ends at z = 5


def test_a_point_on_the_surface_is_its_own_closest_point(pebble):
    middles = pebble.vertices_mm[pebble.faces].mean(axis=1)
    _, distance, face = ClosestPoint(pebble).query(middles, max_distance_mm=1.0)
    assert distance.max() < 1e-12
    np.testing.assert_array_equal(face, np.arange(len(pebble.faces)))


def test_a_surface_without_faces_is_refused():
    with pytest.raises(InputError, match="no faces"):
        ClosestPoint(Surface(np.zeros((3, 3)), np.empty((0, 3), dtype=np.int32)))


def test_no_points_give_no_answers(pebble):
    closest, distance, face = ClosestPoint(pebble).query(np.empty((0, 3)), max_distance_mm=1.0)
    assert (closest.shape, distance.shape, face.shape) == ((0, 3), (0,), (0,))


def test_two_overlapping_boxes_cut_through_each_other_and_the_budget_is_kept(brick):
    both = joined([brick, Solid.box([2, 2, 2], [6, 6, 6]).surface()])
    assert self_intersections(both) > 0
    assert self_intersections(both, budget=1) is None
    assert self_intersections(brick) == 0
