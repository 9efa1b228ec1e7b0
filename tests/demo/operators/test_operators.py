"""Simulated operators: reproducible, handed, as unsteady as they are meant to be, and as spread out as measured students are."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from kerfmark.anatomy.tooth import tooth
from kerfmark.demo.hands import LEVELS, strayed_plan
from kerfmark.demo.operators import simulated_motion, write_simulated_motion
from kerfmark.demo.operators.crown import crown_strokes
from kerfmark.demo.operators.hand import STEADINESS, Stroke, performed
from kerfmark.errors import InputError
from kerfmark.exercise.builtin.crowns import CROWNS, SHOULDER_TAPER, _plain_plan, cut_tooth, ideal_plan
from kerfmark.geometry.frames import azimuth_direction
from kerfmark.instruments import instrument
from kerfmark.intake.motions import read_motion
from kerfmark.measurement.process.strokes import strokes, tremor_rms
from kerfmark.pipeline import assess, open_exercise
from kerfmark.replay.poses import axes_of

sys.path.insert(0, str(Path(__file__).parents[3] / "benchmarks"))

import operators


def test_the_same_seed_gives_the_same_motion_and_another_gives_another(settings):
    a, b, c = (simulated_motion("straight-line", level="middle", seed=n, settings=settings).motion for n in (4, 4, 5))
    assert np.array_equal(a.tip_mm, b.tip_mm)
    assert np.array_equal(a.orientation, b.orientation)
    assert not np.array_equal(a.tip_mm[:50], c.tip_mm[:50])


def test_a_left_hand_leans_the_other_way_and_goes_the_other_way(settings):
    right, left = (
        simulated_motion("straight-line", level="novice", seed=1, settings=settings, hand=h).motion
        for h in ("right", "left")
    )
    lean = [
        2.0 * (m.orientation[:, 1] * m.orientation[:, 3] + m.orientation[:, 0] * m.orientation[:, 2])
        for m in (right, left)
    ]
    assert np.mean(lean[0]) > 0.02 > -0.02 > np.mean(lean[1])
    assert right.tip_mm[0, 0] * left.tip_mm[0, 0] < 0.0


@pytest.mark.parametrize(("words", "message"), [
    ({"exercise": "spoon"}, "not a built-in exercise"),
    ({"level": "master"}, "level is 'master', expected one of able, middle, novice"),
    ({"hand": "both"}, "hand is 'both', expected right or left"),
])  # fmt: skip
def test_what_is_not_simulated_is_refused(settings, words, message):
    with pytest.raises(InputError, match=message):
        simulated_motion(**({"exercise": "straight-line", "level": "able", "seed": 0, "settings": settings} | words))


@pytest.mark.parametrize("level", STEADINESS)
def test_the_tremor_is_that_of_the_level(level):
    # A slow straight way 60 s long: what lies between 6 and 12 Hz is the tremor that was put in.
    way = np.column_stack([np.linspace(0.0, 60.0, 50), np.zeros(50), np.zeros(50)])
    of = STEADINESS[level]
    motion = performed(
        [Stroke(way, np.tile([0.0, 0.0, 1.0], (50, 1)), 1.0, "round 1.0")], of, np.random.default_rng(2), rate_hz=250.0
    )
    assert 1000.0 * tremor_rms(strokes(motion)) == pytest.approx(of.tremor_um, rel=0.2)


def test_steadier_levels_tremble_less_pause_less_and_go_faster():
    able, middle, novice = (STEADINESS[name] for name in ("able", "middle", "novice"))
    for name in ("tremor_um", "wander_um", "lean_deg", "pause_chance", "slip_chance"):
        assert getattr(able, name) < getattr(middle, name) < getattr(novice, name)
    assert able.pace > middle.pace > novice.pace


def test_cohorts_converge_as_measured_students_do():
    # Source: South African students on practice teeth, n = 75, mesiodistal: 15.38 ± 6.68 degrees, 33 % within 6 to 12 degrees
    # (trade facts E4 [seen]); UK students' dies are skewed to the right (24.2 ± 11.95, of which 26 % within 6 to 15).
    rng = np.random.default_rng(11)
    found = []
    for level in LEVELS:
        for _ in range(400):
            plan, _faults = strayed_plan(_plain_plan(CROWNS[0]), LEVELS[level], rng)
            found.append(plan.taper_deg["mesial"] + plan.taper_deg["distal"])
    found = np.array(found)
    assert found.mean() == pytest.approx(
        15.38, abs=2.0 * 6.68 / np.sqrt(75)
    )  # two standard errors of the published mean
    # The 95 % interval of a standard deviation of 75 is 0.86 to 1.19 of it (chi-square).
    assert 0.86 * 6.68 < found.std() < 1.19 * 6.68
    skew = float(np.mean((found - found.mean()) ** 3) / found.std() ** 3)
    assert skew > 0.3
    assert np.mean((found >= 6.0) & (found <= 12.0)) == pytest.approx(0.33, abs=2.0 * np.sqrt(0.33 * 0.67 / 75))


def test_a_simulated_motion_written_as_csv_or_parquet_reads_back_saying_only_what_it_is(settings, tmp_path):
    loaded, _ = open_exercise("straight-line", settings=settings)
    for suffix in ("csv", "parquet"):
        path = tmp_path / f"motion.{suffix}"
        made = write_simulated_motion(path, "straight-line", level="novice", seed=3, settings=settings)
        motion = read_motion(path, loaded.exercise)
        assert [remark.code for remark in motion.remarks] == ["simulated"]
        np.testing.assert_allclose(motion.tip_mm, made.motion.tip_mm, atol=1e-9)


def swept_convergence(motion, bur, cut, mesial_sign):
    """Mesiodistal and buccolingual convergence of what the bur's side sweeps, in degrees; no voxels, no surface."""
    turning = motion.cutting & (motion.instrument == motion.instruments.index(bur.name))
    tip, axis = motion.tip_mm[turning], axes_of(motion.orientation[turning])
    spokes, found = azimuth_direction(np.arange(0.0, 360.0, 2.0), mesial_sign=mesial_sign), {}
    for wall, n in {"buccal": 0, "mesial": 45, "lingual": 90, "distal": 135}.items():
        out, across = spokes[n], np.cross([0.0, 0.0, 1.0], spokes[n])
        heights = np.linspace(cut.foot_mm[n, 1] + 0.5, cut.top_height_mm[n] - 0.6, 8)
        inmost = []
        for height in heights:
            along = (height - tip[:, 2]) / axis[:, 2]
            at = tip + along[:, None] * axis - cut.axis_mm
            radius = np.interp(along, bur.profile_mm[:, 0], bur.profile_mm[:, 1], left=0.0, right=0.0)
            met = (at @ out > 0.0) & (np.abs(at @ across) < radius)
            inmost.append((at[met] @ out - np.sqrt(radius[met] ** 2 - (at[met] @ across) ** 2)).min())
        found[wall] = -float(np.degrees(np.arctan(np.polyfit(heights, inmost, 1)[0])))
    return found["mesial"] + found["distal"], found["buccal"] + found["lingual"]


@pytest.mark.parametrize("level", ["middle", "novice"])
def test_what_the_bur_sweeps_converges_as_meant(settings, level):
    # Source: the walls meant, 14 degrees apart. What an unsteady hand cuts is what the farthest of its passes reaches, steeper than meant; it
    # must allow for that, or a cohort would converge more than the plans its spread was fitted to: by some 0.4 (middle) and 1.7 (novice).
    spec, made = CROWNS[0], tooth(CROWNS[0].fdi, cache_dir=settings.cache_dir)
    _, prepared = open_exercise(spec.name, settings=settings)
    sites = {site.name: site.point_mm for site in prepared.sites}
    ideal = ideal_plan(spec, made, sites)
    cut = cut_tooth(made, replace(ideal, taper_deg=dict.fromkeys(ideal.taper_deg, 7.0)), sites)
    bur = instrument(str(SHOULDER_TAPER["name"]), own={str(SHOULDER_TAPER["name"]): SHOULDER_TAPER["profile_mm"]})
    strokes = crown_strokes(
        cut, bur, {}, mesial_sign=made.mesial_sign, side=1.0, overcut_deg=STEADINESS[level].overcut_deg
    )
    rng = np.random.default_rng(4)
    found = [
        swept_convergence(performed(strokes, STEADINESS[level], rng, rate_hz=250.0), bur, cut, made.mesial_sign)
        for _ in range(16)
    ]
    sure = np.std(found) / np.sqrt(len(found) * 2)
    assert np.mean(found) == pytest.approx(14.0, abs=2.5 * sure + 0.1)
    assert 2.5 * sure < 1.2  # or the shift that was there once would pass
    assert np.std(found) < 0.4 * 6.68  # so the spread over three levels widens by less than a twentieth


@pytest.mark.slow
def test_cohorts_cut_what_measured_students_cut(settings):
    # Source: as above, 15.38 ± 6.68 degrees mesiodistal, 33 % within 6 to 12 degrees, n = 75; here what is measured on 24 simulated pieces,
    # within the two sampling errors together. Figures for 75 stand in docs/motion.md.
    rows = [row for row in operators.pieces(8, None, settings=settings) if row["measured"]]
    found = np.array([row["measured"]["MD"] for row in rows if row["measured"]["MD"] is not None])
    count = len(found)
    assert count >= 22
    assert found.mean() == pytest.approx(15.38, abs=2.0 * 6.68 * np.sqrt(1 / 75 + 1 / count))
    # F distribution with 23 and 74 degrees of freedom: 95 % of ratios of variance lie within 0.5 to 1.8.
    assert 0.5 < (found.std(ddof=1) / 6.68) ** 2 < 1.8
    share = np.mean((found >= 6.0) & (found <= 12.0))
    assert share == pytest.approx(0.33, abs=2.0 * np.sqrt(0.33 * 0.67 * (1 / 75 + 1 / count)))
    assert np.mean((found - found.mean()) ** 3) > 0.0


@pytest.mark.slow
@pytest.mark.parametrize(("level", "hand"), [("able", "right"), ("middle", "left"), ("novice", "right")])
def test_what_an_operator_cuts_converges_as_it_meant_to(settings, tmp_path, level, hand):
    # The plan an operator is after is the truth, but for the hand's own lean: its standard deviation of up to 1.6 degrees on each wall.
    path = tmp_path / "crown.parquet"
    plan = write_simulated_motion(path, "full-crown-46", level=level, seed=5, settings=settings, hand=hand).plan
    found = {
        r.where: r
        for r in assess("full-crown-46", path, settings=settings).readings
        if r.id == "crown.total_occlusal_convergence_deg"
    }
    for plane, walls in {"BL": ("buccal", "lingual"), "MD": ("mesial", "distal")}.items():
        meant = sum(plan.taper_deg[wall] for wall in walls)
        assert found[plane].value == pytest.approx(
            meant, abs=2.0 * found[plane].u + 2.0 * np.sqrt(2.0) * STEADINESS[level].lean_deg
        )
