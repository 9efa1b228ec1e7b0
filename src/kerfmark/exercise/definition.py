"""The exercise: what is to be made, from what, with what, how it is captured, and the criteria it is marked by."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import islice
from typing import Any, TypeVar, get_args

import numpy as np
from pydantic import BaseModel, ValidationError, model_validator
from pydantic_core import ErrorDetails, PydanticCustomError

from kerfmark.exercise.faults import Fault, as_error, listed, nearest, shown, toml_place
from kerfmark.exercise.rules import faults_of, layer_names, statistic_of
from kerfmark.exercise.tables import (
    NO_CONTROL_CHARACTERS,
    Abutment,
    Canal,
    Criterion,
    ExerciseTables,
    Family,
    Frame,
    Implant,
    OwnInstrument,
    Pass,
    Permitted,
    SiteEntry,
    Source,
    Structures,
    Subject,
    Table,
    Target,
)
from kerfmark.records import FloatArray

__all__ = [
    "VOLUME_PLACE",
    "Abutment",
    "Canal",
    "Criterion",
    "Exercise",
    "Family",
    "Frame",
    "Implant",
    "OwnInstrument",
    "Pass",
    "Permitted",
    "SiteEntry",
    "Source",
    "Structures",
    "Subject",
    "Target",
    "as_exercise",
    "asset_names",
    "layer_names",
    "mesial_sign",
    "tooth_frame",
]

VOLUME_PLACE = "[subject] volume"
"""The one place that may name a folder: one of DICOM slices."""

Self = TypeVar("Self", bound="Exercise")


class Exercise(ExerciseTables):
    """A whole exercise that keeps every rule. `pass_` is the table `[pass]`."""

    @model_validator(mode="after")
    def _keep_the_rules(self: Self) -> Self:
        faults = faults_of(self)
        if faults:
            raise PydanticCustomError(
                "rules", "{sentences}", {"sentences": " ".join(f.sentence() for f in faults[:3]), "faults": faults}
            )
        single = [criterion.model_copy(update={"stat": statistic_of(criterion)}) for criterion in self.criteria]
        object.__setattr__(self, "criteria", tuple(single))
        return self


def as_exercise(data: Mapping[str, object], *, name: str = "exercise.toml") -> Exercise:
    """An exercise from the parsed file.

    Parameters
    ----------
    data : mapping
        As `tomllib` gives it.
    name : str
        What to call the file in an error.

    Raises
    ------
    InputError
        With the first faults in words, each with its place in the file, and a count of the rest.
    """
    try:
        return Exercise.model_validate(dict(data))
    except ValidationError as error:
        first = list(islice(_faults(error), 4))
        raise as_error(first, name=name, total=_count(error, first)) from None


def tooth_frame(frame: Frame) -> FloatArray:
    """The rigid 4 × 4 transform from the exercise's files to the tooth frame.

    The occlusal direction is kept; the facial one is made perpendicular to it.
    """
    up = np.asarray(frame.occlusal) / np.linalg.norm(frame.occlusal)
    out = np.asarray(frame.facial) / np.linalg.norm(frame.facial)
    out = out - (out @ up) * up
    out = out / np.linalg.norm(out)
    matrix = np.eye(4)
    matrix[:3, :3] = np.stack([np.cross(out, up), out, up])
    matrix[:3, 3] = -matrix[:3, :3] @ np.asarray(frame.origin)
    return matrix


def mesial_sign(frame: Frame) -> int:
    """+1 where mesial lies on +x, −1 where it lies on −x."""
    return 1 if frame.mesial == "+x" else -1


def asset_names(exercise: ExerciseTables) -> dict[str, str]:
    """Every file the exercise names, by the place that names it, in the order of the file."""
    subject, named = exercise.subject, dict[str, str | None]()
    named["[subject] surface"] = subject.surface
    named.update({f"[subject] layers.{layer}": file for layer, file in subject.layers.items()})
    named.update({f"[subject] neighbours.{side}": file for side, file in subject.neighbours.items()})
    named.update(
        {
            "[subject] gingiva": subject.gingiva,
            VOLUME_PLACE: subject.volume,
            "[target] surface": exercise.target.surface,
        }
    )
    named.update(
        {f"[structures] roots, entry {index + 1}": file for index, file in enumerate(exercise.structures.roots)}
    )
    named.update({"[structures] sinus": exercise.structures.sinus, "[permitted] envelope": exercise.permitted.envelope})
    return {place: file for place, file in named.items() if file is not None}


def _count(error: ValidationError, first: list[Fault]) -> int:
    """How many faults there are; where the fields are sound, the rules' own."""
    if error.error_count() > 1:
        return error.error_count()
    context = error.errors(include_url=False, include_input=False)[0].get("ctx", {})
    return len(context.get("faults", first))


def _faults(error: ValidationError) -> Iterator[Fault]:
    """Pydantic's errors in our words; a rule's own faults as they are."""
    for detail in error.errors(include_url=False):
        if detail["type"] == "rules":
            yield from detail["ctx"]["faults"]
        else:
            yield _fault(detail)


def _fault(detail: ErrorDetails) -> Fault:
    loc = tuple(part for part in detail["loc"] if part != "[key]")
    place, kind, context = toml_place(loc), detail["type"], detail.get("ctx", {})
    found = f"is {shown(detail['input'])}"
    if kind == "extra_forbidden":
        return _unknown_key(loc)
    if kind == "missing":
        return Fault(place, "is missing", "the key", "Add it.")
    if kind == "expected":
        return Fault(place, found, context["accepted"], context["do"])
    return Fault(place, found, _accepted(kind, context), "Correct it.")


def _unknown_key(loc: tuple[int | str, ...]) -> Fault:
    known = _known_keys(loc[:-1])
    near = nearest(str(loc[-1]), known)
    choice = f"'{near[0]}', the nearest known one" if near else f"one of {listed(known, most=12)}"
    return Fault(toml_place(loc), "is not a known key", choice, "Correct or remove it.")


def _known_keys(loc: tuple[int | str, ...]) -> list[str]:
    """The keys of the table at `loc`, found by walking the models."""
    table: type[BaseModel] = Exercise
    for part in loc:
        fields = {field.alias or name: field.annotation for name, field in table.model_fields.items()}
        inner = _table_in(fields.get(str(part)))
        table = inner or table
    return [field.alias or name for name, field in table.model_fields.items()]


def _table_in(annotation: Any) -> type[Table] | None:
    """The model inside an annotation such as `tuple[Criterion, ...]` or `Canal | None`."""
    if isinstance(annotation, type) and issubclass(annotation, Table):
        return annotation
    return next((found for found in map(_table_in, get_args(annotation)) if found is not None), None)


_ACCEPTED = {
    "string_type": "text in quotes",
    "int_type": "a whole number",
    "float_type": "a number",
    "bool_type": "true or false",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "tuple_type": "a list",
    "finite_number": "a finite number",
    "int_parsing_size": "a smaller whole number",
    "too_short": "at least one entry",
}


def _accepted(kind: str, context: Mapping[str, Any]) -> str:
    """What a field accepts, from pydantic's name for the fault."""
    bounds = {"greater_than": "gt", "greater_than_equal": "ge", "less_than": "lt", "less_than_equal": "le"}
    words = {
        "gt": "a number above {}",
        "ge": "a number of at least {}",
        "lt": "a number below {}",
        "le": "a number of at most {}",
    }
    if kind in bounds:
        return words[bounds[kind]].format(f"{context[bounds[kind]]:g}")
    if kind == "literal_error":
        return str(context["expected"])
    if kind == "string_pattern_mismatch":
        if context["pattern"] == NO_CONTROL_CHARACTERS:
            return "text on one line, without control characters"
        return (
            "lower-case letters, digits and '-' only"
            if "0-9-" in context["pattern"]
            else "lower-case letters, digits and '_', a letter first"
        )
    if kind == "string_too_short":
        return "text that is not empty"
    if kind == "string_too_long":
        return f"at most {context['max_length']} characters"
    return _ACCEPTED.get(kind, "another kind of value")
