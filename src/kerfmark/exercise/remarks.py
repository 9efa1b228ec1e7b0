"""What an exercise is allowed to say but looks like a slip."""

from __future__ import annotations

import math
from collections.abc import Iterator

from kerfmark.exercise.faults import toml_place
from kerfmark.exercise.handed import handed_in_for
from kerfmark.exercise.tables import ExerciseTables
from kerfmark.exercise.vocabulary import VOCABULARY
from kerfmark.instruments import instrument
from kerfmark.records import Remark

__all__ = ["remarks_of"]

SAME_DIAMETER_MM = 1e-6


def remarks_of(exercise: ExerciseTables, *, where: str = "exercise.toml") -> tuple[Remark, ...]:
    """What is allowed but looks like a slip, in the order of the file."""
    checks = (_mesial_remarks, _class_remarks, _implant_remarks, _criteria_remarks, _instrument_remarks)
    return tuple(Remark(code, where, message) for check in checks for code, message in check(exercise))


def _mesial_remarks(exercise: ExerciseTables) -> Iterator[tuple[str, str]]:
    if exercise.tooth is None:
        return
    frames = [("[frame]", exercise.tooth, exercise.frame.mesial)]
    frames += [(toml_place(("abutments", n)) + ",", a.tooth, a.mesial) for n, a in enumerate(exercise.abutments)]
    for place, tooth, mesial in frames:
        quadrant = tooth // 10
        usual = "+x" if quadrant % 2 else "-x"
        if mesial != usual:
            yield (
                "mesial-side",
                f"{place} mesial is '{mesial}', but an unmirrored tooth {tooth} of quadrant "
                f"{quadrant} has it on '{usual}'; "
                "check mesial and facial, or that the tooth is meant to be mirrored",
            )


def _class_remarks(exercise: ExerciseTables) -> Iterator[tuple[str, str]]:
    if exercise.cavity_class in (3, 4) and exercise.tooth is not None and exercise.tooth % 10 > 3:
        roman = {3: "III", 4: "IV"}[exercise.cavity_class]
        yield (
            "cavity-class",
            f"class {roman} cavities belong to front teeth, but tooth is {exercise.tooth}; "
            "check cavity_class and tooth",
        )


def _implant_remarks(exercise: ExerciseTables) -> Iterator[tuple[str, str]]:
    implant, offered = exercise.target.implant, exercise.permitted.implant_diameters_mm
    if implant is not None and offered and all(abs(implant.diameter_mm - one) > SAME_DIAMETER_MM for one in offered):
        listed = ", ".join(f"{one:g}" for one in offered)
        yield (
            "diameter-not-offered",
            f"[target] implant.diameter_mm is {implant.diameter_mm:g}, which [permitted] implant_diameters_mm ({listed}) does not "
            "offer: no plan can have the teacher's diameter; add it or correct one of the two",
        )
    named = [(criterion.reading, criterion.where) for criterion in exercise.criteria]
    apart = {handed_in_for([one]) for one in named}
    if {"bed", "plan"} <= apart:
        yield (
            "plan-and-bed",
            "[[criteria]]: some are read of a plan and some of a drilled bed; of a bed those of a plan read [target] implant, "
            "the same for every learner; keep those of one kind",
        )


def _criteria_remarks(exercise: ExerciseTables) -> Iterator[tuple[str, str]]:
    for index, criterion in enumerate(exercise.criteria):
        place, term = toml_place(("criteria", index)), VOCABULARY[criterion.reading]
        if math.isinf(criterion.limits[0]) and math.isinf(criterion.limits[1]):
            yield (
                "no-limits",
                f"{place}, limits are [-inf, inf]: every measured piece meets it; give at least one limit",
            )
        if term.family not in (exercise.family, "surface", "process"):
            yield (
                "other-family",
                f"{place}, reading '{term.id}' belongs to another family than '{exercise.family}' and will not be "
                "measured",
            )
        if ".neighbour." in term.id and criterion.where not in exercise.subject.neighbours:
            yield (
                "no-neighbour",
                f"{place}, reading '{term.id}' needs the {criterion.where} neighbour, which [subject] neighbours lacks",
            )


def _instrument_remarks(exercise: ExerciseTables) -> Iterator[tuple[str, str]]:
    own = {entry.name: entry.profile_mm for entry in exercise.instruments}
    for name in exercise.permitted.instruments:
        for remark in instrument(name, own=own).remarks:
            yield remark.code, f"[permitted] instruments: {remark.message}"
