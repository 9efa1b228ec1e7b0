"""A cohort beside earlier ones, on the exercises they share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from kerfmark.errors import EvidenceError
from kerfmark.evidence.answer import COUNT_LEAST, GROUP_LEAST, Answer, Cell, Figure, Grid
from kerfmark.evidence.marks import Marks, marks_of
from kerfmark.evidence.table import Table
from kerfmark.statistics.clustered import clustered_mean
from kerfmark.statistics.estimates import Estimate, FloatArray
from kerfmark.statistics.intervals import wilson_interval
from kerfmark.statistics.shares import share_difference
from kerfmark.statistics.validity import hedges_g, mean_difference

__all__ = ["cohorts"]

LIMITS_SAME = 1e-9
METHODS = (
    "Only exercises both cohorts cut, learners with a mark in each of them, last attempts. Differences: Welch; of shares: Newcombe.",
    "A difference may lie in the learners, the teaching, the material or the measuring: nothing here tells these apart.",
)


def cohorts(table: Table, marks: Marks, cut: float | None, earlier: Mapping[str, Table]) -> Answer:
    """Means, spread and pass rates of earlier cohorts on shared exercises, each with its difference from this one.

    Parameters
    ----------
    table : Table
    marks : Marks
        Of this cohort.
    cut : float or None
        This cohort's line; it is applied to an earlier cohort only where that cut every exercise of this one.
    earlier : mapping of str to Table

    Raises
    ------
    EvidenceError
        If no earlier cohort was given, or none shares an exercise.
    """
    if not earlier:
        raise EvidenceError("no earlier cohort was given. Add its table with --earlier NAME=FILE.")
    found = _Compared([], [], {"names": [], "value": [], "lower": [], "upper": []}, [], [])
    for name, old in earlier.items():
        try:
            then = marks_of(old)
        except EvidenceError as why:
            found.why_not.append(f"{name}: {why}")
            continue
        _compare(name, marks, then, cut, found)
        found.flags.extend(_changed_limits(name, table, old, _shared(marks, then)))
    if not found.rows:
        raise EvidenceError(f"no earlier cohort can be compared. {' '.join(found.why_not)}")
    figure = Figure("cohorts", "This cohort less earlier ones, points of 100, with 95 % interval", found.drawn)
    return Answer(
        "cohorts", "How does this cohort compare with earlier ones?", " ".join([_said(found.rows), *found.why_not]), grids=_grids(found),
        figures=(figure,), methods=METHODS, flags=tuple(found.flags),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Compared:
    """What comparing cohorts has found so far."""

    rows: list[tuple[Cell, ...]]
    by_exercise: list[tuple[Cell, ...]]
    drawn: dict[str, list[object]]
    flags: list[str]
    why_not: list[str]


def _shared(marks: Marks, then: Marks) -> list[str]:
    return [str(e) for e in marks.exercises if e in then.exercises]


def _compare(name: str, marks: Marks, then: Marks, cut: float | None, found: _Compared) -> None:
    """One earlier cohort beside this one, which stands in a row of its own for each set of shared exercises."""
    shared = _shared(marks, then)
    ours, theirs = _means(marks, shared), _means(then, shared)
    if not shared or min(len(ours), len(theirs)) < GROUP_LEAST:
        found.why_not.append(
            f"{name}: fewer than {GROUP_LEAST} learners with a mark in every shared exercise ({len(shared)} shared)."
        )
        return
    line = cut if len(shared) == len(marks.exercises) else None
    own = _this(ours, line, shared, marks)
    if own[0] not in {row[0] for row in found.rows}:
        found.rows.append(own)
    found.rows.append(_that(name, ours, theirs, line, len(shared)))
    found.by_exercise.extend(_one(name, exercise, marks, then, found.drawn) for exercise in shared)


def _grids(found: _Compared) -> tuple[Grid, ...]:
    return (
        Grid("Cohorts on shared exercises", ("", "exercises", "learners", "mean (95 %)", "SD", "this less that (95 %)", "g", "at or above the line (95 %)", "this less that (95 %)"),
             tuple(found.rows), (0, 0, 0, 1, 1, 1, 2, 2, 2),
             "This cohort's line is applied to both; an earlier cohort was held against its own. g: the difference in standard deviations."),
        Grid("Exercise by exercise", ("", "n then", "n now", "this less that, points (95 %)", "g (95 %)"), tuple(found.by_exercise), (0, 0, 0, 1, 2),
             "Pieces of the last attempt."),
    )  # fmt: skip


def _means(marks: Marks, shared: list[str]) -> FloatArray:
    """Mean over the shared exercises of those who have them all."""
    columns = marks.marks[:, np.isin(marks.exercises, shared)]
    full = columns[~np.isnan(columns).any(axis=1)] if columns.shape[1] else np.zeros((0, 1))
    return np.asarray(full.mean(axis=1)) if len(full) else np.zeros(0)


def _mean(scores: FloatArray) -> Estimate:
    return clustered_mean(scores, None)


def _rate(scores: FloatArray, cut: float | None) -> Cell:
    if cut is None:
        return None
    passed, n = int(np.sum(scores >= cut)), len(scores)
    if min(passed, n - passed) < COUNT_LEAST and passed not in (0, n):
        return "not shown, under 5"
    low, high = wilson_interval(passed, n)
    return Estimate(passed / n, low, high, n=n, method="share; Wilson interval")


def _this(ours: FloatArray, cut: float | None, shared: list[str], marks: Marks) -> tuple[Cell, ...]:
    label = "this cohort" if len(shared) == len(marks.exercises) else f"this cohort, {', '.join(shared)}"
    return label, len(shared), len(ours), _mean(ours), float(ours.std(ddof=1)), None, None, _rate(ours, cut), None


def _that(name: str, ours: FloatArray, theirs: FloatArray, cut: float | None, shared: int) -> tuple[Cell, ...]:
    mean: Cell
    g: Cell
    try:
        mean, g = mean_difference(ours, theirs), hedges_g(ours, theirs).value
    except EvidenceError as why:
        mean, g = str(why), None
    rate, other = _rate(theirs, cut), _rate(ours, cut)
    shares: Cell = None
    if cut is not None and isinstance(rate, Estimate) and isinstance(other, Estimate):
        shares = share_difference(int(np.sum(ours >= cut)), len(ours), int(np.sum(theirs >= cut)), len(theirs))
    return name, shared, len(theirs), _mean(theirs), float(theirs.std(ddof=1)), mean, g, rate, shares


def _one(name: str, exercise: str, marks: Marks, then: Marks, drawn: dict[str, list[object]]) -> tuple[Cell, ...]:
    now, old = (m.marks[:, m.exercises == exercise].ravel() for m in (marks, then))
    now, old = now[~np.isnan(now)], old[~np.isnan(old)]
    label = f"{name}: {exercise}"
    try:
        found, g = mean_difference(now, old), hedges_g(now, old)
    except EvidenceError as why:
        return label, len(old), len(now), str(why), None
    for key, value in (("names", label), ("value", found.value), ("lower", found.lower), ("upper", found.upper)):
        drawn[key].append(value)
    return label, len(old), len(now), found, g


def _changed_limits(name: str, table: Table, old: Table, shared: list[str]) -> list[str]:
    """Criteria whose limits are not what they were, so that marks do not mean the same."""
    now, then = _limits(table, shared), _limits(old, shared)
    changed = [
        key
        for key in now
        if key in then and not np.allclose(now[key], then[key], rtol=LIMITS_SAME, atol=0.0, equal_nan=True)
    ]
    gone = [key for key in {*now, *then} if now and then and (key in now) != (key in then)]
    flags = [
        f"{name}: {e}: {c} had limits {then[e, c][0]:g} to {then[e, c][1]:g}, now {now[e, c][0]:g} to {now[e, c][1]:g}; marks are not alike."
        for e, c in sorted(changed)
    ]
    return flags + [f"{name}: {e}: {c} was ruled on in one cohort only." for e, c in sorted(gone)]


def _limits(table: Table, shared: list[str]) -> dict[tuple[str, str], tuple[float, float]]:
    rows = table.last_attempts().said_by("measured", whole=False)
    rows = rows.where(np.isin(rows["exercise"], shared) & (rows["ruling"] != ""))
    keys = zip(rows["exercise"].astype(str), rows["criterion"].astype(str), strict=True)
    return {
        (str(e), str(c)): (float(low), float(high))
        for (e, c), low, high in zip(keys, rows.number("lower"), rows.number("upper"), strict=True)
    }


def _said(rows: list[tuple[Cell, ...]]) -> str:
    parts = []
    for row in rows:
        found = row[5]
        if isinstance(found, Estimate):
            parts.append(
                f"{found.value:+.1f} points ({found.lower:+.1f} to {found.upper:+.1f}) from {row[0]}, n {row[2]}"
            )
    return "On shared exercises this cohort's mean lies " + "; ".join(parts) + "." if parts else "See the tables."
