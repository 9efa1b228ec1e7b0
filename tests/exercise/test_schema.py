"""The published schema: in step with the models, and of one mind with them on good and bad files."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

from kerfmark.exercise.definition import as_exercise
from kerfmark.exercise.schema import exercise_schema, schema_text

PUBLISHED = Path(__file__).parents[2] / "docs" / "schema" / "exercise.schema.json"


def test_the_published_schema_is_that_of_the_models():
    # To bring it up to date: python -c "from kerfmark.exercise.schema import schema_text; print(schema_text(), end='')"
    assert PUBLISHED.read_text(encoding="utf-8") == schema_text()


def test_it_is_a_schema_of_draft_2020_12():
    jsonschema.Draft202012Validator.check_schema(json.loads(PUBLISHED.read_text(encoding="utf-8")))


def test_a_good_exercise_fits(crown_table):
    as_exercise(crown_table)
    jsonschema.Draft202012Validator(exercise_schema()).validate(crown_table)


@pytest.mark.parametrize(
    "change",
    [
        {"format": 2},
        {"tooth": 49},
        {"family": "bridge"},
        {"id": "A B"},
        {"colour": "red"},
        {"criteria": []},
        {"criteria": [{"reading": "crown.unknown_mm", "limits": [0, 1]}]},
        {"criteria": [{"reading": "crown.margin_continuity", "limits": [0, 1, 2]}]},
        {"subject": {"surface": "../subject.stl"}},
        {"subject": {"surface": "a/./subject.stl"}},
        {"pass": {"met_at": 0.4}},
        {"source": {"noise_um": -1}},
    ],
)
def test_a_bad_exercise_does_not_fit(crown_table, change):
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(exercise_schema()).validate(crown_table | change)
