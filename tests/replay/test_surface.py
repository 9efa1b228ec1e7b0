"""Cut surfaces and removed volumes against closed formulas, booleans of solids, and each other."""

from __future__ import annotations

import itertools

import igl
import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation, Slerp

from kerfmark.geometry.grids import distance_grid
from kerfmark.geometry.solids import Solid, difference, hull, union
from kerfmark.instruments import instrument
from kerfmark.replay import cut_surface, removal, replay

from .conftest import motion_of, tilted

BALL, CYLINDER = instrument("806 314 001 524 010"), instrument("57")


def circle(radius_mm, count):
    p = np.linspace(0.0, 2 * np.pi, count)
    return np.stack([2 + radius_mm * np.cos(p), 1.5 + radius_mm * np.sin(p), np.full(count, 0.713)], axis=1)


def line(start, end, count=80):
    return np.linspace(start, end, count)


def to_capsule(points):
    x = np.clip(points[:, 0], 1.013, 2.991)
    return np.linalg.norm(points - np.stack([x, np.full(len(x), 1.507), np.full(len(x), 1.213)], axis=1), axis=1) - 0.5


def to_ring(points):
    out = np.hypot(points[:, 0] - 2.0, points[:, 1] - 1.5) - 0.8
    return np.hypot(out, points[:, 2] - 1.213) - 0.5


CAPSULE = (line([1.013, 1.507, 0.713], [2.991, 1.507, 0.713]), BALL, np.pi * 0.25 * 1.978 + np.pi / 6, to_capsule)
RING = (circle(0.8, 400), BALL, 2 * np.pi**2 * 0.8 * 0.25, to_ring)


@pytest.mark.parametrize(("tip", "tool", "volume_mm3", "away"), [CAPSULE, RING], ids=["capsule", "ring"])
def test_rounded_sweeps_have_their_volume_and_surface(slab, tip, tool, volume_mm3, away):
    # Source: capsule π r² L + 4/3 π r³ and torus 2 π² R r², wholly inside the block; 0.3 % and 5 µm RMS are the aims.
    field = replay(motion_of(tip), slab, instruments=[tool], spacing_mm=0.05)
    assert removal(field, slab, layers={}).removed_mm3["all"] == pytest.approx(volume_mm3, rel=3e-3)
    surface = cut_surface(field, slab)
    errors_um = 1e3 * away(surface.surface.vertices_mm[np.isfinite(surface.time_s)])
    assert len(errors_um) > 3000
    assert np.sqrt(np.mean(errors_um**2)) < 1.0
    assert np.abs(errors_um).max() < 5.0


def test_a_slot_and_a_plunge_by_a_flat_cylinder_have_their_volumes_and_walls(slab):
    # Source: slot 0.7 deep, 1 wide, 2.013 long with round ends; bore 1.17 deep, 1 wide. Tip and head's end reach out of the block.
    slot = replay(motion_of(line([1.0, 1.5, 1.3], [3.013, 1.5, 1.3])), slab, instruments=[CYLINDER], spacing_mm=0.05)
    found = removal(slot, slab, layers={}).removed_mm3["all"]
    assert found == pytest.approx(0.7 * (2.013 + np.pi / 4), rel=3e-3)
    bore = replay(motion_of(line([2.0, 1.5, 2.5], [2.0, 1.5, 0.83])), slab, instruments=[CYLINDER], spacing_mm=0.05)
    assert removal(bore, slab, layers={}).removed_mm3["all"] == pytest.approx(1.17 * np.pi / 4, rel=3e-3)
    cut = cut_surface(bore, slab)
    points = cut.surface.vertices_mm[np.isfinite(cut.time_s)]
    side, floor = np.hypot(points[:, 0] - 2.0, points[:, 1] - 1.5) - 0.5, points[:, 2] - 0.83
    errors = np.where(np.abs(side) < np.abs(floor), side, floor)
    assert 1e3 * np.sqrt(np.mean(errors**2)) < 5.0


def test_the_surface_is_closed_and_faces_outward(slab):
    # Source: trimesh's own check; what is left and what is gone make up the block.
    field = replay(motion_of(line([1.0, 1.5, 1.3], [3.0, 1.2, 0.9])), slab, instruments=[BALL], spacing_mm=0.05)
    left = cut_surface(field, slab).surface
    mesh = trimesh.Trimesh(left.vertices_mm, left.faces, process=False)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    nothing = replay(motion_of([[50.0, 50, 50]] * 3), slab, instruments=[BALL], spacing_mm=0.05)
    assert len(nothing.blocks) == 0
    whole = cut_surface(nothing, slab)
    assert np.isnan(whole.time_s).all()
    before = trimesh.Trimesh(whole.surface.vertices_mm, whole.surface.faces, process=False)
    gone = removal(field, slab, layers={}).removed_mm3["all"]
    assert before.volume - mesh.volume == pytest.approx(gone, rel=5e-3)


def test_halving_the_spacing_quarters_the_error(slab):
    # Source: trilinear values of a curved surface err by h² / 8 r, so the order is 2.
    errors = []
    for spacing in (0.1, 0.05, 0.025):
        cut = cut_surface(replay(motion_of(CAPSULE[0]), slab, instruments=[BALL], spacing_mm=spacing), slab)
        away = to_capsule(cut.surface.vertices_mm[np.isfinite(cut.time_s)])
        errors.append(float(np.sqrt(np.mean(away**2))))
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    assert ((orders > 1.7) & (orders < 2.3)).all()


@pytest.mark.parametrize(
    ("span", "samples", "finer"),
    [(0.09, 4, 16), pytest.param(0.9, 25, 24, marks=pytest.mark.slow)],
    ids=["short", "whole"],
)
@pytest.mark.parametrize("name", ["chamfer diamond 0.8 to 1.2", "171"])
def test_a_taper_with_a_tilting_axis_cuts_what_hulls_of_its_poses_cut(slab, slab_solid, name, span, samples, finer):
    # Source: manifold3d: union of the hulls of neighbouring poses, 16 or more to each stretch of the record, turned by scipy's Slerp. A
    # hull holds the swept head and a little more, in proportion to the step: 1.9 % too much at one hull a stretch, about 0.1 % here.
    tool, n = instrument(name), samples
    p = np.linspace(0.0, span, n)
    tip = np.stack([1.2 + 1.6 * p, 1.5 + 0.3 * np.sin(3 * p), 0.9 - 0.3 * p], axis=1)
    turn = tilted(-12 + 24 * p, 10 * np.sin(4 * p))
    head = Solid.revolved(tool.profile_mm[:, ::-1], segments=96)
    at = np.linspace(0.0, n - 1.0, (n - 1) * finer + 1)
    turns = Slerp(np.arange(n), Rotation.from_quat(turn[:, [1, 2, 3, 0]]))(at).as_matrix()
    places = []
    for when, rotation in zip(at, turns, strict=True):
        matrix = np.eye(4)
        matrix[:3, :3], matrix[:3, 3] = rotation, [np.interp(when, np.arange(n), column) for column in tip.T]
        places.append(head.transformed(matrix))
    swept = union([hull(a, b) for a, b in itertools.pairwise(places)])
    left = difference(slab_solid, swept)
    field = replay(motion_of(tip, turn), slab, instruments=[tool], spacing_mm=0.05)
    gone = removal(field, slab, layers={}).removed_mm3["all"]
    assert gone == pytest.approx(slab_solid.volume_mm3 - left.volume_mm3, rel=3e-3)
    cut = cut_surface(field, slab)
    expected = left.surface()
    points = cut.surface.vertices_mm[np.isfinite(cut.time_s)]
    away = np.sqrt(igl.point_mesh_squared_distance(points, expected.vertices_mm, expected.faces)[0])
    assert 1e3 * np.sqrt(np.mean(away**2)) < 5.0


def test_each_place_carries_the_time_it_was_laid_bare(slab):
    # Source: at 1 mm per 40 ms along x the capsule's side at x is touched when the centre passes it.
    tip = line([1.0, 1.5, 0.7], [3.0, 1.5, 0.7], 81)
    cut = cut_surface(replay(motion_of(tip), slab, instruments=[BALL], spacing_mm=0.05), slab)
    x, dated = cut.surface.vertices_mm[:, 0], np.isfinite(cut.time_s)
    side = dated & (x > 1.05) & (x < 2.95)
    np.testing.assert_allclose(cut.time_s[side], 0.08 * (x[side] - 1.0) / 2.0, atol=1.5e-3)


def test_a_second_deeper_pass_dates_the_floor_and_not_what_went_before(slab):
    # Source: the order of the record: floor from the second pass (after 0.1 s), removal of the upper part from the first.
    tip = np.vstack([line([1.0, 1.5, 1.4], [3.0, 1.5, 1.4], 100), line([3.0, 1.5, 1.1], [1.0, 1.5, 1.1], 100)])
    field = replay(motion_of(tip, joined=np.arange(200) != 100), slab, instruments=[BALL], spacing_mm=0.05)
    cut = cut_surface(field, slab)
    floor = np.isfinite(cut.time_s) & (cut.surface.vertices_mm[:, 2] < 1.3)
    assert (cut.time_s[floor] > 0.099).all()
    gone = removal(field, slab, layers={}, bin_s=0.1)
    first = replay(motion_of(tip[:100]), slab, instruments=[BALL], spacing_mm=0.05)
    alone = removal(first, slab, layers={}).removed_mm3["all"]
    assert gone.by_time_mm3[0, 0] == pytest.approx(alone, rel=0.02)  # voxels half reached count to the later pass


def test_layers_that_tile_the_subject_leave_nothing_unclaimed(slab):
    # Source: two layers that meet at z = 1.473, off the voxels, and share the subject's faces.
    parts = {"body": ([0, 0, 0], [4, 3, 1.473]), "top": ([0, 0, 1.473], [4, 3, 2])}
    grids = {n: distance_grid(Solid.box(*b).surface(), spacing_mm=0.1, band_mm=0.6) for n, b in parts.items()}
    field = replay(motion_of(line([1.0, 1.5, 0.9], [3.0, 1.5, 0.9])), slab, instruments=[CYLINDER], spacing_mm=0.05)
    gone = removal(field, slab, layers=grids).removed_mm3
    area = 2.0 + np.pi / 4
    assert gone["top"] == pytest.approx(0.527 * area, rel=3e-3)
    assert gone["body"] == pytest.approx(0.573 * area, rel=3e-3)
    assert abs(gone["other"]) < 1e-3 * gone["all"]


def test_removal_is_told_by_tissue_in_the_order_of_depth(slab):
    # Source: a bore 1.2 deep and 1 wide through layers that part at z = 1.5; the later layer wins where both claim.
    upper = distance_grid(Solid.box([-1, -1, 1.5], [5, 4, 3]).surface(), spacing_mm=0.1, band_mm=0.6)
    all_of_it = distance_grid(Solid.box([-1, -1, -1], [5, 4, 3]).surface(), spacing_mm=0.1, band_mm=0.6)
    tip = line([2.0, 1.5, 2.2], [2.0, 1.5, 0.8], 141)
    field = replay(motion_of(tip), slab, instruments=[CYLINDER], spacing_mm=0.05)
    gone = removal(field, slab, layers={"body": all_of_it, "top": upper})
    area = np.pi / 4
    assert gone.names == ("body", "top", "other")
    assert gone.removed_mm3["top"] == pytest.approx(0.5 * area, rel=5e-3)
    assert gone.removed_mm3["body"] == pytest.approx(0.7 * area, rel=5e-3)
    assert gone.removed_mm3["other"] == pytest.approx(0.0, abs=1e-9)
    assert gone.removed_mm3["all"] == pytest.approx(sum(gone.removed_mm3[n] for n in gone.names), rel=1e-12)
    # The tip goes 10 mm/s: it reaches z = 2 at 0.02 s, 1.5 at 0.07 s and stops at 0.14 s; centres lie up to half a voxel in.
    assert gone.first_cut_s[1] == pytest.approx(0.02, abs=0.006)
    assert gone.first_cut_s[0] == pytest.approx(0.07, abs=0.006)
    assert gone.last_cut_s[0] == pytest.approx(0.14, abs=0.006)
    assert np.isnan(gone.first_cut_s[2])
