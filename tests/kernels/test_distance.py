"""Signed distances and reading grids, against brute force and a general library."""

from __future__ import annotations

import igl
import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator

from kerfmark.geometry.closest import BoxTree
from kerfmark.geometry.grids import distance_grid
from kerfmark.kernels import distance as kernels


def test_blocks_marked_hold_every_voxel_within_the_band_of_a_triangle(pebble):
    tree = BoxTree(pebble)
    origin, spacing, shape, band = np.array([-7.0, -7.0, -9.0]), 0.5, np.array([28, 27, 35], dtype=np.int32), 0.7
    marked = kernels.mark_blocks(tree.corners, origin, spacing, shape, band)
    voxels = np.argwhere(np.ones(shape, dtype=bool))
    square, *_ = igl.point_mesh_squared_distance(origin + spacing * voxels, pebble.vertices_mm, pebble.faces)
    near = voxels[np.sqrt(square) <= band] // kernels.BLOCK
    assert marked[tuple(near.T)].all()
    assert not marked.all()


def test_flooding_carries_the_sign_of_the_nearest_voxel_along_each_row():
    values = np.full((2, 3, 6), np.nan, dtype=np.float32)
    values[0, 1, 2], values[0, 1, 4] = 0.3, -0.2
    kernels.flood_sign(values, 1.0, 1.0)
    assert values[0, 1].tolist() == pytest.approx([1, 1, 0.3, 1, -0.2, -1])
    assert (values[0, 0] == 1.0).all()
    assert (values[1] == 1.0).all()


def test_flooding_starts_with_the_sign_given():
    values = np.full((2, 2, 2), np.nan, dtype=np.float32)
    kernels.flood_sign(values, 0.5, -1.0)
    assert (values == -0.5).all()


def test_reading_between_voxels_is_trilinear_as_the_library_does_it():
    # Source: scipy.interpolate.RegularGridInterpolator, method linear.
    rng = np.random.default_rng(8)
    values, origin, spacing = rng.normal(size=(5, 6, 7)).astype(np.float32), np.array([1.0, -2.0, 0.5]), 0.3
    axes = [origin[k] + spacing * np.arange(values.shape[k]) for k in range(3)]
    points = rng.uniform(origin, origin + spacing * (np.array(values.shape) - 1), (500, 3))
    expected = RegularGridInterpolator(axes, values.astype(float))(points)
    np.testing.assert_allclose(kernels.read_grid(values, origin, spacing, points), expected, atol=1e-6)
    np.testing.assert_allclose(kernels.read_grid_and_slope(values, origin, spacing, points)[0], expected, atol=1e-6)


def test_the_slope_is_the_difference_quotient_of_the_value():
    rng = np.random.default_rng(9)
    values, origin, spacing, step = rng.normal(size=(5, 6, 7)).astype(np.float32), np.zeros(3), 0.5, 1e-5
    points = spacing * (rng.integers(0, 4, (200, 3)) + rng.uniform(0.1, 0.9, (200, 3)))
    _, slope = kernels.read_grid_and_slope(values, origin, spacing, points)
    for k in range(3):
        shift = step * np.eye(3)[k]
        up, down = (kernels.read_grid(values, origin, spacing, points + s * shift) for s in (1, -1))
        np.testing.assert_allclose(slope[:, k], (up - down) / (2 * step), atol=1e-6)


def test_points_beyond_the_last_voxel_read_nothing():
    values = np.ones((2, 2, 2), dtype=np.float32)
    points = np.array([[0.0, 0, 0], [1, 1, 1], [1.001, 0, 0], [0, -0.001, 0], [np.nan, 0, 0]])
    assert np.isnan(kernels.read_grid(values, np.zeros(3), 1.0, points)).tolist() == [False, False, True, True, True]


def test_the_side_of_a_point_near_a_sharp_corner_is_that_of_the_angle_weighted_normal(brick):
    # Straight out from each corner of a box is outside and straight in is inside, whichever face is found first.
    grid = distance_grid(brick, spacing_mm=0.25, band_mm=1.0)
    for corner in brick.vertices_mm:
        out = np.sign(corner - [2.0, 2.5, 3.0])
        for side in (1, -1):
            at = np.round((corner + side * 0.5 * out - grid.origin_mm) / 0.25).astype(int)
            assert np.sign(grid.values[tuple(at)]) == side
