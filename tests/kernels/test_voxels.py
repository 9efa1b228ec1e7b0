"""Reading volumes, against a general library and a slow plain twin."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator

from kerfmark.kernels.voxels import read_voxels


@pytest.mark.parametrize("kind", [np.uint8, np.int16, np.float32])
@pytest.mark.parametrize("order", ["C", "F"])
def test_reading_between_voxels_is_trilinear_as_the_library_does_it(kind, order):
    # Source: scipy.interpolate.RegularGridInterpolator, method linear, at the points' voxel indices.
    rng = np.random.default_rng(3)
    values = np.asarray(rng.integers(0, 200, (5, 6, 7)), dtype=kind, order=order)
    matrix = np.eye(4)
    matrix[:3] = [[0.3, 0.1, 0.0, 5.0], [0.0, -0.4, 0.05, -3.0], [0.02, 0.0, 0.6, 1.0]]
    index = rng.uniform(0, np.array(values.shape) - 1, (300, 3))
    points = index @ matrix[:3, :3].T + matrix[:3, 3]
    expected = RegularGridInterpolator([np.arange(n) for n in values.shape], values.astype(float))(index)
    inverse = np.ascontiguousarray(np.linalg.inv(matrix)[:3])
    np.testing.assert_allclose(read_voxels(values, inverse, points, -1.0), expected, atol=1e-9)


def test_beyond_the_outermost_voxels_stands_what_was_asked_for():
    values, inverse = np.ones((3, 3, 3), dtype=np.int16), np.eye(4)[:3].copy()
    points = np.array([[-0.001, 1, 1], [2.001, 1, 1], [2.0, 2.0, 2.0], [1, 1, np.nan]])
    assert read_voxels(values, inverse, points, -7.0).tolist() == [-7.0, -7.0, 1.0, -7.0]
