"""When each spot was first touched and laid bare, read from a cut field."""

import numpy as np
import pytest

from kerfmark.records import CutField
from kerfmark.reports.scene.surfaces import first_touched_s


@pytest.fixture(scope="module")
def wave():
    """One block of a 2 × 2 × 2 block box, cut from z = 0 upwards at a voxel a second, its upper half only neared."""
    distance = np.full((1, 8, 8, 8), -0.1, dtype=np.float32)
    distance[..., 4:] = 0.1
    time = np.broadcast_to(np.arange(8, dtype=np.float32), (1, 8, 8, 8)).copy()
    return CutField(
        np.array([1.0, 2.0, 3.0]), 0.5, (16, 16, 16), 0.6, np.array([[1, 0, 1]], np.int32), distance, time, 0.0, 1, 1
    )


def test_a_point_takes_the_earliest_time_about_it(wave):
    corner = wave.origin_mm + 0.5 * np.array([8, 0, 8])
    points = corner + np.array([[0.0, 0.0, 0.0], [0.1, 0.2, 0.9], [0.0, 0.0, 1.5]])
    assert first_touched_s(points, wave).tolist() == [0.0, 1.0, 3.0]


def test_what_was_only_neared_or_lies_elsewhere_was_never_touched(wave):
    corner = wave.origin_mm + 0.5 * np.array([8, 0, 8])
    points = np.array([corner + np.array([0, 0, 2.5]), wave.origin_mm, wave.origin_mm - 50.0, wave.origin_mm + 50.0])
    assert first_touched_s(points, wave).tolist() == [-1.0, -1.0, -1.0, -1.0]
