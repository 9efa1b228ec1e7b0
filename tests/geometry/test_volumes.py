"""Surfaces and levels of volumes: spheres of known size, other libraries, real data."""

from __future__ import annotations

import numpy as np
import pytest

from kerfmark.errors import InputError
from kerfmark.geometry.mesh import volume_mm3
from kerfmark.geometry.volumes import (
    bounds_of,
    carried,
    halfway_level,
    labelled_surface,
    level_surface,
    sample_volume,
    voxel_mm,
)
from kerfmark.records import Volume


def ball(matrix, *, radius_mm=4.0, shape=(44, 40, 36)):
    """A ball in the middle of a volume, its edge voxels filled in part; and its middle."""
    index = np.indices(shape).reshape(3, -1).T
    points = index @ matrix[:3, :3].T + matrix[:3, 3]
    middle = points.mean(axis=0)
    inside = radius_mm - np.linalg.norm(points - middle, axis=1)
    greys = np.clip(0.5 + inside / 0.4, 0.0, 1.0) * 1000.0
    return Volume(greys.reshape(shape).astype(np.int16), matrix), middle


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_ball_of_uneven_skewed_voxels_has_its_volume_and_place(sign):
    # Source: 4/3 π r³; marching cubes over a 0.4 mm edge of a 4 mm ball errs by well under 1 %.
    matrix = np.eye(4)
    matrix[:3] = [[sign * 0.25, 0.0, 0.05, 3.0], [0.0, 0.3, 0.1, -4.0], [0.0, 0.0, 0.35, 7.0]]
    volume, middle = ball(matrix)
    surface = level_surface(volume, 500.0)
    assert volume_mm3(surface) == pytest.approx(4 / 3 * np.pi * 64.0, rel=6e-3)
    np.testing.assert_allclose(surface.vertices_mm.mean(axis=0), middle, atol=0.01)
    radii = np.linalg.norm(surface.vertices_mm - middle, axis=1)
    assert np.abs(radii - 4.0).max() < 0.05


def test_what_reaches_the_end_of_the_volume_is_open_there_unless_closed():
    matrix = np.diag([0.3, 0.3, 0.3, 1.0])
    values = np.zeros((12, 12, 12), dtype=np.int16)
    values[:6] = 1000
    closed = level_surface(Volume(values, matrix), 500.0, closed=True)
    # Half a voxel past the outermost centres: the level lies half way to what is put round it.
    assert volume_mm3(closed) > 0.0
    with pytest.raises(InputError, match="does not pass the level 5000"):
        level_surface(Volume(values, matrix), 5000.0)


def test_the_surface_of_a_label_encloses_its_voxels():
    # Source: counting voxels; evening the steps moves less than half a voxel of the face.
    index = np.indices((30, 30, 30)).reshape(3, -1).T
    labels = (np.linalg.norm(index - 14.5, axis=1) < 10.0).reshape(30, 30, 30).astype(np.uint8) * 3
    labels[:, :, :4] = 1
    volume = Volume(labels, np.diag([0.2, 0.2, 0.2, 1.0]))
    counted = float((labels == 3).sum()) * 0.008
    assert volume_mm3(labelled_surface(volume, [3])) == pytest.approx(counted, rel=0.02)


def test_the_level_lies_halfway_between_two_modes():
    rng = np.random.default_rng(2)
    greys = np.concatenate([rng.normal(-1000, 30, 90_000), rng.normal(900, 60, 10_000)])
    assert halfway_level(greys.reshape(100, 100, 10)) == pytest.approx(-50.0, abs=30.0)


def test_one_mode_gives_no_level():
    greys = np.random.default_rng(2).normal(100, 20, (20, 20, 20))
    assert halfway_level(greys) is None
    assert halfway_level(np.zeros((4, 4, 4), dtype=np.int16)) is None


def test_a_carried_volume_reads_the_same_greys_at_the_carried_points():
    matrix = np.diag([0.3, 0.4, 0.5, 1.0])
    volume, middle = ball(matrix)
    turn = np.eye(4)
    turn[:3] = [[0.0, -1.0, 0.0, 5.0], [1.0, 0.0, 0.0, 2.0], [0.0, 0.0, 1.0, -1.0]]
    moved = carried(volume, turn)
    points = middle + np.random.default_rng(4).uniform(-4, 4, (40, 3))
    there = points @ turn[:3, :3].T + turn[:3, 3]
    np.testing.assert_allclose(sample_volume(moved, there), sample_volume(volume, points), atol=1e-6)
    np.testing.assert_allclose(voxel_mm(moved), [0.3, 0.4, 0.5])
    np.testing.assert_allclose(bounds_of(volume)[1], (np.array([44, 40, 36]) - 1) * [0.3, 0.4, 0.5])
