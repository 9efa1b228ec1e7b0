"""The sweep against its plain twin, against other cuttings of the same record, and where it must not cut."""

from __future__ import annotations

from dataclasses import replace as with_changes

import numpy as np
import pytest

from kerfmark.instruments import instrument
from kerfmark.replay import replay
from kerfmark.replay.poses import cutting_stretches, poses_of

from .conftest import dense, motion_of, plain_replay, wandering

OWN = {"waisted": [[0.0, 0.6], [0.5, 0.3], [1.0, 0.6]]}
NAMES = (
    "806 314 001 524 010", "round 1.0", "245", "33 1/2", "171", "flame 1.0", "272", "twist drill 2.0",
    "chamfer diamond 0.8 to 1.2", "waisted",
)  # fmt: skip


def tool(name):
    return instrument(name, own=OWN)


def poses_for(motion, tools, origin, step):
    reach = np.array([np.hypot(t.length_mm, t.diameter_mm / 2) for t in tools])
    return list(
        poses_of(
            motion, cutting_stretches(motion), 0, len(motion.time_s), origin_mm=origin, reach_mm=reach, step_mm=step
        )
    )


@pytest.mark.parametrize("name", NAMES)
def test_every_shape_sweeps_as_its_plain_twin(slab, name):
    # Source: the same poses one by one over every voxel in double precision, by the instrument's own distance. Tolerances: single
    # precision at 20 mm; a voxel first reached within rounding of two poses may be dated by either.
    motion, tools = motion_of(*wandering(50)), [tool(name)]
    field = replay(motion, slab, instruments=tools, spacing_mm=0.1)
    poses = poses_for(motion, tools, field.origin_mm, 0.05)
    place, expected, when = plain_replay(
        poses, tools, slab, origin=field.origin_mm, shape=field.shape, spacing=0.1, band=field.band_mm
    )
    distance, time = (values[place] for values in dense(field))
    assert field.poses == sum(p.swept for p in poses) > 100
    np.testing.assert_allclose(distance, expected, atol=4e-6)
    sure = (expected < -1e-5) & np.isfinite(when)
    assert sure.sum() > 400
    assert np.mean(np.abs(time[sure] - when[sure]) < 2e-4) > 0.995


@pytest.mark.parametrize("changed", [{"threads": 1}, {"chunk": 1}, {"chunk": 37}, {"threads": 3, "chunk": 64}])
def test_threads_and_chunks_change_no_bit(slab, changed):
    # Source: minimum and first time do not depend on order; nothing that could change is ever left out.
    tip, orientation = wandering(400)
    tip[:, 0] += 0.02 * np.sin(np.arange(400))
    motion = motion_of(tip, orientation, joined=np.arange(400) % 90 != 0, cutting=np.arange(400) % 70 < 60)
    tools = [tool("chamfer diamond 0.8 to 1.2")]
    once = replay(motion, slab, instruments=tools, spacing_mm=0.05)
    other = replay(motion, slab, instruments=tools, spacing_mm=0.05, **changed)
    assert once.poses == other.poses
    for a, b in zip(
        (once.blocks, once.distance_mm, once.time_s), (other.blocks, other.distance_mm, other.time_s), strict=True
    ):
        np.testing.assert_array_equal(a, b)


def test_room_that_grows_changes_no_bit(slab, monkeypatch):
    # Source: the same sweep with room for all blocks from the start.
    motion = motion_of(*wandering())
    once = replay(motion, slab, instruments=[tool("245")], spacing_mm=0.1)
    monkeypatch.setattr("kerfmark.replay.sweep.ROOM", 3)
    grown = replay(motion, slab, instruments=[tool("245")], spacing_mm=0.1, chunk=10)
    assert len(grown.blocks) > 12
    np.testing.assert_array_equal(once.distance_mm, grown.distance_mm)
    np.testing.assert_array_equal(once.time_s, grown.time_s)


def test_nothing_is_cut_through_a_gap_or_with_the_spindle_still(slab):
    # Source: the rule of the format; the ball stands at x = 1 and at x = 3, and nothing between is joined and cutting.
    ball = [tool("806 314 001 524 008")]
    tip = [[1, 1.5, 1.0], [1, 1.5, 1.0], [3, 1.5, 1.0], [3, 1.5, 1.0]]
    for motion in (motion_of(tip, joined=[0, 1, 0, 1]), motion_of(tip[1:], cutting=[True, False, False]),
                   motion_of(tip, held=[0, 0, 1, 1], names=("a", "b"))):  # fmt: skip
        field = replay(motion, slab, instruments=ball * 2, spacing_mm=0.1)
        distance, _ = dense(field)
        i, j, k = np.rint(([2.0, 1.5, 1.4] - field.origin_mm) / 0.1).astype(int)
        assert distance[i, j, k] == np.float32(field.band_mm)
        i = round((1.0 - field.origin_mm[0]) / 0.1)
        assert distance[i, j, k] < 0


def test_a_fast_stretch_is_swept_whole(slab):
    # Source: two samples 2 mm apart; the ball between them leaves a capsule, so its axis lies 0.4 mm deep all the way.
    field = replay(
        motion_of([[1, 1.5, 1.0], [3, 1.5, 1.0]]), slab, instruments=[tool("806 314 001 524 008")], spacing_mm=0.05
    )
    distance, time = dense(field)
    i0, i1 = (round((x - field.origin_mm[0]) / 0.05) for x in (1.0, 3.0))
    j, k = (round((x - o) / 0.05) for x, o in zip((1.5, 1.4), field.origin_mm[1:], strict=True))
    line = time[i0 + 10 : i1 + 1, j, k]
    assert (distance[i0 : i1 + 1, j, k] == -np.float32(field.band_mm)).all()
    # The ball's front reaches x when its centre is 0.4 mm behind: 1 ms × (x − 1 − 0.4) / 2.
    expected = 1e-3 * (0.05 * np.arange(10, 10 + len(line)) - 0.4) / 2.0
    np.testing.assert_allclose(line, expected, atol=1e-5)


def test_times_count_from_the_first_sample_even_late_in_the_epoch(slab):
    # Source: single precision holds seconds of a day to 8 ms, of the epoch to 128 s; so times are counted from the start.
    tip, orientation = wandering()
    early, late = (
        replay(motion_of(tip, orientation, start_s=s), slab, instruments=[tool("245")], spacing_mm=0.1)
        for s in (0.0, 1.7e9)
    )
    assert late.start_s == 1.7e9
    np.testing.assert_allclose(early.time_s, late.time_s, atol=1e-6)


def test_the_motion_is_left_as_it_was(slab):
    tip, orientation = wandering(60)
    motion = motion_of(tip, orientation)
    kept = with_changes(motion, joined=motion.joined.copy(), tip_mm=motion.tip_mm.copy())
    replay(motion, slab, instruments=[tool("245")], spacing_mm=0.1)
    np.testing.assert_array_equal(motion.joined, kept.joined)
    np.testing.assert_array_equal(motion.tip_mm, kept.tip_mm)


def test_orientation_turns_by_the_shortest_arc():
    # Source: half way between upright and 90° about x the axis leans 45°; −q is the same turn.
    ends = np.array([[1.0, 0, 0, 0], -np.array([np.sqrt(0.5), np.sqrt(0.5), 0, 0])])
    motion = motion_of([[0, 0, 0], [0, 0, 0]], ends)
    (run,) = poses_of(
        motion,
        cutting_stretches(motion),
        0,
        2,
        origin_mm=np.zeros(3),
        reach_mm=np.array([1.0]),
        step_mm=np.pi / 4 + 1e-9,
    )
    np.testing.assert_allclose(
        run.columns[3:6, :3].T, [[0, 0, 1], [0, -np.sqrt(0.5), np.sqrt(0.5)], [0, -1, 0]], atol=1e-7
    )
    np.testing.assert_array_equal(run.linked[:3], [False, True, True])
