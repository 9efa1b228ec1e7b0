"""Areas of a rough surface, and which part of it lies where a depth is above 0, on surfaces written down."""

import numpy as np
import pytest

from kerfmark.geometry.mesh import face_areas_mm2
from kerfmark.measurement.cavity.pulp import _along, _opened, _shares_inside
from kerfmark.measurement.surface.noisy_area import larger_by_noise
from kerfmark.records import Surface


def level(side_mm=0.1, count=40):
    """A level square of right-angled triangles."""
    i, j = np.meshgrid(np.arange(count), np.arange(count), indexing="ij")
    number = (i * count + j)[:-1, :-1].ravel()
    faces = np.concatenate([
        np.column_stack([number, number + count, number + 1]),
        np.column_stack([number + 1, number + count, number + count + 1]),
    ])  # fmt: skip
    points = side_mm * np.column_stack([i.ravel(), j.ravel(), np.zeros(count * count)])
    return Surface(points, faces.astype(np.int32))


@pytest.mark.parametrize("noise_mm", [0.0, 0.01, 0.03, 0.05])
def test_what_noise_adds_to_an_area_is_taken_off(noise_mm):
    # Truth: the square without noise, 3.9 × 3.9 mm. At 50 µm its rough surface is a third larger.
    plain = level()
    rough = plain.vertices_mm + np.random.default_rng(1).normal(0.0, noise_mm, (len(plain.vertices_mm), 1)) * [0, 0, 1]
    surface = Surface(rough, plain.faces)
    areas = face_areas_mm2(surface)
    assert areas.sum() / larger_by_noise(surface, areas, noise_mm) == pytest.approx(3.9**2, rel=0.01)


def test_a_triangle_counts_as_far_as_it_lies_inside():
    # By plane geometry: a corner cut off half way along both sides is a quarter of the triangle.
    faces = np.array([[0, 1, 2]])
    for depth, share in (
        ([1, -1, -1], 0.25),
        ([-1, 1, 1], 0.75),
        ([1, 2, 3], 1.0),
        ([-1, -2, -3], 0.0),
        ([0, 0, 0], 0.0),
    ):
        assert _shares_inside(faces, np.array(depth, float))[0] == pytest.approx(share)


def test_a_patch_that_only_touches_the_pulp_is_not_open():
    # Two triangles apart: one reaches 0.1 mm in, of the other all that lies in is 0.01 mm deep, as noise would be.
    faces = np.array([[0, 1, 2], [3, 4, 5]])
    depth = np.array([0.1, 0.01, -0.1, 0.01, 0.01, -0.1])
    assert (_opened(faces, depth) > 0.0).tolist() == [True, True, False, False, False, False]


@pytest.mark.parametrize("way", [[0.3, 0.25, -0.9], [-0.6, 0.2, -0.7], [0.0, -0.5, -0.8], [0.0, 0.0, -1.0]])
@pytest.mark.parametrize("sign", [1, -1])
def test_the_section_to_the_pulp_holds_the_way_it_measures(way, sign):
    # Source: a plane holds a line through it when the line's direction is square to its normal.
    plane = _along(np.array([1.0, 2.0, 3.0]), np.array(way), sign)
    normal = np.cross(plane.across, plane.up)
    assert abs(float(normal @ way)) < 1e-12
    assert abs(float(normal @ (np.array([1.0, 2.0, 3.0]) - plane.origin_mm))) < 1e-12
