"""The cut must be what the plan says, as read off the solid by a general mesh library."""

import igl
import numpy as np
import pytest
import trimesh

from kerfmark.anatomy.preparations import CrownPlan, by_azimuth, cut_crown
from kerfmark.anatomy.preparations.profile import finish_line
from kerfmark.errors import InputError
from kerfmark.geometry.mesh import is_closed, volume_mm3
from kerfmark.geometry.solids import intersection, revolved, sphere

SITES = {"mesial hump": np.array([2.0, 0.0, 0.0]), "groove": np.array([0.0, 0.0, 0.0])}


@pytest.fixture(scope="module")
def barrel():
    """A round 'tooth' of the shape of a barrel: 10 mm wide, 7 mm crown with a domed top, 10 mm root."""
    heights = np.linspace(-10.0, 7.5, 60)
    radii = np.where(heights > 0, 4.4 + 0.6 * np.sin(np.pi * np.clip(heights / 7.5, 0, 1)), 4.4 + 0.2 * heights)
    profile = np.vstack([[0.0, -10.0], np.column_stack([radii, heights]), [0.0, 7.5]])
    body = revolved(profile, segments=180)
    return intersection(body, sphere(9.0, segments=180).moved([0.0, 0.0, -2.0])).surface()


@pytest.fixture(scope="module")
def sites(barrel):
    mesh = trimesh.Trimesh(barrel.vertices_mm, barrel.faces, process=False)
    up = np.array([0.0, 0.0, 1.0])
    return {
        name: mesh.ray.intersects_location([point + 20 * up], [-up])[0].max(axis=0) for name, point in SITES.items()
    }


CERVIX = np.column_stack(
    [4.4 * np.sin(np.radians(np.arange(0, 360, 5))), 4.4 * np.cos(np.radians(np.arange(0, 360, 5))), np.zeros(72)]
)


def cut(barrel, sites, *, mesial_sign=1, **plan):
    plan = {"reduction_mm": {"mesial hump": 1.5, "groove": 1.2}} | plan
    return cut_crown(barrel, sites=sites, cervical_line_mm=CERVIX, mesial_sign=mesial_sign, plan=CrownPlan(**plan))


def profile_of(surface, azimuth_deg, mesial_sign=1):
    """(radius, height) points of the half section at an azimuth, by trimesh."""
    mesh = trimesh.Trimesh(surface.vertices_mm, surface.faces, process=False)
    angle = np.radians(azimuth_deg)
    along = np.array([mesial_sign * np.sin(angle), np.cos(angle), 0.0])
    lines = trimesh.intersections.mesh_plane(mesh, np.cross(along, [0.0, 0.0, 1.0]), [0.0, 0.0, 0.0]).reshape(-1, 3)
    lines = lines[lines @ along > 0]
    return np.column_stack([lines @ along, lines[:, 2]])


def wall_taper(points, low, high):
    wall = points[(points[:, 1] > low) & (points[:, 1] < high) & (points[:, 0] > 2.0)]
    return np.degrees(np.arctan(-np.polyfit(wall[:, 1], wall[:, 0], 1)[0]))


@pytest.mark.parametrize("taper", [-3.0, 2.0, 10.0])
def test_each_wall_leans_as_planned(barrel, sites, taper):
    # Source: the plan. Tolerance: facets of two degrees of azimuth.
    tapers = {"buccal": taper, "mesial": 6.0, "lingual": 4.0, "distal": 8.0}
    done = cut(barrel, sites, taper_deg=tapers)
    for azimuth, wanted in ((0, taper), (90, 6.0), (180, 4.0), (270, 8.0)):
        low, high = done.foot_mm[azimuth // 2, 1] + 0.2, done.top_height_mm[azimuth // 2] - 0.6
        assert wall_taper(profile_of(done.surface, azimuth), low, high) == pytest.approx(wanted, abs=0.03)


def test_finish_line_is_as_wide_as_planned(barrel, sites):
    # Source: margin radius (where the outer surface meets the floor) less foot radius; both read off the section.
    done = cut(barrel, sites, width_mm={"buccal": 1.2, "mesial": 0.8, "lingual": 1.0, "distal": 0.9})
    for azimuth, wanted in ((0, 1.2), (90, 0.8), (180, 1.0), (270, 0.9)):
        points = profile_of(done.surface, azimuth)
        margin = points[np.abs(points[:, 1] - 1.0) < 0.02][:, 0].max()
        foot = done.foot_mm[azimuth // 2]
        on_wall = points[np.argmin(np.linalg.norm(points - foot, axis=1))]
        assert np.linalg.norm(on_wall - foot) < 0.08
        assert margin - foot[0] == pytest.approx(wanted, abs=0.005)


def test_sites_lose_what_was_asked(barrel, sites):
    # Source: rays of a general library from the uncut surface within 0.5 mm of the site, along its inward normals.
    done = cut(barrel, sites)
    before = trimesh.Trimesh(barrel.vertices_mm, barrel.faces, process=False)
    after = trimesh.Trimesh(done.surface.vertices_mm, done.surface.faces, process=False)
    points, faces = trimesh.sample.sample_surface(before, 60000, seed=1)
    for name, wanted in (("mesial hump", 1.5), ("groove", 1.2)):
        near = np.linalg.norm(points - sites[name], axis=1) < 0.5
        hits, rays, _ = after.ray.intersects_location(
            points[near], -before.face_normals[faces[near]], multiple_hits=False
        )
        depth = np.linalg.norm(hits - points[near][rays], axis=1)
        assert np.median(depth) == pytest.approx(wanted, abs=0.02)


def test_left_and_right_are_mirror_images(barrel, sites):
    right = cut(barrel, sites, mesial_sign=1, taper_deg={"buccal": 5.0, "mesial": 9.0, "lingual": 5.0, "distal": 3.0})
    mirrored = {name: point * [-1, 1, 1] for name, point in sites.items()}
    left = cut(
        barrel, mirrored, mesial_sign=-1, taper_deg={"buccal": 5.0, "mesial": 9.0, "lingual": 5.0, "distal": 3.0}
    )
    assert left.margin_mm == pytest.approx(right.margin_mm * [-1, 1, 1], abs=1e-6)
    assert volume_mm3(left.surface) == pytest.approx(volume_mm3(right.surface), rel=1e-4)


def test_cut_leaves_a_closed_solid_and_the_root_alone(barrel, sites):
    done = cut(barrel, sites, tilt_deg=4.0, tilt_azimuth_deg=200.0)
    assert is_closed(done.surface)
    assert np.degrees(np.arccos(done.path[2])) == pytest.approx(4.0)
    below = barrel.vertices_mm[barrel.vertices_mm[:, 2] < -2.0]
    squared = igl.point_mesh_squared_distance(below, done.surface.vertices_mm, done.surface.faces)[0]
    assert np.sqrt(squared.max()) < 1e-6


def test_small_radius_leaves_a_floor_and_a_large_one_a_chamfer():
    # Source: geometry. Radius 0.3 in a width of 1: the arc ends square to the path. Radius 2: cos end = cos 6° − 0.5.
    shoulder = finish_line((5.0, 1.0), width_mm=1.0, radius_mm=0.3, taper_deg=6.0)
    chamfer = finish_line((5.0, 1.0), width_mm=1.0, radius_mm=2.0, taper_deg=6.0)
    assert shoulder.arc_end_deg == pytest.approx(90.0)
    assert shoulder.foot_height_mm == pytest.approx(1.0 + 0.3 * (1 - np.sin(np.radians(6))))
    assert chamfer.arc_end_deg == pytest.approx(np.degrees(np.arccos(np.cos(np.radians(6)) - 0.5)))
    assert shoulder.foot_radius_mm == chamfer.foot_radius_mm == pytest.approx(4.0)


def test_values_between_walls_are_their_mean_at_45_degrees():
    assert by_azimuth(
        {"buccal": 1.0, "mesial": 3.0, "lingual": 5.0, "distal": 7.0}, [45.0, 135.0, 315.0]
    ) == pytest.approx([2.0, 4.0, 4.0])


def test_a_plan_that_leaves_no_wall_says_so(barrel, sites):
    with pytest.raises(InputError, match="no height"):
        cut(barrel, sites, reduction_mm={"groove": 7.5})


def test_an_unknown_site_is_named(barrel, sites):
    with pytest.raises(InputError, match=r"'hump'.*mesial hump"):
        cut(barrel, sites, reduction_mm={"hump": 1.0})


def test_a_wall_that_reaches_the_middle_goes_on_as_a_plane_and_leaves_no_needle(barrel, sites):
    # Source: the plan. A wall leaning by 40° from a foot 3 mm out is over the middle 3 / tan 40° above its foot, and on the
    # other side it rises by as much again for each mm.
    tapers = {"buccal": 6.0, "mesial": 6.0, "lingual": 6.0, "distal": 40.0}
    done = cut(barrel, sites, taper_deg=tapers, width_mm=dict.fromkeys(tapers, 1.9), reduction_mm={})
    radius, height = done.foot_mm[135]
    rise = 1.0 / np.tan(np.radians(40.0))
    own, other = profile_of(done.surface, 270.0), profile_of(done.surface, 90.0)
    middle = height + radius * rise
    assert own[own[:, 0] < 0.05, 1].max() == pytest.approx(middle, abs=0.06)
    beyond = other[(other[:, 0] > 0.1) & (other[:, 0] < 0.8) & (other[:, 1] > middle - 1.0)]
    assert beyond[:, 1] == pytest.approx(middle + beyond[:, 0] * rise, abs=0.03)
    assert done.over_axis[135]
    assert not done.over_axis[[0, 45, 90]].any()
