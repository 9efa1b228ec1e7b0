"""Distance grids against formulas and libigl."""

from __future__ import annotations

import igl
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfmark.errors import InputError
from kerfmark.geometry.grids import distance_grid, sample, sample_with_gradient, surface_of
from kerfmark.geometry.mesh import joined, transformed, volume_mm3
from kerfmark.geometry.phantoms import random_pose
from kerfmark.geometry.solids import Solid, difference
from kerfmark.records import Grid, Surface


def voxels(grid: Grid) -> np.ndarray:
    return grid.origin_mm + grid.spacing_mm * np.argwhere(np.ones(grid.values.shape, dtype=bool))


def test_a_box_has_the_distance_of_its_formula_in_every_voxel():
    # Source: distance to a box, max(|p| − half, 0) outside and the largest of |p| − half inside.
    grid = distance_grid(Solid.box([-1, -1.5, -2], [1, 1.5, 2]).surface(), spacing_mm=0.13, band_mm=0.8)
    q = np.abs(voxels(grid)) - [1, 1.5, 2]
    formula = np.linalg.norm(np.maximum(q, 0), axis=1) + np.minimum(q.max(axis=1), 0)
    np.testing.assert_allclose(grid.values.ravel(), np.clip(formula, -0.8, 0.8), atol=1e-6)


def test_a_bumpy_surface_agrees_with_libigl_within_the_band_and_beyond(pebble):
    # Source: libigl, point_mesh_squared_distance and winding_number.
    grid = distance_grid(pebble, spacing_mm=0.4, band_mm=0.9)
    points = voxels(grid)
    square = igl.point_mesh_squared_distance(points, pebble.vertices_mm, pebble.faces)[0]
    inside = igl.winding_number(pebble.vertices_mm, pebble.faces, points) > 0.5
    expected = np.clip(np.where(inside, -1, 1) * np.sqrt(square), -0.9, 0.9)
    np.testing.assert_allclose(grid.values.ravel(), expected, atol=1e-6)


def test_deep_inside_is_minus_the_band(pebble):
    grid = distance_grid(pebble, spacing_mm=0.4, band_mm=0.9)
    assert sample(grid, [[0, 0, 0]])[0] == pytest.approx(-0.9)


def test_a_cavity_is_outside_the_material():
    hollow = difference(Solid.box([0, 0, 0], [6, 6, 6]), Solid.box([1, 1, 1], [5, 5, 5])).surface()
    grid = distance_grid(hollow, spacing_mm=0.25, band_mm=0.5)
    inside = sample(grid, [[3, 3, 3], [0.5, 3, 3], [-0.4, 3, 3]])
    assert inside == pytest.approx([0.5, -0.5, 0.4], abs=0.125)  # half a voxel, where two walls are equally close


def test_parts_side_by_side_each_have_their_inside(brick):
    both = joined([brick, Solid.box([6, 1, 1], [8, 4, 5]).surface()])
    grid = distance_grid(both, spacing_mm=0.2, band_mm=0.4)
    assert np.sign(sample(grid, [[2, 2, 2], [5, 2, 2], [7, 2, 2]])).tolist() == [-1, 1, -1]


def test_bounds_that_cut_through_the_solid_still_know_inside(pebble):
    grid = distance_grid(pebble, spacing_mm=0.3, band_mm=0.6, bounds_mm=[[-1, -1, -1], [1, 1, 1]])
    assert (grid.values == np.float32(-0.6)).all()


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_the_grid_does_not_depend_on_the_pose(seed):
    rng = np.random.default_rng(seed)
    solid = difference(Solid.box([-2, -2, -2], [2, 2, 2]), Solid.cylinder(1.0, 3.0, segments=24))
    pose = random_pose(rng)
    points = rng.uniform(-2.5, 2.5, (200, 3))
    there = transformed(Surface(points, np.empty((0, 3), dtype=np.int32)), pose).vertices_mm
    values = [
        sample(distance_grid(s, spacing_mm=0.1, band_mm=0.5), p)
        for s, p in ((solid.surface(), points), (transformed(solid.surface(), pose), there))
    ]
    # Reading between voxels errs near edges by at most about a quarter of the spacing in each grid.
    np.testing.assert_allclose(values[0], values[1], atol=0.05)


def test_outside_the_grid_the_band_is_read(brick):
    grid = distance_grid(brick, spacing_mm=0.2, band_mm=0.5)
    value, gradient = sample_with_gradient(grid, [[99, 0, 0], [2, 2.5, 4.8]])
    assert value == pytest.approx([0.5, -0.2], abs=1e-5)
    assert gradient[0].tolist() == [0, 0, 0]
    np.testing.assert_allclose(gradient[1], [0, 0, 1], atol=1e-5)


def test_a_memory_mapped_grid_reads_the_same(brick, tmp_path):
    grid = distance_grid(brick, spacing_mm=0.2, band_mm=0.5)
    np.save(tmp_path / "values.npy", grid.values)
    mapped = Grid(grid.origin_mm, grid.spacing_mm, np.load(tmp_path / "values.npy", mmap_mode="r"))
    points = np.random.default_rng(1).uniform(0, 5, (50, 3))
    np.testing.assert_array_equal(sample(mapped, points), sample(grid, points))


def test_a_surface_comes_back_from_its_grid_with_its_volume(pebble):
    back = surface_of(distance_grid(pebble, spacing_mm=0.2, band_mm=0.5))
    # Linear interpolation cuts off curvature by h² κ / 8: 1e-3 mm at 0.2 mm voxels and a radius of 5 mm, 0.1 % of the volume.
    assert volume_mm3(back) == pytest.approx(volume_mm3(pebble), rel=2e-3)


def test_a_level_moves_the_surface_outward_by_that_much():
    grid = distance_grid(Solid.sphere(2.0, segments=256).surface(), spacing_mm=0.1, band_mm=0.6)
    assert volume_mm3(surface_of(grid, 0.3)) == pytest.approx(4 / 3 * np.pi * 2.3**3, rel=3e-3)


def test_a_level_the_grid_does_not_reach_is_refused(brick):
    with pytest.raises(InputError, match="does not cross"):
        surface_of(distance_grid(brick, spacing_mm=0.2, band_mm=0.5), 0.7)


def test_an_open_surface_is_refused_with_the_number_of_its_open_edges(cup):
    with pytest.raises(InputError, match=r"has \d+ open edges"):
        distance_grid(cup, spacing_mm=0.3, band_mm=0.6)


def test_a_band_narrower_than_the_spacing_is_refused(brick):
    with pytest.raises(InputError, match="spacing"):
        distance_grid(brick, spacing_mm=0.3, band_mm=0.2)


def test_a_grid_beyond_the_limit_is_refused_with_the_limit_named(brick):
    with pytest.raises(InputError, match=r"limits.grid_mib = 1\b.*KERFMARK_LIMIT_GRID_MIB"):
        distance_grid(brick, spacing_mm=0.01, band_mm=0.5, limit_mib=1)
