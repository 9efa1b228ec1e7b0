"""What was asked of learners: criteria, the outcomes they show, limits and where these come from, weights."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from kerfmark.errors import EvidenceError, InputError, printable
from kerfmark.evidence.answer import Answer, Cell, Claim, Grid, Verdict
from kerfmark.evidence.small_tables import csv_rows
from kerfmark.evidence.table import Table
from kerfmark.exercise.definition import Criterion, Exercise

__all__ = ["ContentLine", "content", "content_of", "criterion_name", "read_content"]

COLUMNS: Final = ("exercise", "criterion", "outcome", "lower", "upper", "weight", "critical", "source")
TAGS: Final = ("[seen", "[memory", "[practice", "weak]")
TAGS_MEAN: Final = (
    "Sources of limits, in brackets: seen, the value was read there; weak, in a summary or at second hand; memory, recalled and not read again; "
    "practice, common in teaching, without a source at hand."
)
SAME: Final = 1e-9
"""Limits that differ by less, relative to their size, are the same."""


@dataclass(frozen=True, slots=True)
class ContentLine:
    """One criterion of one exercise.

    Attributes
    ----------
    exercise, criterion : str
        As the table of marks names them.
    outcome, source : str
        What it shows, and where its limits come from; empty where nobody said.
    lower, upper : float
        Infinite where open.
    weight : float
        NaN where not known.
    critical : bool or None
        None where not known.
    """

    exercise: str
    criterion: str
    outcome: str = ""
    lower: float = -math.inf
    upper: float = math.inf
    weight: float = math.nan
    critical: bool | None = None
    source: str = ""


def content_of(exercise: Exercise, *, name: str = "") -> tuple[ContentLine, ...]:
    """The criteria of an exercise; its only outcome is that of every criterion which names none.

    Parameters
    ----------
    exercise : Exercise
    name : str
        What the table of marks calls it; its `id` when left out.
    """
    outcomes = "; ".join(exercise.outcomes)
    return tuple(
        ContentLine(name or exercise.id, criterion_name(c), c.outcome or outcomes, *c.limits, c.weight, c.critical, c.source or "")
        for c in exercise.criteria
    )  # fmt: skip


def criterion_name(criterion: Criterion) -> str:
    """What the table of marks calls a criterion: its reading, where and stat, parted by blanks.

    Examples
    --------
    >>> criterion_name(Criterion(reading="crown.taper_deg", where="buccal", limits=(2.0, 10.0)))
    'crown.taper_deg buccal'
    """
    return " ".join(part for part in criterion.key if part is not None)


def read_content(path: Path) -> tuple[ContentLine, ...]:
    """Criteria from a CSV with the columns exercise, criterion, outcome, lower, upper, weight, critical, source.

    Raises
    ------
    InputError
        If the file cannot be read, a column is missing or unknown, or a cell is not what it has to be.
    """
    name = printable(path.name)
    rows = csv_rows(path, COLUMNS, what="an exercise or a CSV of criteria", row="a criterion")
    return tuple(_line(row, f"{name}, row {at}") for at, row in enumerate(rows, start=2))


def _line(row: dict[str, str], place: str) -> ContentLine:
    cells = {key: (value or "").strip() for key, value in row.items()}
    if not cells["exercise"] or not cells["criterion"]:
        raise InputError(
            f"{place}: exercise or criterion is empty, expected both as the table of marks names them. Add it."
        )
    if cells["critical"] not in ("", "yes", "no"):
        raise InputError(
            f"{place}: critical is '{printable(cells['critical'], limit=40)}', expected yes, no or nothing. Correct it."
        )
    lower, upper = (
        _number(cells["lower"], -math.inf, f"{place}: lower"),
        _number(cells["upper"], math.inf, f"{place}: upper"),
    )
    weight = _number(cells["weight"], math.nan, f"{place}: weight")
    if lower >= upper or weight < 0:
        raise InputError(
            f"{place}: limits {lower:g} to {upper:g} and weight {weight:g}, expected lower under upper and no weight under 0. Correct it."
        )
    critical = {"yes": True, "no": False}.get(cells["critical"])
    return ContentLine(
        cells["exercise"], cells["criterion"], cells["outcome"], lower, upper, weight, critical, cells["source"]
    )


def _number(cell: str, empty: float, place: str) -> float:
    if not cell:
        return empty
    try:
        return float(cell)
    except ValueError:
        raise InputError(
            f"{place} is '{printable(cell, limit=40)}', expected a number with a point, or nothing. Correct it."
        ) from None


def content(table: Table, given: Sequence[ContentLine]) -> Answer:
    """Every criterion with its outcome, limits, weight and the source of its limits; what does not fit the table of marks.

    Raises
    ------
    EvidenceError
        If nothing was given and the table holds no criterion.
    """
    seen = _in_table(table)
    if not given and not seen:
        raise EvidenceError(
            "neither the exercises nor the table hold a criterion, so what was asked cannot be shown. Name the exercises with --exercise."
        )
    lines = list(given) or list(seen.values())
    keys = [(line.exercise, line.criterion) for line in lines]
    twice = [key for key in dict.fromkeys(keys) if keys.count(key) > 1]
    if twice:
        raise InputError(
            f"--exercise: {printable(twice[0][0])}: {printable(twice[0][1])} is given twice, expected each criterion once. Give one of the two."
        )
    exercises = list(dict.fromkeys(line.exercise for line in lines))
    grids = [_grid([line for line in lines if line.exercise == name], name) for name in exercises]
    flags = _misfits(given, seen)
    said = (
        f"{len(exercises)} exercises are marked by {len(lines)} criteria."
        if len(exercises) > 1
        else f"One exercise is marked by {len(lines)} criteria."
    )
    methods = [
        "Share of mark: a criterion's weight over the weights of its exercise; exercises count alike. Limits are closed: a reading on a limit lies inside."
    ]
    if any(tag in line.source for line in lines for tag in TAGS):
        methods.append(TAGS_MEAN)
    if given:
        outcomes = _outcomes(lines)
        if outcomes is not None:
            grids.insert(0, outcomes)
    else:
        said += " Their outcomes, weights and sources are not known: name the exercises with --exercise."
        methods.append("Limits as the table of marks holds them.")
    return Answer(
        "content",
        "What was asked?",
        said,
        grids=tuple(grids),
        claims=(_claim(given),),
        methods=tuple(methods),
        flags=tuple(flags),
    )


def _in_table(table: Table) -> dict[tuple[str, str], ContentLine]:
    """Criteria that decide in the table of marks: those with a ruling."""
    rows = table.said_by("measured", whole=False)
    rows = rows.where(rows["ruling"] != "")
    keys = zip(rows["exercise"].astype(str), rows["criterion"].astype(str), strict=True)
    limits = zip(rows.number("lower"), rows.number("upper"), strict=True)
    found: dict[tuple[str, str], ContentLine] = {}
    for (exercise, criterion), (lower, upper) in dict(zip(keys, limits, strict=True)).items():
        low, high = (-math.inf if np.isnan(lower) else float(lower)), (math.inf if np.isnan(upper) else float(upper))
        found[exercise, criterion] = ContentLine(exercise, criterion, lower=low, upper=high)
    return dict(sorted(found.items()))


def _grid(lines: Sequence[ContentLine], exercise: str) -> Grid:
    total = sum(line.weight for line in lines)
    rows: list[tuple[Cell, ...]] = []
    for line in lines:
        weight = None if math.isnan(line.weight) else f"{line.weight:g}"
        share = f"{100 * line.weight / total:.0f} %" if total > 0 else None
        critical = {True: "critical", False: "", None: None}[line.critical]
        rows.append((line.criterion, _limits(line), weight, share, critical, line.outcome or None, line.source or None))
    header = ("criterion", "limits", "weight", "share of mark", "not met fails", "outcome", "source of the limits")
    unsaid = sum(not line.source for line in lines)
    said = f"{len(lines)} criteria; " + (
        "every one has a source for its limits." if not unsaid else f"{unsaid} without a source for the limits."
    )
    return Grid(exercise, header, tuple(rows), (0,) * 7, said)


def _limits(line: ContentLine) -> str:
    if math.isinf(line.lower) and math.isinf(line.upper):
        return "none"
    if math.isinf(line.lower):
        return f"≤ {line.upper:g}"
    return f"≥ {line.lower:g}" if math.isinf(line.upper) else f"{line.lower:g} to {line.upper:g}"


def _outcomes(lines: Sequence[ContentLine]) -> Grid | None:
    """How much of the whole mark each outcome carries; exercises count alike."""
    if not any(line.outcome for line in lines):
        return None
    exercises = {line.exercise for line in lines}
    totals = {name: sum(line.weight for line in lines if line.exercise == name) for name in exercises}
    rows: list[tuple[Cell, ...]] = []
    for outcome in sorted({line.outcome for line in lines}, key=lambda o: (o == "", o)):
        own = [line for line in lines if line.outcome == outcome]
        share = (
            sum(line.weight / totals[line.exercise] for line in own) / len(exercises)
            if all(totals.values())
            else math.nan
        )
        rows.append(
            (
                outcome or "no outcome named",
                len(own),
                len({line.exercise for line in own}),
                100 * share if math.isfinite(share) else None,
            )
        )
    return Grid("Outcomes", ("outcome", "criteria", "exercises", "share of the mark, %"), tuple(rows), (0, 0, 0, 0), "How much of the mean mark over exercises rests on each outcome.")  # fmt: skip


def _misfits(given: Sequence[ContentLine], seen: dict[tuple[str, str], ContentLine]) -> list[str]:
    """What the exercises say and the table does not, and the other way about."""
    stated = {(line.exercise, line.criterion): line for line in given}
    if not stated:
        return []
    flags = []
    for key, line in stated.items():
        if key not in seen:
            flags.append(f"{key[0]}: {key[1]} counts for the mark, but the table holds no ruling on it.")
        elif not (_same(line.lower, seen[key].lower) and _same(line.upper, seen[key].upper)):
            flags.append(
                f"{key[0]}: {key[1]} has limits {_limits(line)}, the table was marked with {_limits(seen[key])}."
            )
    named = {exercise for exercise, _ in stated}
    for exercise in dict.fromkeys(e for e, _ in seen if e not in named):
        ruled = sum(e == exercise for e, _ in seen)
        flags.append(f"Exercise {exercise} is not among those given: what its {ruled} criteria are for is not shown.")
    strangers = [(e, c) for e, c in seen if e in named and (e, c) not in stated]
    return flags + [f"{e}: {c} was ruled on, but the exercise given does not hold it." for e, c in strangers]


def _same(one: float, other: float) -> bool:
    return one == other or abs(one - other) <= SAME * max(abs(one), abs(other))


def _claim(given: Sequence[ContentLine]) -> Claim:
    mapped, sourced = sum(bool(line.outcome) for line in given), sum(bool(line.source) for line in given)
    n = len(given)
    verdict: Verdict = (
        "not shown" if not n or not (mapped or sourced) else "stands" if mapped == sourced == n else "with limits"
    )
    because = f"{mapped} of {n} criteria name an outcome, {sourced} a source" if n else "no exercise was given"
    return Claim("Every criterion has a purpose, and its limits a source", verdict, because, "content")
