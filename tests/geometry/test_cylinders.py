"""Distances from cylinders, against a general library."""

from __future__ import annotations

import igl
import numpy as np
import pytest
import trimesh

from kerfmark.geometry.cylinders import Cylinder

ROD = Cylinder(np.array([1.0, 2.0, 3.0]), np.array([4.0, -1.0, -6.0]), 1.7)


@pytest.fixture(scope="module")
def mesh():
    return trimesh.creation.cylinder(ROD.radius_mm, segment=[ROD.entry_mm, ROD.apex_mm], sections=720)


def test_signed_distances_are_those_to_its_mesh(mesh):
    # Source: libigl; a polygon of 720 sides lies within 1.7 (1 - cos(π / 720)) = 16 nm of the circle.
    points = np.random.default_rng(1).uniform(-8.0, 9.0, (200, 3))
    expected = igl.signed_distance(points, np.array(mesh.vertices), np.array(mesh.faces))[0]
    np.testing.assert_allclose(ROD.distance_mm(points), expected, atol=2e-4)


def test_the_nearest_point_is_as_far_as_the_distance_says():
    points = np.random.default_rng(2).uniform(-8.0, 9.0, (200, 3))
    far, nearest = ROD.distance_mm(points), ROD.nearest_mm(points)
    np.testing.assert_allclose(np.linalg.norm(points - nearest, axis=1), np.maximum(far, 0.0), atol=1e-9)
    assert ROD.distance_mm(nearest).max() < 1e-9


def test_surface_points_lie_on_its_surface_as_close_as_asked():
    points = ROD.surface_points(spacing_mm=0.2)
    np.testing.assert_allclose(ROD.distance_mm(points), 0.0, atol=1e-9)
    assert len(points) > 2 * np.pi * ROD.radius_mm * ROD.length_mm / 0.2**2
