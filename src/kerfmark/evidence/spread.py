"""What the marks look like: who entered, how marks are spread, and how each exercise and criterion behaves."""

from __future__ import annotations

import numpy as np
import scipy.stats

from kerfmark.errors import EvidenceError
from kerfmark.evidence.answer import Answer, Cell, Figure, Grid, Options, counted
from kerfmark.evidence.entered import cohort
from kerfmark.evidence.items import criterion_items, exercise_items
from kerfmark.evidence.marks import Marks
from kerfmark.evidence.table import Table
from kerfmark.statistics.estimates import Estimate, FloatArray

__all__ = ["spread_of_marks"]


def spread_of_marks(table: Table, marks: Marks, cut: float | None, error: float | None, options: Options) -> Answer:
    """Who entered and who passed, how marks are spread, and how each exercise and each criterion behaves.

    Parameters
    ----------
    table : Table
    marks : Marks
    cut, error : float or None
        The pass line and the standard error of a learner's mark, where they could be worked out.
    options : Options
    """
    scores = marks.per_learner[~np.isnan(marks.per_learner)]
    if len(scores) < 3:
        raise EvidenceError(
            f"{len(scores)} learners have a mark in every exercise, at least 3 are needed to show how marks are spread."
        )
    grids = [cohort(table, marks, cut), _distribution(scores, marks)]
    flags: list[str] = []
    figures = [Figure("histogram", *_histogram(scores, cut, error))]
    if len(marks.exercises) > 1:
        grid, more = exercise_items(marks.marks, marks.exercises, options)
        grids.append(grid)
        flags += more
    criteria = criterion_items(table, options)
    if criteria is not None:
        grids += criteria.grids
        figures += criteria.figures
        flags += criteria.flags
    said = (
        f"{len(scores)} of {len(marks.learners)} learners have a mark in each of {len(marks.exercises)} exercises. "
        f"Their mean mark is {scores.mean():.1f} with a standard deviation of {scores.std(ddof=1):.1f}."
    )
    methods = (
        f"Mark of a piece: {marks.source}; last attempt. Mark of a learner: mean over exercises.",
        "Item-total correlation: with the mean of the other exercises, or of the other criteria of the same exercise; Fisher's z interval. Alpha: Feldt's interval. Omega: one factor by maximum likelihood, sandwich interval; above alpha where parts weigh differently.",
        "Difficulty: mean share of the full mark; of a criterion, met counts 1, too close to call one half.",
    )
    return Answer(
        "marks",
        "What do the marks look like?",
        said,
        grids=tuple(grids),
        figures=tuple(figures),
        methods=methods,
        flags=tuple(flags),
    )


def _histogram(scores: FloatArray, cut: float | None, error: float | None) -> tuple[str, dict[str, object]]:
    caption = "Marks of learners, mean over exercises"
    if cut is not None:
        caption += "; line: the pass line" + ("; band: one standard error of a mark on each side" if error else "")
    return f"{caption}, {len(scores)} learners", {"marks": scores.tolist(), "cut": cut, "error": error}


def _distribution(scores: FloatArray, marks: Marks) -> Grid:
    q = np.quantile(scores, [0.25, 0.5, 0.75])
    se = float(scores.std(ddof=1)) / np.sqrt(len(scores))
    half = float(scipy.stats.t.ppf(0.975, len(scores) - 1)) * se
    mean = Estimate(
        float(scores.mean()), float(scores.mean() - half), float(scores.mean() + half), n=len(scores), method="t", se=se
    )
    rows: tuple[tuple[Cell, ...], ...] = (
        ("learners with a mark in every exercise", len(scores)),
        ("learners with a gap, left out here", int(len(marks.learners) - len(scores))),
        ("mean", mean),
        ("standard deviation", float(scores.std(ddof=1))),
        ("lower quartile, median, upper quartile", f"{q[0]:.1f}, {q[1]:.1f}, {q[2]:.1f}"),
        ("least and greatest", f"{scores.min():.1f}, {scores.max():.1f}"),
        ("skewness", float(scipy.stats.skew(scores)) if np.ptp(scores) > 1e-9 else None),
        ("at 100, at 0", f"{counted(int(np.sum(scores >= 100)))}, {counted(int(np.sum(scores <= 0)))}"),
    )
    return Grid(
        "Spread of learners' marks", ("", "value"), rows, (0, 1), "Marks of all learners who have every exercise."
    )
