"""How a bed was drilled, from motions made here: which drill, when, how deep and how fast are known."""

from __future__ import annotations

import numpy as np
import pytest
from implant_phantoms import DRILLS, POINT_DEG, WIDTHS_MM, exercise

from kerfmark.exercise.prepared import prepare
from kerfmark.measurement import measure
from kerfmark.recorded import tools_held
from kerfmark.records import Alignment, Motion, Piece
from kerfmark.replay import replay
from kerfmark.settings import Limits

DEEP_MM, SPEED_MM_S, ABOVE_MM, RATE_HZ, GRID_MM = 6.0, 2.0, 2.0, 50.0, 0.1
ORDER = ("implant.drill_order", None, None)
WANTED = frozenset({ORDER, ("implant.contact_time_s", None, None)})


@pytest.fixture(scope="module")
def ready(tmp_path_factory):
    return prepare(exercise(), cache_dir=tmp_path_factory.mktemp("prepared"), limits=Limits())


def drilled(ready, *steps, aside_mm=0.0):
    """Readings of a motion in which each step (drill, how deep its tip goes) goes straight down and up again at one speed."""
    heights, held = [], []
    for name, deep in steps:
        ends = [ABOVE_MM, -deep, ABOVE_MM]
        way = np.abs(np.diff(ends)) / SPEED_MM_S
        time = np.arange(0.0, way.sum(), 1.0 / RATE_HZ)
        heights.append(np.interp(time, [0.0, way[0], way.sum()], ends))
        held.append(np.full(len(time), DRILLS.index(name), np.int32))
    height = np.concatenate(heights)
    tips = np.column_stack([np.full(len(height), aside_mm), np.zeros(len(height)), height])
    joined = np.ones(len(height), bool)
    joined[np.cumsum([0, *map(len, heights[:-1])])] = False  # each drill is put into the handpiece anew
    upright = np.tile([1.0, 0.0, 0.0, 0.0], (len(height), 1))
    motion = Motion(
        np.arange(len(height)) / RATE_HZ,
        tips,
        upright,
        joined,
        np.ones(len(height), bool),
        np.concatenate(held),
        DRILLS,
    )
    cut = replay(motion, ready.subject_grid, instruments=tools_held(motion, ready), spacing_mm=GRID_MM)
    still = Alignment(np.eye(4), 0.0, 1.0, np.zeros((6, 6)), 0)
    piece = Piece("motion", "", ready.subject, still, 5.0, 0.0, motion=motion, cut=cut)
    return {r.key: r for r in measure(piece, ready, wanted=WANTED)}


def test_each_drill_in_order_is_1_and_says_nothing(ready):
    found = drilled(ready, *((name, DEEP_MM) for name in DRILLS))[ORDER]
    assert (found.value, found.reason) == (1.0, None)


def test_a_drill_in_contact_is_so_for_as_long_as_it_removes_bone(ready):
    # Source: the way down at 2 mm/s from where a drill first meets bone. The pilot meets it with its tip; each next one, whose
    # hole is as wide as the one before, where its cone of 118° is wider than that hole; coming up removes nothing.
    found = drilled(ready, *((name, DEEP_MM) for name in DRILLS))
    before = 0.0
    for name, width in zip(DRILLS, WIDTHS_MM, strict=True):
        reading = found["implant.contact_time_s", name, None]
        behind_tip = 0.5 * before / np.tan(np.radians(0.5 * POINT_DEG))
        true = (DEEP_MM - behind_tip) / SPEED_MM_S
        assert reading.value == pytest.approx(true, abs=2.0 * GRID_MM / SPEED_MM_S), name
        before = width


def test_a_drill_that_was_left_out_is_named(ready):
    found = drilled(ready, ("pilot", DEEP_MM), ("last", DEEP_MM))
    assert (found[ORDER].value, found[ORDER].reason) == (0.0, "not used: middle")
    assert found["implant.contact_time_s", "middle", None].value == 0.0


def test_one_wide_drill_at_once_leaves_out_the_others(ready):
    found = drilled(ready, ("last", DEEP_MM))[ORDER]
    assert (found.value, found.reason) == (0.0, "not used: pilot, middle")


def test_a_drill_that_comes_after_a_wider_one_was_used_for_nothing(ready):
    found = drilled(ready, ("middle", DEEP_MM), ("pilot", 0.9 * DEEP_MM), ("last", DEEP_MM))[ORDER]
    assert (found.value, found.reason) == (0.0, "used where nothing was left for it to remove: pilot")


def test_a_drill_that_only_hung_over_the_bone_was_not_used(ready):
    found = drilled(ready, ("pilot", DEEP_MM), ("middle", -1.0), ("last", DEEP_MM))[ORDER]
    assert (found.value, found.reason) == (0.0, "not used: middle")


def test_drills_that_all_cut_in_a_wrong_order_are_0(ready):
    # The pilot goes deeper than the middle one before it, so that it still removes bone.
    found = drilled(ready, ("middle", 3.0), ("pilot", DEEP_MM), ("last", DEEP_MM))[ORDER]
    assert (found.value, found.reason) == (0.0, "the steps were used in another order")
