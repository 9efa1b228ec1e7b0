"""A learner's plan, from its file to its mark, and files that are none."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from kerfmark.errors import InputError
from kerfmark.exercise.prepared import prepare
from kerfmark.geometry.mesh import volume_mm3
from kerfmark.pipeline import assess_prepared
from kerfmark.planned import plan_bytes, read_plan, read_plan_bytes
from kerfmark.records import ImplantPlan
from kerfmark.settings import Limits

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))

GOOD = """
format = 1
kind = "implant plan"
exercise = "phantom-bed"
[implant]
entry = [0.5, 0.0, 0.0]
apex = [0.5, 0.0, -9.5]
diameter_mm = 4.1
"""


@pytest.fixture(scope="module")
def ready(tmp_path_factory):
    from implant_phantoms import exercise

    loaded = exercise()
    return loaded, prepare(loaded, cache_dir=tmp_path_factory.mktemp("prepared"), limits=Limits())


@pytest.fixture
def plan(tmp_path):
    def written(text: str | bytes) -> Path:
        path = tmp_path / "plan.toml"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return written


def test_a_plan_is_assessed_against_the_teachers(ready, plan, settings):
    # Source: Pythagoras; 0.5 mm aside and 0.5 mm short.
    loaded, prepared = ready
    assessment = assess_prepared(loaded, prepared, plan(GOOD), settings=settings)
    value = {r.key: r.value for r in assessment.readings}
    assert assessment.piece.kind == "plan"
    assert value["implant.apex_deviation_mm", None, None] == pytest.approx(np.hypot(0.5, 0.5))
    assert value["implant.depth_deviation_mm", None, None] == pytest.approx(-0.5)
    assert assessment.mark.outcome == "pass"
    removed = volume_mm3(prepared.subject) - volume_mm3(assessment.piece.surface)
    assert removed == pytest.approx(np.pi * 2.05**2 * 9.5, rel=0.01)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("format = 1", "format = 2", "is not format 1 of kind 'implant plan'"),
        ("format = 1", "format = true", "is not format 1"),
        ("implant plan", "holiday plan", "is not format 1 of kind 'implant plan'"),
        ("phantom-bed", "other", "was made for exercise 'other', expected phantom-bed"),
        ("diameter_mm = 4.1", "diameter_mm = 41", "diameter_mm is 41, expected a number from 1 to 12 (mm)"),
        ("diameter_mm = 4.1", 'diameter_mm = "4.1"', "diameter_mm is '4.1', expected a number"),
        ("diameter_mm = 4.1", "diameter = 4.1", "key 'diameter' is not known, expected 'diameter_mm', the nearest known one"),
        ("diameter_mm = 4.1", "diameter_mm = 4.1\nlength_mm = 10", "key 'length_mm' is not known, expected entry, apex, diameter_mm"),
        ("diameter_mm = 4.1", "", "has no diameter_mm"),
        ("-9.5]", "]", "apex is"),
        ("-9.5]", "nan]", "apex is"),
        ("-9.5]", "0.0]", "entry and apex are 0 mm apart, expected 2 to 60 mm"),
        ("entry = [0.5, 0.0, 0.0]\napex = [0.5, 0.0, -9.5]", "entry = [0, 90, 0]\napex = [0, 90, 9]", "entry lies 90 mm from"),
        ("[implant]", "[[implant]]", "implant is no table"),
        ("[implant]", "[implant", "is not TOML"),
        ("4.1\n", "4.1\n[drawn]\narch = 3\n", "arch is 3, expected a list of 2 to 100 points"),
        ("4.1\n", "4.1\n[drawn]\narch = [[0, 0, 0]]\n", "expected a list of 2 to 100 points"),
        ("4.1\n", "4.1\n[drawn]\narch = [[0, 0, 0], [1, 'x', 0]]\n", "arch is"),
        ("4.1\n", "4.1\n[drawn]\ncolour = 3\n", "key 'colour' is not known"),
        ("format = 1", "format = 1\ndrawn = 4", "drawn is no table"),
    ],
)  # fmt: skip
def test_a_bad_plan_is_refused_in_one_sentence(ready, plan, old, new, words):
    assert old in GOOD
    with pytest.raises(InputError) as caught:
        read_plan(plan(GOOD.replace(old, new)), ready[1], limits=Limits())
    assert words in str(caught.value)
    assert str(caught.value).startswith("plan.toml")
    assert str(caught.value).isprintable()


def test_anything_at_all_is_read_or_refused_in_words(ready, plan):
    rng, whole = np.random.default_rng(4), GOOD.encode()
    for _ in range(200):
        data = bytearray(whole)
        for at in rng.integers(0, len(data), rng.integers(1, 5)):
            data[at] = rng.integers(0, 256)
        assert said_of(plan(bytes(data)), ready[1]).isprintable()


def said_of(path, prepared) -> str:
    try:
        read_plan(path, prepared, limits=Limits())
    except InputError as error:
        return str(error)
    return ""


def test_options_of_other_pieces_are_refused(ready, plan, settings):
    loaded, prepared = ready
    for options in ({"unit": "cm"}, {"neighbours": {"mesial": "a.stl"}}, {"rig": "rig.toml"}, {"series": "3"}):
        with pytest.raises(InputError, match="Leave"):
            assess_prepared(loaded, prepared, plan(GOOD), settings=settings, **options)


def test_an_exercise_without_an_implant_takes_no_plan(settings, plan):
    from kerfmark.pipeline import assess

    with pytest.raises(InputError, match="exercise layered-block plans none"):
        assess("layered-block", plan(GOOD), settings=settings)


def test_a_written_plan_reads_back_as_it_was(ready):
    _loaded, prepared = ready
    plan = ImplantPlan(np.array([0.25, -0.5, -0.125]), np.array([1.0, 0.5, -9.875]), 3.5)
    arch = np.array([[-9.0, 1.0, -6.0], [0.0, 0.25, -6.0], [9.0, 1.0, -6.5]])
    data = plan_bytes("phantom-bed", plan, frame=prepared.frame, arch_mm=arch)
    read = read_plan_bytes(data, prepared, name="plan.toml", limits=Limits())
    for got, meant in ((read.plan.entry_mm, plan.entry_mm), (read.plan.apex_mm, plan.apex_mm), (read.arch_mm, arch)):
        np.testing.assert_allclose(got, meant, atol=1e-9)
    assert (read.plan.diameter_mm, read.remarks) == (3.5, ())


def test_a_diameter_that_is_not_offered_is_measured_and_said(ready):
    _loaded, prepared = ready
    exercise = prepared.exercise
    offered = exercise.permitted.model_copy(update={"implant_diameters_mm": (3.5, 4.8)})
    fewer = replace(prepared, exercise=exercise.model_copy(update={"permitted": offered}))
    read = read_plan_bytes(GOOD.encode(), fewer, name="plan.toml", limits=Limits())
    assert [remark.code for remark in read.remarks] == ["diameter-not-offered"]
    assert "3.5, 4.8" in read.remarks[0].message


def test_a_plan_whose_ends_are_exchanged_reads_over_90_and_is_said(ready, plan, settings):
    # Source: the axis of GOOD turned round: 180°; the same rod, so the same clearances.
    loaded, prepared = ready
    turned = GOOD.replace(
        "entry = [0.5, 0.0, 0.0]\napex = [0.5, 0.0, -9.5]", "apex = [0.5, 0.0, 0.0]\nentry = [0.5, 0.0, -9.5]"
    )
    assessment = assess_prepared(loaded, prepared, plan(turned), settings=settings)
    found = {r.key[0]: r for r in assessment.readings if r.where is None}
    assert found["implant.angle_deg"].value == pytest.approx(180.0)
    assert found["implant.prosthetic_axis_deg"].value == pytest.approx(180.0)
    assert "exchanged" in found["implant.angle_deg"].reason
    assert "axis-out-of-bone" in {r.code for r in assessment.piece.remarks}
    assert found["implant.canal_clearance_mm"].value == pytest.approx(15.0 - 9.5 - 1.25)


@pytest.mark.parametrize(("up", "said", "measured"), [(0.0, False, True), (3.0, True, True), (20.0, True, False)])
def test_a_plan_outside_the_bone_keeps_clear_of_nothing(ready, plan, settings, up, said, measured):
    # Source: the bone's top is at 0: of 9.5 mm there lie 9.5, 6.5 and 0 in it; below half nothing is measurable.
    loaded, prepared = ready
    text = GOOD.replace("0.0, 0.0]\napex", f"0.0, {up}]\napex").replace("-9.5]", f"{up - 9.5}]")
    assessment = assess_prepared(loaded, prepared, plan(text), settings=settings)
    assert ("plan-outside-bone" in {r.code for r in assessment.piece.remarks}) == said
    for reading in assessment.readings:
        if (
            reading.id in ("implant.canal_clearance_mm", "implant.root_clearance_mm", "implant.breach")
            and reading.status != "not_applicable"
        ):
            assert (reading.status == "measured") == measured, reading.key
            assert measured or reading.reason == "the planned bed lies outside the bone"
    deviation = next(r for r in assessment.readings if r.id == "implant.entry_deviation_mm")
    assert deviation.value == pytest.approx(np.hypot(0.5, up))


def test_nothing_is_cut_by_a_plan(ready, plan, settings):
    loaded, prepared = ready
    assessment = assess_prepared(loaded, prepared, plan(GOOD), settings=settings)
    common = [r for r in assessment.readings if r.id.startswith("surface.")]
    assert common
    assert {(r.status, r.reason) for r in common} == {("not_applicable", "the piece is a plan")}


def test_beds_and_plans_are_taken_where_they_are_marked(ready, plan, settings, tmp_path):
    loaded, prepared = ready
    scan = tmp_path / "scan.stl"
    scan.write_bytes(b"solid x")

    def asking(reading, where):
        criterion = prepared.exercise.criteria[0].model_copy(update={"reading": reading, "where": where})
        return replace(prepared, exercise=prepared.exercise.model_copy(update={"criteria": (criterion,)}))

    with pytest.raises(
        InputError, match=r"scan\.stl: is no plan, but exercise phantom-bed marks plans .* expected a plan\.toml"
    ):
        assess_prepared(loaded, asking("implant.canal_clearance_mm", None), scan, settings=settings)
    with pytest.raises(InputError, match=r"plan\.toml: is a plan, but exercise phantom-bed marks the bed"):
        assess_prepared(loaded, asking("implant.canal_clearance_mm", "bed"), plan(GOOD), settings=settings)
