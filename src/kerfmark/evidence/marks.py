"""The marks that decide: each learner's mark at their last attempt at each exercise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import EvidenceError
from kerfmark.evidence.table import Table
from kerfmark.statistics.estimates import FloatArray

__all__ = ["Marks", "marks_of", "placed"]


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
    marks = placed(chosen, "score", learners, exercises)
    return Marks(learners, exercises, marks, placed(graded, "grade", learners, exercises), source)


def placed(rows: Table, column: str, learners: NDArray[np.str_], exercises: NDArray[np.str_]) -> FloatArray:
    """Mean of a column for each learner and exercise, NaN where nothing was said."""
    known = np.isin(rows["learner"], learners) & np.isin(rows["exercise"], exercises)
    rows = rows.where(known)
    at = np.searchsorted(learners, rows["learner"].astype(str)) * len(exercises)
    at = at + np.searchsorted(exercises, rows["exercise"].astype(str))
    size = len(learners) * len(exercises)
    count = np.bincount(at, minlength=size)
    total = np.bincount(at, weights=rows.number(column), minlength=size)
    made = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return np.asarray(made.reshape(len(learners), len(exercises)))
