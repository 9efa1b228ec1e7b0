"""Sections against shapes whose curves are known, and against a general mesh library."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfmark.geometry.frames import rotation_about, transform_points
from kerfmark.geometry.mesh import joined, submesh, transformed
from kerfmark.geometry.sections import radial_profiles, section_curves, sections
from kerfmark.geometry.solids import Solid
from kerfmark.records import SectionPlane, Surface


def plane(origin, across, up):
    return SectionPlane("BL", np.array(origin, dtype=float), np.array(across, dtype=float), np.array(up, dtype=float))


def length(curve):
    return np.linalg.norm(np.diff(curve, axis=0), axis=1).sum()


def test_a_box_is_cut_into_a_rectangle_with_the_perimeter_of_its_sides(brick):
    (curve,) = section_curves(brick, plane([0, 2, 0], [1, 0, 0], [0, 0, 1]))
    assert length(curve) == pytest.approx(2 * (2 + 4))
    np.testing.assert_allclose(curve[:, 1], 2.0, atol=1e-12)
    np.testing.assert_array_equal(curve[0], curve[-1])


@pytest.mark.parametrize("across", [[1, 0, 0], [0, 1, 0], [0.6, 0.8, 0]])
def test_curves_have_the_length_of_the_library_s_section(pebble, across):
    # Source: trimesh, Trimesh.section.
    cut = plane([0.3, 0.2, 0.1], across, [0, 0, 1])
    tm = trimesh.Trimesh(pebble.vertices_mm, pebble.faces, process=False)
    expected = tm.section(plane_origin=cut.origin_mm, plane_normal=np.cross(cut.across, cut.up)).length
    assert sum(map(length, section_curves(pebble, cut))) == pytest.approx(expected, rel=1e-9)


def test_many_planes_at_once_give_what_each_gives_alone(pebble):
    planes = [plane([0, 0, z], [1, 0, 0], [0, 1, 0]) for z in (-3, 0, 4, 99)]
    many = sections(pebble, planes)
    for curves, one in zip(many, planes, strict=True):
        for a, b in zip(curves, section_curves(pebble, one), strict=True):
            np.testing.assert_array_equal(a, b)
    assert many[3] == ()


def test_the_longest_curve_comes_first(brick):
    small = Solid.box([10, 1, 1], [11, 4, 2]).surface()
    curves = section_curves(joined([small, brick]), plane([0, 2, 1.5], [1, 0, 0], [0, 0, 1]))
    assert [round(length(c), 9) for c in curves] == [12.0, 4.0]


def cone(segments=720) -> Surface:
    """A frustum from radius 5 at z = 0 to radius 3 at z = 6: walls of 18.43°."""
    return Solid.frustum(5.0, 3.0, 6.0, segments=segments).surface()


@pytest.mark.parametrize("mesial_sign", [1, -1])
def test_each_profile_of_a_frustum_has_its_corners(mesial_sign):
    profiles = radial_profiles(
        cone(), origin_mm=[0, 0, 0], path=[0, 0, 1], azimuths_deg=np.arange(0, 360, 30.0), mesial_sign=mesial_sign
    )
    for (curve,) in profiles:
        # Chords of 720 segments: r (1 − cos 0.25°) = 5e-5 mm.
        for corner in ([0, 0], [5, 0], [3, 6], [0, 6]):
            assert np.linalg.norm(curve - corner, axis=1).min() < 1e-4
        assert curve[0, 1] < curve[-1, 1]  # both ends lie on the axis: the lower one first


def test_azimuths_run_from_facial_towards_mesial():
    block = Solid.box([-1, -2, 0], [3, 4, 1]).surface()
    reach = {}
    for sign in (1, -1):
        profiles = radial_profiles(
            block, origin_mm=[0, 0, 0.5], path=[0, 0, 1], azimuths_deg=[0, 90, 180, 270], mesial_sign=sign
        )
        reach[sign] = [round(max(c[:, 0].max() for c in curves), 9) for curves in profiles]
    assert reach == {1: [4, 3, 2, 1], -1: [4, 1, 2, 3]}  # facial is +y; mesial is +x or −x


def test_a_profile_of_an_open_scan_runs_from_its_border_to_the_axis():
    full = cone()
    crown = submesh(full, full.vertices_mm[full.faces][:, :, 2].max(axis=1) > 0.5)  # walls and top without the base
    for (curve,) in radial_profiles(crown, origin_mm=[0, 0, 0], path=[0, 0, 1], azimuths_deg=[0, 77.5], mesial_sign=1):
        assert curve[0] == pytest.approx([5, 0], abs=1e-4)
        assert curve[-1] == pytest.approx([0, 6], abs=1e-9)


def test_a_hole_in_the_wall_leaves_two_curves():
    full = cone()
    fine = Surface(*_split_at(full))
    centre = fine.vertices_mm[fine.faces].mean(axis=1)
    holed = submesh(fine, ~((centre[:, 1] > 0) & (np.abs(centre[:, 0]) < 1) & (np.abs(centre[:, 2] - 3) < 1)))
    curves, whole = radial_profiles(holed, origin_mm=[0, 0, 0], path=[0, 0, 1], azimuths_deg=[0, 180], mesial_sign=1)
    assert (len(curves), len(whole)) == (2, 1)


def _split_at(surface):
    from kerfmark.geometry.phantoms import refined

    fine = refined(surface, 0.3)
    return fine.vertices_mm, fine.faces


def test_a_neighbour_beside_the_axis_gives_a_closed_profile(brick):
    ((curve,),) = radial_profiles(brick, origin_mm=[0, 2.5, 0], path=[0, 0, 1], azimuths_deg=[90], mesial_sign=1)
    np.testing.assert_array_equal(curve[0], curve[-1])
    assert curve[0, 1] == curve[:, 1].min() == pytest.approx(1.0)
    assert [curve[:, 0].min(), curve[:, 0].max()] == pytest.approx([1, 3])


@settings(max_examples=15, deadline=None)
@given(st.floats(-40, 40), st.floats(-40, 40), st.floats(-180, 180))
def test_profiles_along_a_tilted_path_are_those_of_the_tilted_surface(tilt_x, tilt_y, azimuth):
    # A pose that keeps the facial direction's plane: the profile in its own frame cannot change.
    turn = rotation_about([1, 0, 0], tilt_x)
    path = turn[:3, :3] @ [0, 0, 1]
    tilted = transformed(cone(96), turn)
    (straight,) = radial_profiles(cone(96), origin_mm=[0, 0, 1], path=[0, 0, 1], azimuths_deg=[0.0], mesial_sign=1)
    origin = transform_points(turn, [[0, 0, 1.0]])[0]
    (turned,) = radial_profiles(tilted, origin_mm=origin, path=path, azimuths_deg=[0.0], mesial_sign=1)
    assert length(turned[0]) == pytest.approx(length(straight[0]), rel=1e-6)
    assert turned[0].max(axis=0) == pytest.approx(straight[0].max(axis=0), rel=1e-6)


def test_opposite_azimuths_share_the_axis(pebble):
    front, back = radial_profiles(pebble, origin_mm=[0, 0, 0], path=[0, 0, 1], azimuths_deg=[20, 200], mesial_sign=1)
    assert front[0][0] == pytest.approx(back[0][0])
    assert front[0][-1] == pytest.approx(back[0][-1])
