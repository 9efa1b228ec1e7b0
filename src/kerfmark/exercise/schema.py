"""The exercise file as JSON Schema (draft 2020-12), for editors and for other people's tools."""

from __future__ import annotations

import json
from typing import Any

from kerfmark.exercise.definition import Exercise
from kerfmark.exercise.vocabulary import STATISTICS, VOCABULARY

__all__ = ["exercise_schema", "schema_text"]

SCHEMA_ID = "urn:kerfmark:exercise:1"
COMMENT = (
    "The table that a TOML reader makes of exercise.toml. TOML's inf and -inf are numbers here; JSON has no spelling for them. "
    "Rules between tables (what a family needs, which sites and layers exist, weights that add up to more than 0, directions "
    "at right angles) are beyond a schema: `kerfmark check` applies them."
)


def exercise_schema() -> dict[str, Any]:
    """The schema, made from the models; readings, their units and statistics come from the vocabulary."""
    schema = Exercise.model_json_schema(by_alias=True, mode="validation")
    readings = [{"const": term.id, "title": f"{term.id} ({_unit(term.unit)})"} for term in VOCABULARY.values()]
    criterion = schema["$defs"]["Criterion"]["properties"]
    criterion["reading"] = {"title": "Reading", "oneOf": readings}
    words = sorted({*STATISTICS, *(stat for term in VOCABULARY.values() for stat in term.stats)})
    criterion["stat"]["anyOf"][0]["enum"] = words
    schema["properties"]["criteria"]["minItems"] = 1
    head = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": SCHEMA_ID,
        "$comment": COMMENT,
        "title": "Kerfmark exercise",
        "description": "An exercise.toml file. Lengths in mm, angles in degrees, noise and trueness in µm, times in s.",
    }
    return head | {key: value for key, value in _required_only(schema).items() if key not in head}


def schema_text() -> str:
    """The schema as the file `docs/schema/exercise.schema.json` holds it."""
    return json.dumps(exercise_schema(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _unit(unit: str) -> str:
    return "plain number" if unit == "1" else unit


def _required_only(value: Any) -> Any:
    """Without what only says that a key may be left out: TOML has no null, so `null` is no choice and no default."""
    if isinstance(value, list):
        return [_required_only(entry) for entry in value]
    if not isinstance(value, dict):
        return value
    kept = {key: _required_only(entry) for key, entry in value.items() if not (key == "default" and entry is None)}
    choices = [choice for choice in kept.get("anyOf", []) if choice != {"type": "null"}]
    if "anyOf" in kept and len(choices) == 1:
        rest = {key: entry for key, entry in kept.items() if key != "anyOf"}
        kept = {**choices[0], **rest}
    if isinstance(kept.get("title"), str):
        kept["title"] = _spoken(kept["title"])
    return kept


def _spoken(title: str) -> str:
    """A title with its unit as people write it: "Noise Um" is "Noise (µm)"."""
    name, _, last = title.rpartition(" ")
    unit = {"Mm": "mm", "Um": "µm", "S": "s"}.get(last)
    return f"{name} ({unit})" if unit and name else title
