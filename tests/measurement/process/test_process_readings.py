"""Readings of how a piece was cut, on motions whose answers are known."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from kerfmark.measurement import MEASURES, MonteCarlo, measure
from kerfmark.measurement.process import PROCESS, events
from kerfmark.measurement.process.strokes import recording_noise, strokes, tremor_rms
from kerfmark.records import Surface


def along(count, *, rate_hz=100.0, start=(-1.0, 0.0, 1.0), way=(0.0, 0.0, 0.0)):
    """Times, and tips moving evenly (mm/s)."""
    time = np.arange(count) / rate_hz
    return time, np.asarray(start) + time[:, None] * np.asarray(way)


def joined(*parts, rate_hz=100.0):
    """Tips through some places at some speeds (mm/s), and their times."""
    tips = [np.asarray(parts[0][0], float)[None]]
    for place, speed in parts[1:]:
        start, end = tips[-1][-1], np.asarray(place, float)
        count = max(1, round(float(np.linalg.norm(end - start)) / speed * rate_hz))
        tips.append(start + np.arange(1, count + 1)[:, None] / count * (end - start))
    tips = np.concatenate(tips)
    return np.arange(len(tips)) / rate_hz, tips


def rested(time, tips, at, seconds, rate_hz=100.0):
    """The same with a stop at sample `at`."""
    still = np.repeat(tips[at][None], round(seconds * rate_hz), axis=0)
    tips = np.concatenate([tips[: at + 1], still, tips[at + 1 :]])
    return np.arange(len(tips)) / rate_hz, tips


def test_every_process_reading_of_the_vocabulary_is_measured():
    from kerfmark.exercise.vocabulary import VOCABULARY

    asked = {t.id: t.unit for t in VOCABULARY.values() if t.family == "process"}
    assert {m.id: m.unit for m in PROCESS} == asked
    assert set(PROCESS) <= set(MEASURES)


def test_duration_path_and_turns_of_a_known_way(recorded, made, process):
    # A circle of 2 mm radius in the air, 4 times round in 8 s, the axis leaning 30 degrees towards its middle.
    time = np.arange(4001) / 500.0
    angle = np.pi * time
    tips = np.stack([2.0 * np.cos(angle), 2.0 * np.sin(angle), np.full(len(time), 3.0)], axis=1)
    lean = Rotation.from_euler("z", angle[:, None]) * Rotation.from_euler("y", np.radians([30.0]))
    found = process(recorded(made(time, tips, orientation=lean.as_quat(scalar_first=True))))
    assert found["duration_s", None].value == pytest.approx(8.0)
    assert found["path_mm", None].value == pytest.approx(4.0 * 4.0 * np.pi, rel=1e-5)
    # The axis runs round a circle of sin 30° on the unit sphere.
    assert found["reorientation_deg", None].value == pytest.approx(np.degrees(4.0 * 2.0 * np.pi * 0.5), rel=1e-5)
    assert found["cutting_s", None].value == 0.0


def test_gaps_are_left_out_of_the_path_and_the_turns(recorded, made, process):
    time, tips = along(200, way=(5.0, 0.0, 0.0))
    tips[100:] += [7.0, 0.0, 0.0]
    motion = made(time, tips)
    motion.joined[100] = False
    assert process(recorded(motion))["path_mm", None].value == pytest.approx(0.05 * 198)


def test_uneven_sampling_changes_little(recorded, made, process):
    rng = np.random.default_rng(3)
    even = np.arange(2000) / 200.0
    uneven = even + rng.uniform(-0.002, 0.002, 2000)
    way = lambda t: np.stack([np.sin(t), np.cos(0.7 * t), np.full(len(t), 3.0)], axis=1)  # noqa: E731
    a, b = (process(recorded(made(t, way(t)))) for t in (even, uneven))
    for name in ("path_mm", "sparc"):
        assert b[name, None].value == pytest.approx(a[name, None].value, rel=5e-3)


def test_tremor_is_recovered_under_a_path_ten_thousand_times_larger(made):
    # 50 µm RMS at 9 Hz in a slanted direction, under strokes of minimum jerk 500 mm long.
    time = np.arange(20_000) / 1000.0
    share = (time % 2.0) / 2.0
    stroke = 500.0 * (10.0 * share**3 - 15.0 * share**4 + 6.0 * share**5)
    there = np.where(time % 4.0 < 2.0, stroke, 500.0 - stroke)
    voluntary = there[:, None] * np.array([0.6, 0.8, 0.0])
    way = np.array([1.0, 2.0, -2.0]) / 3.0
    tips = voluntary + 0.05 * np.sqrt(2.0) * np.sin(2.0 * np.pi * 9.0 * time)[:, None] * way
    assert tremor_rms(strokes(made(time, tips))) == pytest.approx(0.05, rel=0.05)
    assert tremor_rms(strokes(made(time, voluntary))) < 0.005  # what such strokes hold in the band themselves


def test_white_noise_of_a_recording_is_found(made):
    time = np.arange(20_000) / 1000.0
    tips = np.stack([np.sin(time), np.cos(time), time], axis=1) + np.random.default_rng(1).normal(
        0.0, 0.007, (20_000, 3)
    )
    assert recording_noise(made(time, tips), tips) == pytest.approx(0.007, rel=0.03)


@pytest.mark.parametrize(("rest_s", "count"), [(0.9, 0), (1.2, 1)])
@pytest.mark.parametrize("tremor_mm", [0.0, 0.05])
def test_pauses_are_counted_also_in_a_trembling_hand(recorded, made, process, rest_s, count, tremor_mm):
    time, tips = joined(((-2.0, 0.0, 2.0), 1), ((2.0, 0.0, 2.0), 4.0))
    time, tips = rested(time, tips, 50, rest_s)
    tips[:, 1] += tremor_mm * np.sin(2.0 * np.pi * 9.0 * time)
    assert process(recorded(made(time, tips)))["pauses", None].value == count


def test_cutting_time_is_that_in_the_material(recorded, made, process):
    # A groove of 2 mm at 1 mm/s, a way back through the air, another of 1 mm: 3 s in all.
    time, tips = joined(
        ((-1.0, 0.0, 0.5), 1), ((-1.0, 0.0, -0.4), 50.0), ((1.0, 0.0, -0.4), 1.0), ((1.0, 0.0, 0.5), 50.0),
        ((0.0, 1.2, 0.5), 1.0), ((0.0, 1.2, -0.4), 50.0), ((1.0, 1.2, -0.4), 1.0), ((1.0, 1.2, 0.5), 50.0),
    )  # fmt: skip
    reading = process(recorded(made(time, tips)))["cutting_s", None]
    assert reading.value == pytest.approx(3.0, abs=0.15)
    assert process(recorded(made(time, tips, cutting=np.zeros(len(time), bool))))["cutting_s", None].value == 0.0


def test_the_removal_rate_is_volume_over_time(recorded, made, process):
    # A ball sunk whole and moved 2 mm at 1 mm/s leaves a tunnel of π/4 mm² and its two half-ends: 2.09 mm³ in 2 s.
    time, tips = joined(((-1.0, 0.0, -1.0), 1), ((1.0, 0.0, -1.0), 1.0))
    found = process(recorded(made(time, tips)))
    assert found["removal_rate_mm3_s", "all"].value == pytest.approx((np.pi / 6.0 + 2.0 * np.pi / 4.0) / 2.0, rel=0.02)
    assert found["removal_rate_mm3_s", "pulp"].status == "measured"
    assert found["removal_rate_mm3_s", "other"].value < found["removal_rate_mm3_s", "all"].value


def test_each_cut_outside_the_envelope_is_an_event_with_its_time_place_and_depth(recorded, made, process, slab):
    # The ball (radius 0.5) enters 0.4 mm deep; its side passes the border at x = 1.5 twice, by 0.3 and by 0.4 mm, and once by 0.02.
    time, tips = joined(
        ((0.0, 0.0, -0.4), 1), ((1.3, 0.0, -0.4), 2.0), ((0.0, 0.0, -0.4), 2.0), ((0.0, 1.0, -0.4), 2.0),
        ((1.4, 1.0, -0.4), 2.0), ((1.4, 1.0, 1.0), 20.0), ((0.0, -1.0, 1.0), 20.0), ((0.0, -1.0, -0.4), 20.0),
        ((1.02, -1.0, -0.4), 2.0),
    )  # fmt: skip
    piece = recorded(made(time, tips))
    assert process(piece)["entries_outside", None].value == 2
    found = [e for e in events(piece, slab) if e.kind == "outside"]
    assert [e.depth_mm for e in found] == pytest.approx([0.3, 0.4], abs=0.11)  # voxels of 0.1 mm
    assert found[0].start_s == pytest.approx((1.3 - 0.28) / 2.0, abs=0.1)
    np.testing.assert_allclose(found[0].point_mm[:2], [1.75, 0.0], atol=0.15)
    assert found[0].end_s < found[1].start_s


def test_an_instrument_that_was_never_outside_does_no_harm(recorded, made, slab):
    time, tips = joined(((0.0, 0.0, -0.4), 1), ((1.3, 0.0, -0.4), 2.0), ((0.0, 0.0, 2.0), 10.0))
    motion = made(time, tips)
    motion.instrument[:5] = 1
    (event,) = events(recorded(replace(motion, instruments=("round 1.0", "round 0.5"))), slab)
    assert event.kind == "outside"


def test_going_on_outside_without_coming_back_is_one_entry(recorded, made, process):
    time, tips = joined(((0.0, 0.0, -0.4), 1), ((1.4, 0.0, -0.4), 2.0), ((1.4, 1.0, -0.4), 2.0))
    time, tips = rested(time, tips, 60, 0.8)
    assert process(recorded(made(time, tips)))["entries_outside", None].value == 1


def test_neighbour_touches_and_pulp_exposures_are_events(recorded, made, slab):
    time, tips = joined(
        ((0.0, 0.0, -0.5), 1),
        ((1.7, 0.0, -0.5), 2.0),
        ((0.0, 0.0, -0.5), 2.0),
        ((0.0, 0.0, -1.0), 2.0),
        ((0.0, 0.0, 1.0), 4.0),
    )
    found = events(recorded(made(time, tips), neighbours=True), slab)
    assert [e.kind for e in found] == ["outside", "neighbour", "pulp"]
    touch, pulp = found[1:]
    assert touch.side == "distal"
    assert touch.depth_mm == pytest.approx(0.2, abs=0.1)
    assert touch.start_s == pytest.approx(1.5 / 2.0, abs=0.1)
    assert pulp.depth_mm == pytest.approx(0.2, abs=0.1)
    assert pulp.start_s == pytest.approx((1.7 + 1.7 + 0.3) / 2.0, abs=0.1)
    np.testing.assert_allclose(pulp.point_mm, [0.0, 0.0, -1.0], atol=0.11)


def test_what_is_shallower_than_the_source_can_tell_is_no_event(recorded, made, slab):
    time, tips = joined(((0.0, 0.0, -0.5), 1), ((1.7, 0.0, -0.5), 2.0), ((0.0, 0.0, 1.0), 4.0))
    piece = recorded(made(time, tips), neighbours=True)
    assert {e.kind for e in events(piece, slab)} == {"outside", "neighbour"}
    # 3 u = 0.9 mm is more than any of it went astray.
    assert events(replace(piece, trueness_um=300.0), slab) == ()


def test_force_mirror_and_posture_where_they_are_recorded(recorded, made, process):
    time, tips = along(1000)
    force = np.zeros((1000, 3))
    force[:, 2] = np.where(np.arange(1000) < 500, -1.0, -3.0)
    force[990:] = np.nan
    mirror = np.tile([20.0, 0, 0, 1, 0, 0, 0], (1000, 1)).astype(float)
    mirror[300:, 0] = 400.0
    head = np.tile([0.0, 0, 300, 1, 0, 0, 0], (1000, 1)).astype(float)
    head[500:, 3:] = Rotation.from_euler("x", 40.0, degrees=True).as_quat(scalar_first=True)
    found = process(recorded(made(time, tips, force_n=force, mirror=mirror, head=head)))
    size = np.r_[np.ones(500), np.full(490, 3.0)]
    assert found["force_mean_n", None].value == pytest.approx(size.mean())
    assert found["force_peak_n", None].value == 3.0
    assert found["force_sd_n", None].value == pytest.approx(size.std())
    assert found["mirror_s", None].value == pytest.approx(3.0, abs=0.02)
    assert found["neck_flexion_deg", None].value == pytest.approx(20.0, abs=0.1)


def test_what_was_not_recorded_is_not_measurable(recorded, made, process):
    found = process(recorded(made(*along(200))))
    assert {found[name, None].reason for name in ("force_mean_n", "mirror_s", "neck_flexion_deg")} == {
        "no force was recorded", "no mirror was recorded", "no head was recorded"
    }  # fmt: skip
    assert found["sparc", None].reason == "the tool did not move"
    assert found["ldlj", None].status == "not_measurable"


def test_a_single_sample_has_no_process(recorded, made, process):
    found = process(recorded(made([0.0], [[0.0, 0.0, 1.0]])))
    assert {r.status for r in found.values()} == {"not_applicable"}
    assert [where for name, where in found if name == "removal_rate_mm3_s"] == ["all", "pulp", "other"]


def test_a_scan_has_no_process_and_only_a_motion_source_says_so(blocks, scan):
    blank = blocks["as planned"]
    key = frozenset({("process.duration_s", None, None)})
    assert measure(scan(blank), blank.prepared, wanted=key) == ()
    exercise = SimpleNamespace(**{**vars(blank.prepared.exercise), "source": SimpleNamespace(kind="motion")})
    (reading,) = measure(scan(blank), SimpleNamespace(**{**vars(blank.prepared), "exercise": exercise}), wanted=key)
    assert (reading.status, reading.reason) == ("not_applicable", "needs a recorded motion")


def test_simulated_repeats_leave_what_is_read_off_the_motion_alone(recorded, made, slab):
    piece = recorded(made(*joined(((-1.0, 0.0, -0.4), 1), ((1.0, 0.0, -0.4), 1.0))))
    piece = replace(piece, surface=Surface(np.eye(3), np.array([[0, 1, 2]], np.int32)))
    key = frozenset({("process.duration_s", None, None)})
    plain = measure(piece, slab, wanted=key)
    repeated = measure(piece, slab, wanted=key, monte_carlo=MonteCarlo(draws=3, rng=np.random.default_rng(1)))
    assert (repeated[0].value, repeated[0].u) == (plain[0].value, plain[0].u)
    assert plain[0].u > 0.0


def test_every_number_has_a_unit_a_budget_and_a_witness(recorded, made, process):
    time, tips = joined(((-1.0, 0.0, -0.4), 1), ((1.0, 0.0, -0.4), 1.0))
    tips = tips + np.random.default_rng(2).normal(0.0, 0.001, tips.shape)
    for reading in process(recorded(made(time, tips))).values():
        if reading.status == "measured":
            assert reading.u is not None
            assert reading.witness is not None
