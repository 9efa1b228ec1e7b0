"""Conditional likelihood of ordered ratings: people's abilities drop out, whatever their distribution.

Given a person's total, the chance of their ratings depends on exercises, examiners and steps only. Its denominator is the
distribution of a sum of independent ratings, built rating by rating; its gradient is the same recursion run backwards.
Estimates are consistent however few ratings a person has, which joint likelihood's are not (two ratings double them).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.optimize
from numpy.typing import NDArray

from kerfmark.errors import EvidenceError
from kerfmark.statistics.estimates import FloatArray

__all__ = ["Counts", "Solution", "counted", "log_weights", "maximise"]

IntArray = NDArray[np.intp]
BOUND = 12.0


@dataclass(frozen=True, slots=True)
class Counts:
    """All that the likelihood needs of the ratings.

    Attributes
    ----------
    patterns : (u, r) int array
        Types of the ratings of each distinct pattern, −1 where it has fewer than r.
    totals : (u, t) float array
        How many people of each pattern have each total.
    used : (types, categories) float array
        How often each category was given to each type.
    """

    patterns: IntArray
    totals: FloatArray
    used: FloatArray


@dataclass(frozen=True, slots=True)
class Solution:
    """Where the conditional likelihood is greatest: parameters, their covariance, and its log."""

    parameters: FloatArray
    covariance: FloatArray
    log_likelihood: float


def counted(person: IntArray, kind: IntArray, rating: IntArray, *, categories: int) -> Counts:
    """Ratings brought to distinct patterns and totals.

    Parameters
    ----------
    person, kind, rating : (n,) int arrays
        Who, which type (exercise × examiner), which category from 0.
    categories : int
    """
    order = np.lexsort((kind, person))
    person, kind, rating = person[order], kind[order], rating[order]
    counts = np.bincount(person)
    slot = np.arange(len(person)) - np.repeat(np.cumsum(counts) - counts, counts)
    rows = np.full((len(counts), int(counts.max())), -1)
    rows[person, slot] = kind
    patterns, which = np.unique(rows, axis=0, return_inverse=True)
    total = np.bincount(person, weights=rating).astype(int)
    totals = np.zeros((len(patterns), rows.shape[1] * (categories - 1) + 1))
    np.add.at(totals, (which.ravel(), total), 1.0)
    used = np.zeros((int(kind.max()) + 1, categories))
    np.add.at(used, (kind, rating), 1.0)
    return Counts(patterns, totals, used)


def log_weights(design: FloatArray, parameters: FloatArray) -> FloatArray:
    """(types, categories): log odds of each category against the lowest, for a person at 0; each row made to sum to 1."""
    eta = design @ parameters
    top = eta.max(axis=1, keepdims=True)
    return np.asarray(eta - top - np.log(np.exp(eta - top).sum(axis=1, keepdims=True)))


def _likelihood(counts: Counts, design: FloatArray, parameters: FloatArray) -> tuple[float, FloatArray]:
    """Log conditional likelihood and its gradient."""
    logs = log_weights(design, parameters)
    weights = np.vstack([np.exp(logs), np.eye(1, logs.shape[1])])  # a last, empty type: always category 0
    categories, (people, longest) = logs.shape[1], counts.patterns.shape
    forward = [np.zeros((people, counts.totals.shape[1]))]
    forward[0][:, 0] = 1.0
    chosen = [weights[counts.patterns[:, r]] for r in range(longest)]
    for r in range(longest):
        made = forward[-1] * chosen[r][:, :1]
        for x in range(1, categories):
            made[:, x:] += forward[-1][:, :-x] * chosen[r][:, x : x + 1]
        forward.append(made)
    last = np.where(counts.totals > 0, forward[-1], 1.0)
    if np.any(last <= 0.0):
        return -np.inf, np.zeros(len(parameters))
    value = float(np.sum(counts.used * logs) - np.sum(counts.totals * np.log(last)))
    expected = np.zeros_like(weights)
    back = counts.totals / last
    for r in range(longest - 1, -1, -1):
        before = back * chosen[r][:, :1]
        reached = np.empty((people, categories))
        reached[:, 0] = np.einsum("ut,ut->u", forward[r], back)
        for x in range(1, categories):
            before[:, :-x] += back[:, x:] * chosen[r][:, x : x + 1]
            reached[:, x] = np.einsum("ut,ut->u", forward[r][:, :-x], back[:, x:])
        np.add.at(expected, counts.patterns[:, r], reached * chosen[r])
        back = before
    return value, np.einsum("kx,kxp->p", counts.used - expected[:-1], design)


def maximise(counts: Counts, design: FloatArray) -> Solution:
    """The greatest conditional likelihood.

    Parameters
    ----------
    counts : Counts
    design : (types, categories, parameters) float array
        Log odds of each category are `design @ parameters`; category 0 has zeros.

    Raises
    ------
    EvidenceError
        If a parameter runs away: some ratings are perfectly ordered, so their distance has no bound.
    """
    start = np.zeros(design.shape[2])

    def negative(at: FloatArray) -> tuple[float, FloatArray]:
        value, slope = _likelihood(counts, design, at)
        return -value, -slope

    found = scipy.optimize.minimize(
        negative, start, jac=True, method="L-BFGS-B", bounds=[(-BOUND, BOUND)] * len(start),
        options={"maxiter": 500, "ftol": 1e-13, "gtol": 1e-7, "maxcor": 30},
    )  # fmt: skip
    at = np.asarray(found.x, dtype=float)
    if np.any(np.abs(at) > BOUND - 0.5):
        raise EvidenceError(
            "ratings: one exercise, examiner or step is always above or below the others, so its distance has no bound. "
            "Leave it out or merge categories."
        )
    information = _information(counts, design, at)
    for _ in range(3):
        at = at + np.linalg.solve(information, _likelihood(counts, design, at)[1])
    covariance = np.asarray(np.linalg.inv(_information(counts, design, at)), dtype=float)
    return Solution(at, covariance, _likelihood(counts, design, at)[0])


def _information(counts: Counts, design: FloatArray, at: FloatArray) -> FloatArray:
    """Minus the second derivatives, by central differences of the gradient."""
    step = 1e-4
    slopes = [
        (_likelihood(counts, design, at - move)[1] - _likelihood(counts, design, at + move)[1]) / (2 * step)
        for move in np.eye(len(at)) * step
    ]
    information = np.array(slopes)
    information = 0.5 * (information + information.T)
    if np.linalg.eigvalsh(information)[0] < 1e-8:
        raise EvidenceError(
            "ratings: exercises, examiners and steps cannot be told apart; the ratings are too few or not crossed."
        )
    return np.asarray(information)
