"""Rays against Embree and formulas."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from trimesh.ray.ray_pyembree import RayMeshIntersector

from kerfmark.errors import InputError
from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.rays import RayCaster


@pytest.mark.parametrize("shape", ["pebble", "cup"])
def test_first_hits_are_those_of_embree(shape, request):
    # Source: embreex through trimesh. Embree works in single precision: 1e-4 mm on a 20 mm scene.
    surface = request.getfixturevalue(shape)
    rng = np.random.default_rng(3)
    origins, directions = rng.uniform(-9, 9, (3000, 3)), rng.normal(size=(3000, 3))
    distance, face = RayCaster(surface).first_hit(origins, directions)
    tm = trimesh.Trimesh(surface.vertices_mm, surface.faces, process=False)
    place, ray, _ = RayMeshIntersector(tm).intersects_location(origins, directions, multiple_hits=False)
    expected = np.full(3000, np.nan)
    expected[ray] = np.linalg.norm(place - origins[ray], axis=1)
    assert (np.isnan(expected) != np.isnan(distance)).mean() < 1e-3  # rays that graze
    both = ~np.isnan(expected) & ~np.isnan(distance)
    assert np.quantile(np.abs(expected - distance)[both], 0.999) < 1e-4
    assert ((face < 0) == np.isnan(distance)).all()


def test_a_ray_crosses_a_box_on_the_way_in_and_on_the_way_out(brick):
    # It runs along the diagonal of a side, through the side's middle, where both of its triangles meet: counted once.
    distance, _ = RayCaster(brick).crossings([2, 2.5, -1], [0, 0, 7])
    assert distance == pytest.approx([2.0, 6.0])  # z = 1 and z = 5 seen from z = −1


def test_a_ray_reaches_no_farther_than_asked(brick):
    caster = RayCaster(brick)
    assert np.isnan(caster.first_hit([[2, 2, -1]], [0, 0, 1], max_mm=1.9)[0][0])
    assert caster.first_hit([[2, 2, -1]], [0, 0, 1], max_mm=2.1)[0][0] == pytest.approx(2.0)


def test_what_lies_behind_is_not_hit(brick):
    assert np.isnan(RayCaster(brick).first_hit([[2, 2, 9]], [0, 0, 1])[0][0])


def test_the_tree_of_the_closest_points_serves_rays_too(pebble):
    tree = ClosestPoint(pebble).tree
    same, other = RayCaster(pebble, tree=tree), RayCaster(pebble)
    assert same.tree is tree
    assert same.first_hit([[0, 0, 0]], [1, 2, 3])[0] == other.first_hit([[0, 0, 0]], [1, 2, 3])[0]


@pytest.mark.parametrize("direction", [[0, 0, 0], [np.nan, 0, 1]])
def test_a_direction_without_a_length_is_refused(brick, direction):
    with pytest.raises(InputError, match="direction"):
        RayCaster(brick).first_hit([[0, 0, 0]], direction)
