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
        ("diameter_mm = 4.1", "diameter_mm = 41", "diameter_mm is 41, expected 1 to 12 mm"),
        ("diameter_mm = 4.1", 'diameter_mm = "4.1"', "diameter_mm is 4.1"),
        ("diameter_mm = 4.1", "diameter = 4.1", "key 'diameter' is not known"),
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
