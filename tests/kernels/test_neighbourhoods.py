"""Neighbourhood kernels against all pairs."""

import numpy as np
import pytest

from kerfmark.kernels.neighbourhoods import means_within, near_any, over_local_planes


@pytest.fixture
def cloud():
    rng = np.random.default_rng(7)
    return rng.uniform(0.0, 2.0, (300, 3)), rng.standard_normal(300)


def test_means_are_those_of_all_pairs(cloud):
    points, values = cloud
    near = np.linalg.norm(points[:, None] - points[None], axis=2) <= 0.4
    assert means_within(points, points, values, 0.4) == pytest.approx((near * values).sum(axis=1) / near.sum(axis=1))


def test_nearness_is_that_of_all_pairs(cloud):
    points, _ = cloud
    near = (np.linalg.norm(points[:, None] - points[None, :20], axis=2) <= 0.3).any(axis=1)
    assert (near_any(points, points[:20], 0.3) == near).all()


def test_a_plane_leaves_nothing_over(cloud):
    points, _ = cloud
    flat = np.column_stack([points[:, :2], np.zeros(300)])
    over, through = over_local_planes(np.arange(300), flat, 1.0 + 2.0 * flat[:, 0] - flat[:, 1], 0.4)
    assert np.abs(over).max() < 1e-9
    assert (through < 1.0).all()
