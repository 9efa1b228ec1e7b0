"""What the marks look like: who has which, their spread, and how each exercise and criterion behaves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.stats
from numpy.typing import NDArray

from kerfmark.errors import EvidenceError
from kerfmark.evidence.answer import Answer, Cell, Figure, Grid, Options, counted
from kerfmark.evidence.table import Table
from kerfmark.statistics.dependability import alpha_if_removed, cronbach_alpha
from kerfmark.statistics.estimates import Estimate, FloatArray
from kerfmark.statistics.intervals import wilson_interval

__all__ = ["Marks", "marks_of", "spread_of_marks"]


@dataclass(frozen=True, slots=True, eq=False)
class Marks:
    """Each learner's mark at their last attempt at each exercise.

    Attributes
    ----------
    learners, exercises : arrays of str
    marks : (learners, exercises) float array
        NaN where there is none.
    grades : (learners, exercises) float array
        Mean overall view of the examiners.
    source : str
        "measured" or "examiners' mean".
    """

    learners: NDArray[np.str_]
    exercises: NDArray[np.str_]
    marks: FloatArray
    grades: FloatArray
    source: str

    @property
    def per_learner(self) -> FloatArray:
        """Mean over exercises of those who have every exercise; NaN for the others."""
        return np.asarray(self.marks.mean(axis=1))

    @property
    def complete(self) -> FloatArray:
        """Rows without a gap."""
        return np.asarray(self.marks[~np.isnan(self.marks).any(axis=1)])

    def pieces(self) -> tuple[NDArray[np.intp], NDArray[np.intp], FloatArray, FloatArray]:
        """Learner, exercise, mark and grade of every piece that has both."""
        both = ~np.isnan(self.marks) & ~np.isnan(self.grades)
        learner, exercise = np.nonzero(both)
        return learner, exercise, self.marks[both], self.grades[both]


def marks_of(table: Table) -> Marks:
    """The marks that decisions rest on.

    Raises
    ------
    EvidenceError
        If no piece has a score.
    """
    last = table.last_attempts()
    whole = last.where(last["criterion"] == "")
    measured = whole.where((whole["by"] == "measured") & ~np.isnan(whole.number("score")))
    examined = whole.where((whole["by"] == "examiner") & ~np.isnan(whole.number("score")))
    graded = whole.where((whole["by"] == "examiner") & ~np.isnan(whole.number("grade")))
    chosen, source = (measured, "measured") if len(measured) else (examined, "examiners' mean")
    if not len(chosen):
        raise EvidenceError(
            "the table has no score of a whole piece, so there are no marks to look into. Add rows with a score and no criterion."
        )
    learners, exercises = np.unique(chosen["learner"].astype(str)), np.unique(chosen["exercise"].astype(str))
    marks = _mean_table(chosen, "score", learners, exercises)
    return Marks(learners, exercises, marks, _mean_table(graded, "grade", learners, exercises), source)


def _mean_table(rows: Table, column: str, learners: NDArray[np.str_], exercises: NDArray[np.str_]) -> FloatArray:
    known = np.isin(rows["learner"], learners) & np.isin(rows["exercise"], exercises)
    rows = rows.where(known)
    at = np.searchsorted(learners, rows["learner"].astype(str)) * len(exercises)
    at = at + np.searchsorted(exercises, rows["exercise"].astype(str))
    size = len(learners) * len(exercises)
    count = np.bincount(at, minlength=size)
    total = np.bincount(at, weights=rows.number(column), minlength=size)
    made = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return np.asarray(made.reshape(len(learners), len(exercises)))


def spread_of_marks(table: Table, marks: Marks, options: Options) -> Answer:
    """How marks are spread, and how each exercise and each criterion behaves."""
    scores = marks.per_learner[~np.isnan(marks.per_learner)]
    if len(scores) < 3:
        raise EvidenceError(
            f"{len(scores)} learners have a mark in every exercise, at least 3 are needed to show how marks are spread."
        )
    grids = [_distribution(scores, marks)]
    flags: list[str] = []
    if len(marks.exercises) > 1:
        grids.append(_exercises(marks, options, flags))
    criteria = _criteria(table, flags)
    if criteria is not None:
        grids.append(criteria)
    said = (
        f"{len(scores)} of {len(marks.learners)} learners have a mark in each of {len(marks.exercises)} exercises. "
        f"Their mean mark is {scores.mean():.1f} with a standard deviation of {scores.std(ddof=1):.1f}."
    )
    methods = (
        f"Mark of a piece: {marks.source}; last attempt. Mark of a learner: mean over exercises.",
        "Item-total correlation: with the mean of the other exercises. Difficulty: mean share of the full mark.",
    )
    figure = Figure("histogram", "Marks of learners, mean over exercises", {"marks": scores.tolist()})
    return Answer(
        "marks",
        "What do the marks look like?",
        said,
        grids=tuple(grids),
        figures=(figure,),
        methods=methods,
        flags=tuple(flags),
    )


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


def _exercises(marks: Marks, options: Options, flags: list[str]) -> Grid:
    full = marks.complete
    rows: list[tuple[Cell, ...]] = []
    enough = len(full) >= 3
    without = alpha_if_removed(full) if enough and full.shape[1] > 2 else np.full(len(marks.exercises), np.nan)
    try:
        whole: Estimate | None = cronbach_alpha(full) if enough else None
    except EvidenceError:
        whole = None
    for at, name in enumerate(marks.exercises):
        own = marks.marks[:, at][~np.isnan(marks.marks[:, at])]
        rest = np.delete(full, at, axis=1).mean(axis=1) if enough else np.zeros(0)
        r = (
            float(np.corrcoef(full[:, at], rest)[0, 1])
            if enough and np.ptp(full[:, at]) > 0 and np.ptp(rest) > 0
            else None
        )
        rows.append((str(name), len(own), float(own.mean() / 100), float(own.std(ddof=1)) if len(own) > 1 else None, r,
                     float(without[at]) if np.isfinite(without[at]) else None, int(len(marks.learners) - len(own))))  # fmt: skip
        if r is not None and r < options.alpha_flag:
            flags.append(f"Exercise {name}: item-total correlation {r:.2f}, below {options.alpha_flag:.2f}.")
        if whole is not None and np.isfinite(without[at]) and without[at] > whole.value:
            flags.append(f"Exercise {name}: without it alpha would be {without[at]:.2f} instead of {whole.value:.2f}.")
    alpha = (
        f"Alpha over exercises {whole.value:.2f} ({whole.lower:.2f} to {whole.upper:.2f}), n {whole.n}."
        if whole
        else ""
    )
    header = ("exercise", "n", "difficulty", "SD", "item-total r", "alpha without", "missing")
    return Grid("Exercises", header, tuple(rows), (0, 0, 2, 1, 2, 2, 0), alpha)


def _criteria(table: Table, flags: list[str]) -> Grid | None:
    rows_of = table.last_attempts().said_by("measured", whole=False)
    rows_of = rows_of.where(rows_of["ruling"] != "")
    if not len(rows_of):
        return None
    rows: list[tuple[Cell, ...]] = []
    keys = np.char.add(np.char.add(rows_of["exercise"].astype(str), ": "), rows_of["criterion"].astype(str))
    for key in np.unique(keys):
        own = rows_of.where(keys == key)
        n = len(own)
        met, close = int(np.sum(own["ruling"] == "met")), int(np.sum(own["ruling"] == "too close to call"))
        low, high = wilson_interval(met, n)
        rows.append(
            (
                str(key),
                n,
                Estimate(met / n, low, high, n=n, method="Wilson"),
                f"{counted(close)} ({100 * close / n:.0f} %)" if close == 0 or close >= 5 else counted(close),
            )
        )
        if met / n > 0.95 or met / n < 0.20:
            flags.append(
                f"Criterion {key}: met in {100 * met / n:.0f} % of {n} pieces; it hardly tells learners apart."
            )
    return Grid(
        "Criteria",
        ("criterion", "n", "share met", "too close to call"),
        tuple(rows),
        (0, 0, 2, 0),
        "Share of pieces that met each criterion, with a 95 % interval.",
    )
