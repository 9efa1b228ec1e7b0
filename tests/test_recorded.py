"""A recorded motion as a piece: the same readings as a scan of what it left, its rig's uncertainty, and what is refused."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from kerfmark.demo.operators import write_simulated_motion
from kerfmark.errors import InputError
from kerfmark.exercise.tables import Criterion, Source
from kerfmark.exercise.toml_text import toml_of
from kerfmark.geometry.frames import rigid_inverse, rotation_about, transform_points
from kerfmark.intake.motions import read_motion, write_motion
from kerfmark.intake.motions.turning import quaternion_of, turned_by
from kerfmark.pipeline import assess, open_exercise, remarks_of
from kerfmark.reports import write_reports
from kerfmark.reports.results import as_json

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))

import routes


@pytest.fixture(scope="module")
def line(settings, tmp_path_factory):
    """A simulated motion along the straight line, and its assessment."""
    path = tmp_path_factory.mktemp("line") / "line.parquet"
    write_simulated_motion(path, "straight-line", level="middle", seed=2, settings=settings)
    return path, assess("straight-line", path, grid_um=80.0, settings=settings)


@pytest.mark.parametrize(
    "exercise",
    ["layered-block", *(pytest.param(name, marks=pytest.mark.slow) for name in ("straight-line", "full-crown-46"))],
)
def test_both_routes_give_the_same_readings(exercise, settings):
    # Source: the other route. A difference within its own expanded uncertainty is agreement (E_n of ISO 13528 [memory]).
    recorded, scan = routes.both_routes(exercise, level="middle", seed=2, settings=settings, grid_um=100.0)
    pairs = routes.compared(recorded, scan)
    assert len(pairs) >= 7
    assert {a.id: routes.normalised(a, b) for a, b in pairs if routes.normalised(a, b) > 1.0} == {}


def test_the_tool_s_own_way_says_how_far_it_strayed(line, settings):
    # The groove's centre, read off the surface, against the tips that cut it; the line lies along y = const.
    path, assessment = line
    loaded, prepared = open_exercise("straight-line", settings=settings)
    motion = read_motion(path, loaded.exercise)
    depth = -motion.tip_mm[:, 2]
    inside = (
        (depth > 0.2)
        & (motion.tip_mm[:, 0] > prepared.line[:, 0].min())
        & (motion.tip_mm[:, 0] < prepared.line[:, 0].max())
    )
    strayed = motion.tip_mm[inside, 1] - prepared.line[0, 1]
    reading = next(r for r in assessment.readings if r.id == "line.lateral_max_mm")
    assert reading.value == pytest.approx(np.abs(strayed).max(), abs=0.03)


def test_a_motion_assessed_says_what_it_is(line):
    values = as_json(line[1])
    assert values["piece"]["kind"] == "motion"
    assert values["motion"]["rate_hz"] == pytest.approx(250.0)
    assert values["alignment"]["matrix"] == np.eye(4).tolist()
    assert {e["kind"] for e in values["events"]} <= {"outside", "neighbour", "pulp"}
    assert {"process.duration_s", "line.time_s"} <= {r["id"] for r in values["readings"] if r["status"] == "measured"}
    json.dumps(values, allow_nan=False)


def test_a_scan_exercise_takes_a_motion_with_a_warning(line):
    (remark,) = [r for r in remarks_of(line[1]) if r.code == "another-kind"]
    assert "a motion, where the exercise expects a scan" in remark.message


def test_a_rig_s_transform_changes_nothing_but_the_uncertainty(line, settings, tmp_path):
    path, assessment = line
    loaded, _ = open_exercise("straight-line", settings=settings)
    matrix = rotation_about([1.0, 1.0, 0.5], 70.0)
    matrix[:3, 3] = [100.0, -50.0, 20.0]
    motion, back = read_motion(path, loaded.exercise), rigid_inverse(matrix)
    moved = replace(
        motion,
        tip_mm=transform_points(back, motion.tip_mm),
        orientation=turned_by(quaternion_of(back[:3, :3]), motion.orientation),
    )
    write_motion(tmp_path / "moved.csv", moved, loaded.exercise)
    rig = tmp_path / "rig.toml"
    rig.write_text(f"matrix = {matrix.tolist()}\nu_position_um = 40.0\nu_angle_deg = 0.05\n")
    again = assess("straight-line", tmp_path / "moved.csv", rig=rig, grid_um=80.0, settings=settings)
    for a, b in zip(assessment.readings, again.readings, strict=True):
        if a.value is not None and a.id.startswith("line."):
            assert b.value == pytest.approx(a.value, abs=1e-3 + 1e-3 * abs(a.value))
            assert b.u >= a.u - 1e-9
    depths = [next(r.u for r in x.readings if r.id == "line.depth_mean_mm") for x in (assessment, again)]
    assert depths[1] == pytest.approx(np.hypot(depths[0], 0.04), rel=0.05)
    np.testing.assert_allclose(again.piece.alignment.matrix, matrix, atol=1e-12)


@pytest.mark.parametrize(("words", "message"), [
    ({"grid_um": 4.0}, "expected 5 to 1000 µm"),
    ({"neighbours": {"mesial": "x.stl"}}, "--neighbour goes with a scan"),
    ({"unit": "m"}, "motions are always in mm"),
    ({"rig": "nowhere.toml"}, "nowhere.toml: cannot be read"),
])  # fmt: skip
def test_options_that_do_not_fit_a_motion_are_refused(line, settings, words, message):
    with pytest.raises(InputError, match=message):
        assess("straight-line", line[0], settings=settings, **words)


def test_a_motion_far_away_is_assessed_and_said(line, settings, tmp_path):
    loaded, _ = open_exercise("straight-line", settings=settings)
    motion = read_motion(line[0], loaded.exercise)
    write_motion(tmp_path / "far.csv", replace(motion, tip_mm=motion.tip_mm + 500.0), loaded.exercise)
    assessment = assess("straight-line", tmp_path / "far.csv", grid_um=80.0, settings=settings)
    assert "nothing-cut" in {r.code for r in remarks_of(assessment)}


@pytest.fixture(scope="module")
def motion_exercise(settings, tmp_path_factory):
    """The straight line as an exercise for a recording rig, with process criteria."""
    folder = tmp_path_factory.mktemp("exercise") / "line"
    loaded, _ = open_exercise("straight-line", settings=settings)
    folder.mkdir()
    for name, data in loaded.assets.items():
        (folder / name).write_bytes(data)
    rules = [
        Criterion(reading="line.lateral_rms_mm", limits=(-np.inf, 0.15)),
        Criterion(reading="process.duration_s", limits=(-np.inf, 60.0)),
        Criterion(reading="process.removal_rate_mm3_s", where="all", limits=(0.1, 10.0)),
        Criterion(reading="process.force_peak_n", limits=(-np.inf, 2.0)),
    ]
    changed = {"source": Source(kind="motion", noise_um=5.0, trueness_um=10.0), "criteria": tuple(rules)}
    (folder / "exercise.toml").write_text(toml_of(loaded.exercise.model_copy(update=changed)))
    return folder


def test_an_exercise_for_motions_rules_on_how_it_was_done(line, motion_exercise, settings):
    assessment = assess(motion_exercise, line[0], grid_um=80.0, settings=settings)
    assert [r.ruling for r in assessment.rulings] == ["met", "met", "met", "not measurable"]
    assert "another-kind" not in {r.code for r in remarks_of(assessment)}
    # Half of the variance of the tool's place is a shift of the whole piece, half changes over it.
    assert assessment.piece.trueness_um == pytest.approx(np.hypot(5.0, 10.0) / np.sqrt(2.0))
    assert 1000.0 * np.sqrt(assessment.piece.alignment.covariance[5, 5]) == pytest.approx(
        np.hypot(5.0, 10.0) / np.sqrt(2.0)
    )


def test_the_report_of_a_motion_shows_how_it_was_done_and_that_of_a_scan_does_not(line, settings, tmp_path):
    loaded, prepared = open_exercise("straight-line", settings=settings)
    write_reports(line[1], prepared, loaded, html=tmp_path / "a.html", pdf=tmp_path / "a.pdf", labels={"piece": "a"})
    page = (tmp_path / "a.html").read_text()
    assert '<section class="panel" aria-label="How it was done">' in page
    assert "<dt>Passes</dt>" in page
    assert "as recorded" in page
    assert (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF")
    bare = replace(line[1], piece=replace(line[1].piece, kind="scan", motion=None, cut=None))
    write_reports(bare, prepared, loaded, html=tmp_path / "b.html", pdf=None, labels={"piece": "b"})
    assert 'aria-label="How it was done"' not in (tmp_path / "b.html").read_text()
