"""Proving exercises: shapes that plain geometry says can or cannot be cut, with which tool and why not."""

from __future__ import annotations

import copy
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

from kerfmark.exercise.definition import as_exercise
from kerfmark.exercise.folder import LoadedExercise, load_exercise, save_exercise
from kerfmark.exercise.prepared import Prepared, prepare
from kerfmark.exercise.proof import check_exercise
from kerfmark.exercise.reach import Leftover, reach, task_of
from kerfmark.exercise.reach.tools import tool_of
from kerfmark.geometry.mesh_files.ply import ply_bytes
from kerfmark.instruments import instrument
from kerfmark.marking import probability_inside
from kerfmark.settings import Limits

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

BLOCK: dict[str, Any] = {
    "format": 1, "id": "pit", "title": "A pit in a block", "family": "block",
    "subject": {"surface": "subject.stl"},
    "frame": {"origin": [0.0, 0.0, 0.0], "occlusal": [0.0, 0.0, 1.0], "facial": [0.0, 1.0, 0.0], "mesial": "+x"},
    "target": {"surface": "target.stl"},
    "criteria": [{"reading": "block.floor_depth_mm", "limits": [1.8, 2.2]}],
}  # fmt: skip


def stl(mesh: trimesh.Trimesh) -> bytes:
    data = mesh.export(file_type="stl")
    assert isinstance(data, bytes)
    return data


def box(low: tuple[float, float, float], high: tuple[float, float, float]) -> trimesh.Trimesh:
    return trimesh.creation.box(bounds=[low, high])


def opened(tmp_path: Path, table: dict[str, Any], assets: dict[str, bytes]) -> tuple[LoadedExercise, Prepared]:
    save_exercise(tmp_path / "exercise", as_exercise(table), assets)
    loaded = load_exercise(tmp_path / "exercise", limits=Limits())
    return loaded, prepare(loaded, cache_dir=tmp_path / "cache", limits=Limits())


def left_by(prepared: Prepared, *names: str) -> Leftover:
    task = task_of(prepared, far_mm=2.0)
    assert task is not None
    return reach(task, [tool_of(instrument(name)) for name in names])[0]


@pytest.fixture(scope="module")
def body() -> trimesh.Trimesh:
    return box((-4.0, -4.0, -5.0), (4.0, 4.0, 0.0))


def pit(tmp_path: Path, body: trimesh.Trimesh, cutter: trimesh.Trimesh) -> tuple[LoadedExercise, Prepared]:
    target = trimesh.boolean.difference([body, cutter], engine="manifold")
    return opened(tmp_path, BLOCK, {"subject.stl": stl(body), "target.stl": stl(target)})


def test_a_round_pit_is_made_by_a_drill_of_its_size_and_not_by_a_larger_one(tmp_path, body):
    cutter = trimesh.creation.cylinder(radius=0.72, height=4.0, sections=128)
    _, prepared = pit(tmp_path, body, cutter)
    assert left_by(prepared, "straight fissure 1.4").is_small
    too_large = left_by(prepared, "round 1.6")
    # Source: no ball of radius 0.8 enters a hole of radius 0.72 deeper than its cap: 0.8 − √(0.8² − 0.72²) = 0.451 mm.
    assert not too_large.is_small
    assert too_large.points_mm[:, 2].max() < 0.0
    assert too_large.points_mm[:, 2].min() == pytest.approx(-2.0, abs=0.15)
    assert too_large.volume_mm3 == pytest.approx(np.pi * 0.72**2 * (2.0 - 0.451) + 0.3, rel=0.25)


def test_an_upright_inner_edge_keeps_what_the_round_of_the_tool_leaves(tmp_path, body):
    # Source: a cylinder of radius r in a square corner leaves (√2 − 1) r at the edge; the stated 0.03 mm of give at both
    # walls takes √2 × 0.03 off that. 0.02 mm for the lattice.
    _, prepared = pit(tmp_path, body, box((-2.0, -1.5, -2.0), (2.0, 1.5, 1.0)))
    for name, radius in (("straight fissure 1.4", 0.7), ("straight fissure 1.0", 0.5)):
        left = left_by(prepared, name)
        assert left.depth_mm == pytest.approx((np.sqrt(2.0) - 1.0) * radius - np.sqrt(2.0) * 0.03, abs=0.02)
        assert left.cause == "corner"
        np.testing.assert_allclose(np.abs(left.deepest_mm[:2]), [2.0, 1.5], atol=0.1)


@pytest.mark.slow
def test_the_finest_of_several_instruments_decides(tmp_path, body):
    _, prepared = pit(tmp_path, body, box((-2.0, -1.5, -2.0), (2.0, 1.5, 1.0)))
    both = left_by(prepared, "straight fissure 1.4", "straight fissure 0.6")
    alone = left_by(prepared, "straight fissure 0.6")
    assert both.depth_mm <= alone.depth_mm + 1e-9


@pytest.mark.slow
def test_an_undercut_cannot_be_reached(tmp_path, body):
    # Source: a pocket 3 mm wide under a mouth 1.6 mm wide; a straight 1.0 mm cylinder tilted 30 degrees stays out of its ends.
    cutter = trimesh.util.concatenate([box((-0.8, -0.8, -1.2), (0.8, 0.8, 1.0))])
    cutter = trimesh.boolean.union([cutter, box((-2.5, -0.8, -2.0), (2.5, 0.8, -1.2))], engine="manifold")
    _, prepared = pit(tmp_path, body, cutter)
    left = left_by(prepared, "straight fissure 1.0")
    assert left.volume_mm3 > 0.5
    assert abs(left.deepest_mm[0]) > 2.0


@pytest.mark.slow
def test_a_groove_deeper_than_the_head_is_stopped_by_the_shank(tmp_path, body):
    # Source: a slot 1.0 mm wide and 4.5 mm deep; a ball of 0.8 with a shank of 1.6 mm from 9 mm on enters it by its neck only
    # where the neck, which widens, is below 1.0 mm: not to the bottom with a head of 0.8 mm.
    table = copy.deepcopy(BLOCK)
    table["instruments"] = [{"name": "stout", "profile_mm": [[0.0, 0.45], [0.9, 0.45]]}]
    tall = box((-4.0, -4.0, -9.0), (4.0, 4.0, 0.0))
    target = trimesh.boolean.difference([tall, box((-2.0, -0.5, -7.5), (2.0, 0.5, 1.0))], engine="manifold")
    _, prepared = opened(tmp_path, table, {"subject.stl": stl(tall), "target.stl": stl(target)})
    task = task_of(prepared, far_mm=2.0)
    assert task is not None
    own = instrument("stout", own={"stout": [[0.0, 0.45], [0.9, 0.45]]})
    left, _ = reach(task, [tool_of(own)])
    assert left.cause == "shank"
    assert left.deepest_mm[2] < -4.0


def test_a_neighbour_in_the_way_is_named(tmp_path, crown_table, crown_assets):
    # Source: a wall 0.05 mm beside the cylinder leaves 1.05 mm over the shoulder, the instrument's flat end is 1.2 mm wide.
    crown_table["subject"]["neighbours"] = {"mesial": "wall.stl"}
    wall = box((-8.0, -6.0, -4.0), (-5.05, 6.0, 7.0))
    crown_table["permitted"]["instruments"] = ["shoulder diamond 1.2 to 1.8"]
    loaded, prepared = opened(tmp_path, crown_table, crown_assets | {"wall.stl": stl(wall)})
    proof = check_exercise(loaded, prepared)
    assert not proof.can_be_cut
    assert "a neighbour is in the way" in proof.text()
    assert "on the mesial side" in proof.text()


def test_a_stump_with_a_sharp_shoulder_needs_a_sharp_instrument(tmp_path, crown_table, crown_assets):
    loaded, prepared = opened(tmp_path, crown_table, crown_assets)
    proof = check_exercise(loaded, prepared)
    assert (proof.valid, proof.can_be_cut, proof.can_be_marked) == (True, True, True)
    # Source: the round end of radius 0.6 leaves (√2 − 1) 0.6 − √2 × 0.03 = 0.206 mm in a square inner corner.
    left = left_by(prepared, "chamfer diamond 1.2 to 1.8")
    assert left.depth_mm == pytest.approx(0.206, abs=0.02)


def test_a_layer_under_a_cover_is_cleared_through_it(tmp_path, body):
    table = copy.deepcopy(BLOCK)
    table["target"] = {"clear": "core"}
    table["subject"]["layers"] = {"core": "core.stl"}
    core = trimesh.creation.cylinder(radius=1.5, height=1.0, sections=96)
    core.apply_translation([0.0, 0.0, -1.0])
    loaded, prepared = opened(tmp_path, table, {"subject.stl": stl(body), "core.stl": stl(core)})
    assert check_exercise(loaded, prepared).can_be_cut


def test_a_line_narrower_than_every_instrument_cannot_be_cut(tmp_path, body):
    # Source: a ball of 1.0 mm cuts 1.0 mm wide at 0.5 mm depth and deeper, 0.8 mm at 0.2 mm (2 √(0.5² − 0.3²)).
    table = copy.deepcopy(BLOCK) | {
        "family": "line",
        "criteria": [{"reading": "line.lateral_max_mm", "limits": [0.0, 0.4]}],
    }
    table["permitted"] = {"instruments": ["round 1.0"]}
    table["target"] = {"line": [[-2.0, 0.0, 0.0], [2.0, 0.0, 0.0]], "depth_mm": 0.2, "width_mm": 0.8}
    loaded, prepared = opened(tmp_path, table, {"subject.stl": stl(body)})
    assert check_exercise(loaded, prepared).can_be_cut
    table["target"]["width_mm"] = 0.6
    loaded, prepared = opened(tmp_path, table, {"subject.stl": stl(body)})
    proof = check_exercise(loaded, prepared)
    assert not proof.can_be_cut
    assert "is 0.80 mm ('round 1.0')" in proof.text()


def test_a_source_too_coarse_for_the_limits_is_told(tmp_path, crown_table, crown_assets):
    crown_table["criteria"][0]["limits"] = [5.0, 5.5]
    crown_table["source"] = {"noise_um": 200.0}
    loaded, prepared = opened(tmp_path, crown_table, crown_assets)
    proof = check_exercise(loaded, prepared)
    assert proof.can_be_cut
    assert not proof.can_be_marked
    assert "this source cannot mark this criterion" in proof.text()


def test_a_limit_shut_where_the_reading_ends_is_told_and_stops_nothing(tmp_path, crown_table, crown_assets):
    # Source: JCGM 106, 7.2: with the value on a closed limit half of the probability lies beyond it, whatever u is.
    crown_table["criteria"][0] = {"reading": "crown.undercut_depth_mm", "where": "path", "limits": [0.0, 0.1]}
    crown_table["criteria"][1] = {"reading": "crown.margin_continuity", "limits": [0.9, 1.0]}
    loaded, prepared = opened(tmp_path, crown_table, crown_assets)
    assert probability_inside(0.0, 0.02, (0.0, 0.1)) <= 0.5
    assert probability_inside(0.0, 0.02, (-np.inf, 0.1)) > 0.99
    proof = check_exercise(loaded, prepared)
    assert proof.can_be_marked
    told = [f.message for f in proof.findings if "for ever" in f.message]
    assert len(told) == 2
    assert told[0].startswith("[[criteria]] 1, crown.undercut_depth_mm path: this reading is never below 0")
    assert told[0].endswith("limits = [-inf, 0.1]")
    assert "never above 1" in told[1]
    assert told[1].endswith("limits = [0.9, inf]")


def test_zero_is_a_limit_like_any_other_where_a_reading_can_be_negative(tmp_path, crown_table, crown_assets):
    crown_table["criteria"][0] = {"reading": "crown.margin_to_gingiva_mm", "where": "buccal", "limits": [0.0, 0.8]}
    loaded, prepared = opened(tmp_path, crown_table, crown_assets)
    assert "for ever" not in check_exercise(loaded, prepared).text()


def test_a_drill_goes_in_along_the_plan_alone_and_order_is_no_fault_of_a_scan(tmp_path):
    # A slanted bed that the last drill fits exactly, 12 mm of head over 10 mm: reached along its own axis, in no time.
    from implant_phantoms import BedSpec, drilled, exercise

    bed = BedSpec(tilt_deg=12.0, azimuth_deg=40.0)
    rules = [
        {"reading": "implant.apex_deviation_mm", "limits": [0.0, 1.0]},
        {"reading": "implant.drill_order", "limits": [0.5, 1.5]},
    ]
    ends = {"entry": bed.q0.tolist(), "apex": bed.q1.tolist(), "diameter_mm": 4.1}
    made = exercise(criteria=rules, target={"implant": ends})
    aim = made.exercise.target.model_copy(update={"surface": "target.ply"})
    assets = {**made.assets, "target.ply": ply_bytes(drilled(bed, segments=90))}
    loaded = LoadedExercise(made.exercise.model_copy(update={"target": aim}), made.version, assets)
    prepared = prepare(loaded, cache_dir=tmp_path, limits=Limits())
    task = task_of(prepared, far_mm=2.6)
    np.testing.assert_allclose(task.axis, -bed.way, atol=1e-9)
    proof = check_exercise(loaded, prepared, predict_u={("implant.apex_deviation_mm", None, None): 0.01})
    assert (proof.can_be_cut, proof.can_be_marked) == (True, True)
    assert "counts only for pieces that come as a recorded motion" in proof.text()


@pytest.mark.parametrize(
    ("entry", "apex", "words"),
    [
        ([0.0, 0.0, -10.0], [0.0, 0.0, 0.0], "its apex lies on the crown's side of its entry"),
        ([0.0, 0.0, 20.0], [0.0, 0.0, 10.0], r"0.0 mm of its 10.0 mm lie in the bone"),
        ([0.0, 0.0, 6.0], [0.0, 0.0, -4.0], r"4.0 mm of its 10.0 mm lie in the bone"),
    ],
)
def test_a_planned_implant_that_stands_wrong_is_said_as_that(tmp_path, entry, apex, words):
    # Source: the phantom's bone ends at 0; nothing is said of corners and heads that follow from it.
    from implant_phantoms import exercise

    made = exercise(target={"implant": {"entry": entry, "apex": apex, "diameter_mm": 4.1}})
    proof = check_exercise(made, prepare(made, cache_dir=tmp_path, limits=Limits()))
    assert not proof.can_be_cut
    assert words in proof.text()
    assert "corner" not in proof.text()
    assert [finding.stops for finding in proof.findings] == [True, True]
