"""Each exercise as a station of an exam: what it fails, and whether its marks follow examiners' overall views."""

from __future__ import annotations

import math

import numpy as np
import scipy.stats
from numpy.typing import NDArray

from kerfmark.errors import EvidenceError
from kerfmark.evidence.answer import GROUP_LEAST, Cell, Grid, Options
from kerfmark.evidence.items import ruling_scores
from kerfmark.evidence.marks import Marks
from kerfmark.evidence.table import Table
from kerfmark.statistics.dependability import cronbach_alpha
from kerfmark.statistics.estimates import Estimate, FloatArray
from kerfmark.statistics.items import between_share, pearson

__all__ = ["stations"]

PLACES = ("site", "rig", "device")


def stations(table: Table, marks: Marks, options: Options) -> tuple[Grid | None, list[str]]:
    """R² of marks on overall views, marks gained a grade, spread between sites, and alpha of the criteria.

    Returns
    -------
    grid : Grid or None
        None where no exercise has ten pieces with a mark and a view.
    flags : list of str
        Exercises whose marks hardly follow the views, or gain far less or more than a grade is worth.
    """
    last = table.last_attempts()
    _, exercise, y, g = marks.pieces()
    place = next((name for name in PLACES if len(_groups(last, name)) > 1), "")
    rows: list[tuple[Cell, ...]] = []
    flags: list[str] = []
    for at, name in enumerate(marks.exercises):
        own = exercise == at
        if own.sum() < GROUP_LEAST or np.ptp(g[own]) == 0.0 or np.ptp(y[own]) == 0.0:
            continue
        r2, step = _r2(y[own], g[own]), _step(y[own], g[own])
        between = _between(last, marks, at, place) if place else None
        rows.append((str(name), int(own.sum()), r2, step, between, _alpha(last, str(name))))
        if r2.value < options.r2_flag:
            flags.append(
                f"Exercise {name}: R² of marks on overall views is {r2.value:.2f}, below {options.r2_flag:.2f}."
            )
        if not options.step_least <= step.value <= options.step_most:
            flags.append(
                f"Exercise {name}: a grade is worth {step.value:.1f} marks, expected {options.step_least:g} to {options.step_most:g}."
            )
    if not rows:
        return None, flags
    groups = len(_groups(last, place)) if place else 0
    said = "R² and marks a grade: measured mark on the examiners' mean overall view. "
    said += (
        f"Between {place}s: share of the spread of marks, by chance alone about {100 * (groups - 1) / max(1, len(marks.learners) - 1):.0f} %."
        if place
        else ""
    )
    header = (
        "exercise",
        "n",
        "R² (95 %)",
        "marks a grade (95 %)",
        f"between {place or 'site'}s, %",
        "alpha of criteria (95 %)",
    )
    return Grid("Exercises as stations", header, tuple(rows), (0, 0, 2, 1, 0, 2), said.strip()), flags


def _groups(last: Table, column: str) -> list[str]:
    whole = last.said_by("measured", whole=True)
    names, counts = np.unique(whole[column][whole[column] != ""], return_counts=True)
    return [str(n) for n, c in zip(names, counts, strict=True) if c >= GROUP_LEAST]


def _r2(y: FloatArray, g: FloatArray) -> Estimate:
    """Squared correlation; ends are those of the correlation, squared, with 0 between unlike signs."""
    r = pearson(g, y)
    ends = sorted((r.lower**2, r.upper**2))
    low = 0.0 if r.lower <= 0.0 <= r.upper else ends[0]
    return Estimate(r.value**2, low, ends[1], n=r.n, method="R²; Fisher's z interval of the correlation")


def _step(y: FloatArray, g: FloatArray) -> Estimate:
    found = scipy.stats.linregress(g, y)
    half = float(scipy.stats.t.ppf(0.975, len(y) - 2)) * float(found.stderr)
    slope = float(found.slope)
    return Estimate(
        slope,
        slope - half,
        slope + half,
        n=len(y),
        method="slope of marks on views; t interval",
        se=float(found.stderr),
    )


def _between(last: Table, marks: Marks, at: int, place: str) -> Cell:
    whole = last.said_by("measured", whole=True)
    whole = whole.where((whole["exercise"] == marks.exercises[at]) & np.isin(whole[place], _groups(last, place)))
    group = dict(zip(whole["learner"].astype(str), whole[place].astype(str), strict=True))
    known: NDArray[np.bool_] = np.array([str(name) in group for name in marks.learners]) & ~np.isnan(marks.marks[:, at])
    if not known.any():
        return None
    try:
        share = between_share(marks.marks[known, at], [group[str(name)] for name in marks.learners[known]])
    except EvidenceError:
        return None
    return 100 * share.value


def _alpha(last: Table, exercise: str) -> Estimate | None:
    rows = last.said_by("measured", whole=False)
    rows = rows.where((rows["exercise"] == exercise) & (rows["ruling"] != ""))
    if not len(rows):
        return None
    scores, _, criteria = ruling_scores(rows)
    full = scores[~np.isnan(scores).any(axis=1)]
    if len(criteria) < 2 or len(full) < GROUP_LEAST:
        return None
    try:
        found = cronbach_alpha(full)
    except EvidenceError:
        return None
    return found if math.isfinite(found.value) else None
