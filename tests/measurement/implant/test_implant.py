"""Beds cut by booleans, measured: every deviation known from the numbers they were made from."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh

from kerfmark.geometry.solids import Solid
from kerfmark.measurement import measure
from kerfmark.measurement.implant.bone import bone_class
from kerfmark.records import Alignment, ImplantPlan, Piece, Volume

TESTED = ("beside", "tilted about its entry", "tilted, deep and wide", "flat point")


@pytest.fixture(scope="session")
def beds(tmp_path_factory):
    """Blanks by name, with triangles of 0.25 mm."""
    from implant_phantoms import blanks

    return blanks(0.25, names=TESTED, cache_dir=tmp_path_factory.mktemp("prepared"), plan_too=True)


@pytest.fixture(scope="session")
def readings(beds, scan, take):
    """Readings of each bed scanned with 10 µm noise, by key."""
    return {name: take(b.prepared, scan(b, noise_um=10.0)) for name, b in beds.items()}


@pytest.mark.parametrize("name", TESTED)
def test_every_known_reading_is_right(beds, readings, name):
    # Targets of MEASURES: 20 µm and 0.1° on 10 µm noise; source: the numbers the bed was cut from.
    for key, true in beds[name].truth.items():
        found = readings[name][key]
        assert found.status == "measured", (key, found.reason)
        least = 0.1 if key[0].endswith("_deg") else 0.02
        assert abs(found.value - true) <= least, (key, found.value, true)


def test_a_pure_tilt_moves_the_apex_as_published(readings):
    # Source: a 10 mm axis tilted by 3.5° about its entry: 2 L sin(θ/2) = 0.6108 mm.
    found = readings["tilted about its entry"]
    assert found["implant.apex_deviation_mm", None, None].value == pytest.approx(0.6108, abs=0.01)
    assert found["implant.entry_deviation_mm", None, None].value == pytest.approx(0.0, abs=0.01)


def test_uncertainty_is_small_on_a_true_source_and_holds_trueness_on_another(beds, scan, take):
    true = take(beds["beside"].prepared, scan(beds["beside"], noise_um=10.0))
    wavy = take(beds["beside"].prepared, scan(beds["beside"], noise_um=10.0, trueness_um=15.0))
    key = ("implant.apex_deviation_mm", None, None)
    assert true[key].u < 0.005
    assert 0.004 < wavy[key].u < 0.02
    assert {c.source for c in wavy[key].budget} >= {"trueness", "trueness of the floor", "surface noise"}


def test_a_rough_flat_floor_is_not_taken_for_a_cut_astray(beds, scan, take):
    # The drill's point of 170° leaves a cone 0.18 mm high: 50 µm of noise on it lie far beyond it sideways, not at right angles.
    blank, key = beds["flat point"], ("implant.canal_clearance_mm", "bed", None)
    found = take(blank.prepared, scan(blank, noise_um=50.0))[key]
    assert found.value == pytest.approx(blank.truth[key], abs=0.015)


def test_plates_of_a_plan_are_the_least_bone_beside_it(beds, readings):
    # Source: trimesh's rays; from 1 mm below the entry to the apex, within 45° of each side.
    subject = beds["beside"].prepared.subject
    mesh = trimesh.Trimesh(subject.vertices_mm, subject.faces, process=False)
    turn, depth = np.meshgrid(np.radians(np.arange(-45.0, 46.0, 5.0)), np.arange(1.0, 10.01, 0.25))
    for wall, sign in (("buccal", 1.0), ("lingual", -1.0)):
        ways = np.column_stack([np.sin(turn.ravel()), sign * np.cos(turn.ravel()), np.zeros(turn.size)])
        starts = np.column_stack([np.zeros((turn.size, 2)), -depth.ravel()])
        at, ray, _face = mesh.ray.intersects_location(starts, ways, multiple_hits=False)
        least = float(np.linalg.norm(at - starts[ray], axis=1).min()) - 2.05
        assert readings["beside"]["implant.plate_thickness_mm", wall, None].value == pytest.approx(least, abs=1e-3)


def test_a_bed_into_the_canal_is_a_breach_with_its_depth(beds, readings):
    prepared = beds["beside"].prepared
    shallow_canal = np.array([[-12.0, 0.5, -11.0], [12.0, 0.5, -11.0]])
    near = replace(prepared, canal=shallow_canal)
    from implant_phantoms import BEDS, BedSpec

    blank = replace(beds["beside"], prepared=near)
    found = {r.key: r for r in measure(blank.piece(np.random.default_rng(2), noise_um=10.0), near)}
    spec: BedSpec = BEDS["beside"]
    tip = spec.length_mm + 2.05 / np.tan(np.radians(59.0))
    assert found["implant.canal_clearance_mm", "bed", None].value < 11.0 - tip  # the point alone stands 0.23 mm in
    assert found["implant.breach", "canal", None].value == 1.0
    assert found["implant.breach", "root", None].value == 0.0
    assert readings["beside"]["implant.breach", "canal", None].value == 0.0


def test_a_bed_out_through_a_plate_is_a_breach(take):
    import tempfile
    from pathlib import Path

    from implant_phantoms import BedSpec, Blank, bone, difference, exercise, prepare, tool, truth_of  # noqa: F401

    from kerfmark.settings import Limits

    spec = BedSpec(entry_mm=(0.0, 3.0), tilt_deg=25.0, azimuth_deg=90.0, length_mm=10.0)
    with tempfile.TemporaryDirectory() as folder:
        prepared = prepare(exercise(), cache_dir=Path(folder), limits=Limits())
        blank = Blank(prepared, difference(bone(), tool(spec)), {}, 0.3)
        found = take(prepared, blank.piece(np.random.default_rng(2), noise_um=10.0))
    assert found["implant.breach", "plate", None].value == 1.0
    assert found["implant.plate_thickness_mm", "bed/buccal", None].value < 0.0
    assert found["implant.angle_deg", None, None].value == pytest.approx(25.0, abs=0.2)


def test_what_is_not_there_is_not_applicable(beds, scan, take):
    without = replace(beds["beside"].prepared, sinus=None, implants=())
    found = take(without, scan(beds["beside"], noise_um=10.0))
    for key in [
        ("implant.sinus_clearance_mm", None, None),
        ("implant.implant_clearance_mm", "mesial", None),
        ("implant.bone_density", None, None),
        ("implant.drill_order", None, None),
        ("implant.contact_time_s", "last", None),
        ("implant.breach", "sinus", None),
    ]:
        assert found[key].status == "not_applicable", key


def test_an_uncut_bone_says_that_nothing_is_cut(beds, take):
    prepared = beds["beside"].prepared
    piece = Piece("scan", "", prepared.subject, Alignment(np.eye(4), 5.0, 1.0, np.zeros((6, 6)), 9), 10.0, 0.0)
    found = take(prepared, piece)
    assert found["implant.apex_deviation_mm", None, None].reason == "nothing is cut"
    assert found["implant.canal_clearance_mm", None, None].value == pytest.approx(3.75)


def test_a_neighbouring_implant_is_kept_clear_of(beds, scan, take):
    # Source: two upright cylinders 7 mm apart, 4.1 and 3.5 mm wide: 7 - 2.05 - 1.75.
    other = ImplantPlan(np.array([7.0, 0.0, 0.0]), np.array([7.0, 0.0, -9.0]), 3.5)
    prepared = replace(beds["beside"].prepared, implants=(other,))
    found = take(prepared, scan(beds["beside"], noise_um=0.0))
    assert found["implant.implant_clearance_mm", "mesial", None].value == pytest.approx(3.2, abs=1e-3)
    assert found["implant.implant_clearance_mm", "distal", None].status == "not_applicable"


def plan_piece(prepared, entry, apex, diameter=4.1):
    plan = ImplantPlan(np.array(entry, float), np.array(apex, float), diameter)
    still = Alignment(np.eye(4), 0.0, 1.0, np.zeros((6, 6)), 0)
    return Piece("plan", "", prepared.subject, still, 0.0, 0.0, plan=plan)


def test_a_learners_plan_is_read_against_the_teachers_exactly(beds, take):
    # Source: Pythagoras, and the canal's and roots' places.
    prepared = beds["beside"].prepared
    found = take(prepared, plan_piece(prepared, [1.0, 0.0, 0.0], [1.0, 0.6, -10.8]))
    value = {key: r.value for key, r in found.items()}
    assert value["implant.entry_deviation_mm", None, None] == pytest.approx(1.0)
    assert value["implant.apex_deviation_mm", None, None] == pytest.approx(np.sqrt(1 + 0.36 + 0.64))
    assert value["implant.depth_deviation_mm", None, None] == pytest.approx(0.8)
    assert value["implant.angle_deg", None, None] == pytest.approx(np.degrees(np.arctan(0.6 / 10.8)))
    assert value["implant.canal_clearance_mm", None, None] == pytest.approx(15.0 - 10.8 - 1.25, abs=0.1)
    assert value["implant.root_clearance_mm", "mesial", None] == pytest.approx(6.5 - 2.0 - 1.0 - 2.05, abs=0.01)
    assert found["implant.canal_clearance_mm", "bed", None].status == "not_applicable"
    assert found["implant.apex_deviation_mm", None, None].u == 0.0


def test_density_is_the_mean_grey_of_the_sleeve_and_classed_only_where_calibrated(beds, take, tmp_path):
    # Source: greys 600 everywhere within 3.2 mm of the axis, 1100 beyond: the sleeve from 2.05 to 3.05 mm holds 600.
    prepared = beds["beside"].prepared
    x, y = np.meshgrid(0.25 * (np.arange(60) - 29.5), 0.25 * (np.arange(60) - 29.5), indexing="ij")
    greys = np.where(np.hypot(x, y) < 3.4, 600, 1100).astype(np.int16)[:, :, None].repeat(60, axis=2)
    matrix = np.diag([0.25, 0.25, 0.25, 1.0])
    matrix[:3, 3] = [-7.375, -7.375, -13.0]
    piece = plan_piece(prepared, [0, 0, 0], [0, 0, -10])
    with_ct = replace(prepared, volume=Volume(greys, matrix))
    found = take(with_ct, piece)["implant.bone_density", None, None]
    assert found.value == pytest.approx(600.0, abs=1.0)
    assert "cone-beam greys are not Hounsfield units" in found.reason
    subject = prepared.exercise.subject.model_copy(update={"hounsfield": True})
    known = replace(with_ct, exercise=prepared.exercise.model_copy(update={"subject": subject}))
    assert take(known, piece)["implant.bone_density", None, None].reason == "class D3 (Misch)"


def test_bone_classes_have_the_published_bounds():
    # Source: Misch: D1 > 1250, D2 850-1250, D3 350-850, D4 150-350 HU.
    assert [bone_class(h) for h in (1251, 1249, 851, 849, 351, 349, 151, 149)] == [
        "D1", "D2", "D2", "D3", "D3", "D4", "D4", "D5",
    ]  # fmt: skip


@pytest.mark.parametrize("ways", [2, 3])
@pytest.mark.parametrize("true", [0.0, 1.0, 2.0, 4.0, 10.0])
def test_a_size_near_0_is_as_sure_as_it_says(true, ways):
    # Source: simulation of the length of a shift known with u = 1 each way; 95 % intervals are asked to cover 92 to 98 %.
    from kerfmark.measurement.budget import combined
    from kerfmark.measurement.implant.deviations import _never_below_0
    from kerfmark.records import Component

    error = np.random.default_rng(1).normal(size=(4000, ways))
    sizes = np.linalg.norm(error + true * np.eye(ways)[0], axis=1)
    u = np.array([combined(_never_below_0(size, (Component("wall", 1.0),), ways=ways)) for size in sizes.tolist()])
    assert 0.92 <= float((np.abs(sizes - true) <= 1.96 * u).mean()) <= 0.98


def test_clearances_are_those_of_a_distance_map_of_the_general_library(beds):
    """Source: SimpleITK's signed distance map of the roots, on voxels of 0.2 mm, read at points of the planned implant."""
    sitk = pytest.importorskip("SimpleITK")
    from kerfmark.geometry.cylinders import Cylinder
    from kerfmark.measurement.implant.planning import Planning

    prepared = beds["beside"].prepared
    plan = ImplantPlan(np.array([0.7, -0.4, -0.5]), np.array([1.9, 0.6, -10.0]), 4.1)
    read = {r.key: r.value for r in Planning(prepared).readings(plan)}
    own = Cylinder(plan.entry_mm, plan.apex_mm, 2.05).surface_points(spacing_mm=0.2)
    for side, x in (("mesial", 6.5), ("distal", -7.5)):
        grid = np.stack(np.meshgrid(*(np.arange(-12.0, 12.0, 0.2),) * 2, np.arange(-16.0, 2.0, 0.2), indexing="ij"))
        inside = (np.hypot(grid[0] - x, grid[1]) <= 2.0) & (grid[2] >= -14.0) & (grid[2] <= 0.0)
        image = sitk.GetImageFromArray(inside.astype(np.uint8).transpose(2, 1, 0))
        image.SetSpacing((0.2, 0.2, 0.2))
        image.SetOrigin((-12.0, -12.0, -16.0))
        far = sitk.SignedMaurerDistanceMap(image, squaredDistance=False, useImageSpacing=True)
        least = min(far.EvaluateAtPhysicalPoint(p) for p in own.tolist() if p[2] < 1.7)
        assert read["implant.root_clearance_mm", side, None] == pytest.approx(least, abs=0.15), (
            side
        )  # a voxel's half diagonal


def test_what_is_read_while_planning_is_what_marks_the_plan(beds, take):
    from kerfmark.measurement.implant.planning import Planning

    prepared = beds["beside"].prepared
    desk = Planning(prepared)
    for shift in (0.0, 0.4):
        plan = ImplantPlan(np.array([shift, 0.3, -0.2]), np.array([0.9, shift, -10.0]), 4.1)
        still = Alignment(np.eye(4), 0.0, 1.0, np.zeros((6, 6)), 0)
        marked = take(prepared, Piece("plan", "", prepared.subject, still, 0.0, 0.0, plan=plan))
        for reading in desk.readings(plan):
            assert (reading.value, reading.u) == (marked[reading.key].value, marked[reading.key].u), reading.key
            assert "deviation" not in reading.id


@pytest.mark.parametrize("floor_mm", [-14.5, -10.6])
def test_a_sinus_is_as_far_as_its_floor_lies_below_bed_and_plan(beds, scan, take, floor_mm):
    # Source: a level floor; the plan's flat end at -10, the drill's point 2.05 / tan 59° further down at -11.23.
    sinus = Solid.box([-14.0, -9.0, -20.0], [14.0, 9.0, floor_mm]).surface()
    prepared = replace(beds["beside"].prepared, sinus=sinus)
    found = take(prepared, scan(beds["beside"], noise_um=10.0))
    tip = 10.0 + 2.05 / np.tan(np.radians(59.0))
    assert found["implant.sinus_clearance_mm", None, None].value == pytest.approx(-floor_mm - 10.0, abs=1e-3)
    bed = found["implant.sinus_clearance_mm", "bed", None]
    assert bed.value == pytest.approx(-floor_mm - tip, abs=0.02)
    assert found["implant.breach", "sinus", None].value == (1.0 if floor_mm > -tip else 0.0)
    assert abs(bed.value - (-floor_mm - tip)) <= 3.0 * bed.u


def test_a_round_sinus_beside_a_plan_is_as_far_as_geometry_says(beds, take):
    # Source: a ball of radius 3 whose middle lies 9 mm beside the axis of an implant 4.1 mm wide: 9 - 3 - 2.05.
    sinus = Solid.sphere(3.0, segments=192).moved([0.0, 9.0, -5.0]).surface()
    prepared = replace(beds["beside"].prepared, sinus=sinus)
    found = take(prepared, plan_piece(prepared, [0, 0, 0], [0, 0, -10]))
    assert found["implant.sinus_clearance_mm", None, None].value == pytest.approx(3.95, abs=0.01)


@pytest.mark.parametrize("tilt_deg", [0.0, 4.0, 17.0])
@pytest.mark.parametrize("azimuth_deg", [0.0, 250.0])
def test_a_plans_axis_against_the_crowns_is_the_tilt_it_was_given(beds, take, tilt_deg, azimuth_deg):
    # Source: the tilt itself; against a teacher's plan leaning 6° the other way along the same plane it is 6° more.
    prepared, length = beds["beside"].prepared, 10.0
    lean, turn = np.radians(tilt_deg), np.radians(azimuth_deg)
    aside = np.array([np.cos(turn), np.sin(turn), 0.0])
    own = length * (np.sin(lean) * aside + [0.0, 0.0, -np.cos(lean)])
    six = np.radians(6.0)
    teachers = np.array([np.zeros(3), length * (-np.sin(six) * aside + [0.0, 0.0, -np.cos(six)])])
    found = take(replace(prepared, implant=teachers), plan_piece(prepared, np.zeros(3), own))
    assert found["implant.prosthetic_axis_deg", None, None].value == pytest.approx(tilt_deg, abs=1e-6)
    assert found["implant.angle_deg", None, None].value == pytest.approx(tilt_deg + 6.0, abs=1e-6)
    assert found["implant.prosthetic_axis_deg", None, None].u == 0.0


def test_the_bones_surface_is_as_sure_of_a_plan_as_of_a_bed(beds, scan, take):
    # Source: the exercise gives the bone as a surface: it is exact; found in a volume of 0.4 mm it is sure to 0.4 / √12.
    prepared = beds["beside"].prepared
    matrix = np.diag([0.4, 0.4, 0.4, 1.0])
    matrix[:3, 3] = -12.0
    given = replace(prepared, volume=Volume(np.zeros((60, 60, 60), np.int16), matrix))
    subject = prepared.exercise.subject.model_copy(update={"surface": None, "volume": "ct.nrrd"})
    found = replace(given, exercise=prepared.exercise.model_copy(update={"subject": subject}))
    piece = scan(beds["beside"], noise_um=10.0)
    for wall in ("buccal", "bed/buccal"):
        key = ("implant.plate_thickness_mm", wall, None)
        exact, voxel = (take(p, piece)[key].u for p in (given, found))
        assert np.sqrt(voxel**2 - exact**2) == pytest.approx(0.4 / np.sqrt(12.0), rel=1e-6)
    assert take(given, piece)["implant.plate_thickness_mm", "buccal", None].u == 0.0
    assert take(given, piece)["implant.canal_clearance_mm", None, None].u == pytest.approx(0.4 / np.sqrt(12.0))
