"""Pieces that were judged more than once: who judged them, what each said, and how far two may lie apart."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.evidence.table import Table
from kerfmark.statistics.estimates import FloatArray

__all__ = ["Pairs", "examiner_pairs", "first_device", "piece_codes", "ratings_of", "spread_on_one_piece"]


def piece_codes(rows: Table, *names: str) -> NDArray[np.intp]:
    """One number for each distinct combination of the named columns."""
    joined = rows[names[0]].astype(str)
    for name in names[1:]:
        joined = np.char.add(np.char.add(joined, "\x1f"), rows[name].astype(str))
    return np.asarray(np.unique(joined, return_inverse=True)[1], dtype=np.intp)


def first_device(rows: Table) -> NDArray[np.bool_]:
    """Rows of one device for each piece and criterion, so that what several devices read counts once.

    The device whose reading was ruled on, else the first by name.
    """
    if len(np.unique(rows["device"])) < 2:
        return np.ones(len(rows), dtype=bool)
    piece, device = (
        piece_codes(rows, "learner", "exercise", "attempt", "criterion"),
        np.unique(rows["device"], return_inverse=True)[1],
    )
    order = np.lexsort((device, rows["ruling"] == "", piece))
    first = order[np.unique(piece[order], return_index=True)[1]]
    return np.asarray(device == device[first][piece])


def ratings_of(rows: Table, column: str, other: str) -> tuple[FloatArray, NDArray[np.str_]]:
    """What each judge said of each piece, and whose piece it is.

    Parameters
    ----------
    rows : Table
        Rows with a number in `column`.
    column, other : str
        What was said, and the column that tells judges apart.

    Returns
    -------
    ratings : (pieces, judges) float array
        NaN where a judge said nothing; repeats of one judge are averaged; only pieces judged twice.
    whose : (pieces,) array of str
    """
    if not len(rows):
        return np.zeros((0, 0)), np.zeros(0, dtype=str)
    piece, judge = piece_codes(rows, "learner", "exercise", "attempt", "criterion"), piece_codes(rows, other)
    size = (piece.max() + 1, judge.max() + 1)
    at = piece * size[1] + judge
    count = np.bincount(at, minlength=size[0] * size[1])
    total = np.bincount(at, weights=rows.number(column), minlength=size[0] * size[1])
    made = np.where(count > 0, total / np.maximum(count, 1), np.nan).reshape(size)
    twice = np.count_nonzero(~np.isnan(made), axis=1) >= 2
    whose = rows["learner"].astype(str)[np.unique(piece, return_index=True)[1]]
    return np.asarray(made[twice]), whose[twice]


def spread_on_one_piece(ratings: FloatArray) -> float:
    """Standard deviation of judges on one piece, pooled over pieces: the standard error of one judge's mark."""
    squares = np.nansum((ratings - np.nanmean(ratings, axis=1, keepdims=True)) ** 2)
    return float(np.sqrt(squares / (np.sum(~np.isnan(ratings)) - len(ratings))))


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """First marks of two examiners on the same piece; three examiners make three pairs.

    Attributes
    ----------
    learner, exercise : (n,) arrays of str
    attempt : (n,) float array
    first, second : (n,) arrays of str
        Examiners, in the order of their codes.
    first_mark, second_mark : (n,) float arrays
    error : float
        Standard error of one examiner's mark; NaN where it cannot be said.
    """

    learner: NDArray[np.str_]
    exercise: NDArray[np.str_]
    attempt: FloatArray
    first: NDArray[np.str_]
    second: NDArray[np.str_]
    first_mark: FloatArray
    second_mark: FloatArray
    error: float

    def __len__(self) -> int:
        return len(self.learner)

    @property
    def difference(self) -> FloatArray:
        """First less second."""
        return np.asarray(self.first_mark - self.second_mark)

    def limit(self, factor: float) -> float:
        """A difference larger than error alone makes it: `factor` errors of a difference; NaN where no error is known."""
        return factor * math.sqrt(2.0) * self.error


def examiner_pairs(last: Table) -> Pairs | None:
    """Every two examiners' first marks of the same piece; None where no piece has two."""
    whole = last.said_by("examiner", whole=True)
    scored = whole.where(~np.isnan(whole.number("score")))
    rows = scored.where(scored.number("repeat") == 1)
    if not len(rows):
        return None
    piece = piece_codes(rows, "learner", "exercise", "attempt")
    order = np.lexsort((rows["examiner"].astype(str), piece))
    rows, piece = rows.where(order), piece[order]
    most = int(np.bincount(piece).max())
    left, right = [], []
    for step in range(1, most):
        at = np.flatnonzero(piece[step:] == piece[:-step])
        left.append(at)
        right.append(at + step)
    if not left or not sum(map(len, left)):
        return None
    a, b = np.concatenate(left), np.concatenate(right)
    score, examiner = rows.number("score"), rows["examiner"].astype(str)
    ratings, _ = ratings_of(scored, "score", "examiner")
    error = spread_on_one_piece(ratings) if len(ratings) > 1 else math.nan
    return Pairs(rows["learner"].astype(str)[a], rows["exercise"].astype(str)[a], rows.number("attempt")[a], examiner[a], examiner[b],
                 score[a], score[b], error)  # fmt: skip
