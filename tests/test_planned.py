"""A learner's plan, from its file to its mark, and files that are none."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from kerfmark.errors import InputError
from kerfmark.exercise.prepared import prepare
from kerfmark.geometry.mesh import volume_mm3
from kerfmark.pipeline import assess_prepared
from kerfmark.planned import read_plan
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
