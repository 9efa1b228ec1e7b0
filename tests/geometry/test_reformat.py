"""Pictures along and across a drawn curve: spheres of known size and place measured in them, and another library's greys."""

from __future__ import annotations

import numpy as np
import pytest
import SimpleITK

from kerfmark.errors import InputError
from kerfmark.geometry.reformat import arch_curve, cross_section, curved_reformat
from kerfmark.records import Volume

RADIUS_MM, BALL_MM, VOXEL_MM = 25.0, 3.0, 0.3
ANGLES_DEG = (30.0, 75.0, 120.0)
HEIGHTS_MM = (1.0, -2.5, 0.4)
ASIDE_MM = (0.0, 1.7, -2.2)


def centre(k):
    """The middle of a ball: on a circle of 25 mm about the origin, some way outside or inside it and up or down."""
    turn, radius = np.radians(ANGLES_DEG[k]), RADIUS_MM + ASIDE_MM[k]
    return np.array([radius * np.cos(turn), radius * np.sin(turn), HEIGHTS_MM[k]])


@pytest.fixture(scope="module")
def phantom():
    """Three balls of 3 mm along an arch, their edge voxels filled in part; voxels of 0.3 mm on slightly turned axes."""
    shape = (190, 110, 50)
    turn = np.radians(5.0)
    matrix = np.eye(4)
    matrix[:3, :3] = VOXEL_MM * np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    matrix[:3, 3] = [-26.0, -2.0, -7.0]
    points = np.indices(shape).reshape(3, -1).T @ matrix[:3, :3].T + matrix[:3, 3]
    far = np.min([np.linalg.norm(points - centre(k), axis=1) for k in range(3)], axis=0) - BALL_MM
    greys = 1000.0 * np.clip(0.5 - far / VOXEL_MM, 0.0, 1.0)
    return Volume(np.rint(greys).astype(np.int16).reshape(shape), matrix)


@pytest.fixture(scope="module")
def curve():
    turn = np.radians(np.arange(10.0, 141.0, 2.0))
    points = np.column_stack([RADIUS_MM * np.cos(turn), RADIUS_MM * np.sin(turn), np.zeros(len(turn))])
    return arch_curve(points, up=[0.0, 0.0, 1.0], step_mm=0.1)


def measured(picture):
    """Area (mm²) and middle (mm right and down of the first pixel) of what is bright in a picture, edge pixels in part."""
    weight = np.nan_to_num(picture.greys) / 1000.0
    rows, columns = np.indices(weight.shape)
    area = weight.sum() * picture.pixel_mm**2
    return (
        area,
        (weight * columns).sum() / weight.sum() * picture.pixel_mm,
        (weight * rows).sum() / weight.sum() * picture.pixel_mm,
    )


@pytest.mark.parametrize("k", [0, 1, 2])
def test_a_ball_in_a_cross_section_has_its_size_and_place(phantom, curve, k):
    # Source: the balls' own numbers. Travelling counter-clockwise with up overhead, the outside is on the right.
    along = np.radians(ANGLES_DEG[k] - 10.0) * RADIUS_MM
    assert curve.nearest_mm(centre(k)) == pytest.approx(along, abs=0.06)
    picture = cross_section(phantom, curve, along, width_mm=12.0, above_mm=7.0, below_mm=7.0)
    area, right, down = measured(picture)
    # Up to a pixel from the middle of the ball along the curve, the cut is smaller by at most 0.2 %.
    assert np.sqrt(area / np.pi) == pytest.approx(BALL_MM, abs=0.02)
    assert right - 6.0 == pytest.approx(ASIDE_MM[k], abs=0.02)
    assert 7.0 - down == pytest.approx(HEIGHTS_MM[k], abs=0.02)


def test_a_ball_on_the_curve_keeps_its_size_in_the_unrolled_picture(phantom, curve):
    # Source: on the curve itself lengths along it are true; the ball's cut by the cylinder of the curve is nearly its great circle.
    picture = curved_reformat(phantom, curve, above_mm=6.0, below_mm=6.0)
    along = np.radians(ANGLES_DEG[0] - 10.0) * RADIUS_MM
    part = picture.greys[:, round((along - 5.0) / 0.1) : round((along + 5.0) / 0.1)]
    area, _right, down = measured(type(picture)(part, 0.1))
    assert np.sqrt(area / np.pi) == pytest.approx(BALL_MM, abs=0.03)
    assert 6.0 - down == pytest.approx(HEIGHTS_MM[0], abs=0.02)
    assert picture.size_mm[0] == pytest.approx(np.radians(130.0) * RADIUS_MM, abs=0.15)


def test_an_edge_is_no_wider_than_the_voxels_make_it(phantom, curve):
    # Source: a partial-volume edge one voxel wide, read linearly, rises from 10 to 90 % within two voxels at most.
    along = np.radians(ANGLES_DEG[0] - 10.0) * RADIUS_MM
    picture = cross_section(phantom, curve, along, width_mm=12.0, above_mm=7.0, below_mm=7.0)
    row = picture.greys[round((7.0 - HEIGHTS_MM[0]) / 0.1)]
    rising = np.flatnonzero((row > 100.0) & (row < 900.0))
    left = rising[rising < len(row) // 2]
    assert len(left) * 0.1 <= 2.0 * VOXEL_MM + 0.1


def test_pixels_are_those_the_general_library_reads_there(phantom, curve):
    # Source: SimpleITK, linear interpolation at the physical points of a cross-section's pixels.
    image = SimpleITK.GetImageFromArray(np.ascontiguousarray(phantom.values.transpose(2, 1, 0)))
    image.SetSpacing((VOXEL_MM,) * 3)
    image.SetOrigin(phantom.matrix[:3, 3].tolist())
    image.SetDirection((phantom.matrix[:3, :3] / VOXEL_MM).ravel().tolist())
    along = np.radians(ANGLES_DEG[1] - 10.0) * RADIUS_MM
    picture = cross_section(phantom, curve, along, width_mm=8.0, above_mm=4.0, below_mm=4.0)
    place = curve.at(along)
    for row, column in [(40, 40), (20, 55), (60, 30), (71, 62), (10, 10)]:
        point = curve.points_mm[place] + (4.0 - 0.1 * row) * curve.up + (0.1 * column - 4.0) * curve.across[place]
        expected = image.EvaluateAtPhysicalPoint(point.tolist(), SimpleITK.sitkLinear)
        assert picture.greys[row, column] == pytest.approx(expected, abs=1e-3)


def test_where_the_volume_ends_there_is_nothing(phantom, curve):
    picture = cross_section(phantom, curve, 5.0, width_mm=12.0, above_mm=30.0, below_mm=7.0)
    assert np.isnan(picture.greys[0]).all()


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ([[0, 0, 0]], "at least two points"),
        ([[0, 0, 0], [0, 0, 0]], "are the same"),
        ([[0, 0, 0], [0, 0, 5]], "runs straight up"),
        ([[0, 0, 0], [0, np.nan, 5]], "three numbers"),
    ],
)
def test_a_curve_that_is_none_is_refused(points, words):
    with pytest.raises(InputError, match=words):
        arch_curve(points, up=[0, 0, 1])
