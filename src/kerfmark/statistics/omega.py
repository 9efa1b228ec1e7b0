"""Omega: how much of a sum over parts is what the parts share, where parts need not weigh the same."""

from __future__ import annotations

import math

import numpy as np
import scipy.optimize
from numpy.typing import ArrayLike

from kerfmark.errors import EvidenceError
from kerfmark.statistics.estimates import Estimate, FloatArray, as_matrix, check_level
from kerfmark.statistics.intervals import coverage_factor

__all__ = ["omega_total", "one_factor"]

LEAST_ERROR = 0.005
"""Least share of a part's variance that is its own: below it the model gives the part no error, which no part has."""

LEAST_OMEGA = 0.01


def omega_total(scores: ArrayLike, *, level: float = 0.95) -> Estimate:
    """Omega (total, one factor): share of the variance of a sum that comes from the one thing its parts have in common.

    Alpha is the same where every part weighs the same, and too low where they do not. Trust omega from about 100 people and
    where the parts do measure one thing; with several things in it omega says too much, as alpha does. It stands beside alpha, and
    components of variance answer more: they know of exercises and examiners.

    Parameters
    ----------
    scores : (people, parts) float array
        No gaps; three parts or more.
    level : float

    Returns
    -------
    Estimate
        Interval from the sandwich error (no normal distribution assumed), on the logit scale.

    Raises
    ------
    EvidenceError
        If there are fewer than three parts, a part does not vary, the parts share nothing, or one part would have no error.

    Notes
    -----
    Variant chosen: congeneric model, one factor by maximum likelihood on the covariances, (Σλ)² over (Σλ)² + Σψ; the denominator is the
    model's. Source: McDonald (1999), Jöreskog (1971); error: Browne (1984), Satorra and Bentler (1994). Checked against Spearman's closed
    form of three parts, statsmodels' factor analysis, and alpha where parts weigh the same.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> scores = rng.normal(size=(200, 1)) * [1.0, 0.8, 0.6] + rng.normal(size=(200, 3))
    >>> round(omega_total(scores).value, 2)
    0.58
    """
    table = as_matrix(scores, name="scores", least=(4, 3))
    n = len(table)
    centred = table - table.mean(axis=0)
    covariance = centred.T @ centred / (n - 1)
    loadings, own = one_factor(covariance)
    common = float(loadings.sum()) ** 2
    value = common / (common + float(own.sum()))
    if value < LEAST_OMEGA:
        raise EvidenceError("omega: the parts share nothing, so omega cannot be said.")
    se = _error(centred, covariance, loadings, own)
    half = coverage_factor(check_level(level)) * se / (value * (1.0 - value))
    middle = math.log(value / (1.0 - value))
    lower, upper = (0.5 * (1.0 + math.tanh(0.5 * (middle + side * half))) for side in (-1.0, 1.0))
    return Estimate(
        value,
        lower,
        upper,
        n=n,
        method="omega, one factor by maximum likelihood; logit interval, sandwich error",
        se=se,
        level=level,
    )


def one_factor(covariance: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Loadings and own variances of the one-factor model, by maximum likelihood.

    Parameters
    ----------
    covariance : (parts, parts) float array

    Returns
    -------
    loadings : (parts,) float array
        In the parts' units; their sum is not negative.
    own : (parts,) float array
        Variance that is a part's own.

    Raises
    ------
    EvidenceError
        If a part does not vary, parts share nothing, or a part would have no variance of its own.

    Notes
    -----
    Source: Jöreskog (1967): own variances minimise the likelihood's discrepancy, loadings follow from the first eigenvector.

    Examples
    --------
    >>> loadings, own = one_factor([[2.0, 0.5, 1.0], [0.5, 1.0, 0.5], [1.0, 0.5, 3.0]])
    >>> loadings.round(3), own.round(3)
    (array([1. , 0.5, 1. ]), array([1.  , 0.75, 2.  ]))
    """
    given = np.asarray(covariance, dtype=float)
    sd = np.sqrt(np.diag(given))
    if np.any(sd <= 0.0):
        raise EvidenceError("omega: a part is the same for everyone, so what parts share cannot be said.")
    correlation = given / np.outer(sd, sd)
    start = np.log(np.clip(1.0 / np.diag(np.linalg.pinv(correlation)), 0.05, 0.95))
    bounds = [(math.log(LEAST_ERROR), 0.0)] * len(sd)
    found = scipy.optimize.minimize(_discrepancy, start, args=(correlation,), jac=True, method="L-BFGS-B", bounds=bounds,
                                    options={"ftol": 1e-14, "gtol": 1e-8, "maxiter": 200})  # fmt: skip
    own = np.exp(found.x)
    values, vectors = np.linalg.eigh(correlation / np.sqrt(np.outer(own, own)))
    loadings = np.sqrt(own) * vectors[:, -1] * math.sqrt(max(values[-1] - 1.0, 0.0))
    if own.min() <= LEAST_ERROR * 1.001:
        raise EvidenceError("omega: one part alone would carry all that parts share, so omega cannot be said.")
    if abs(float(loadings.sum())) < 1e-6 or values[-1] <= 1.0 + 1e-9:
        raise EvidenceError("omega: the parts share nothing, so omega cannot be said.")
    return loadings * sd * math.copysign(1.0, float(loadings.sum())), own * sd**2


def _discrepancy(log_own: FloatArray, correlation: FloatArray) -> tuple[float, FloatArray]:
    """The likelihood's discrepancy once loadings are the best for these own variances, and its slope."""
    scale = np.exp(-0.5 * log_own)
    values, vectors = np.linalg.eigh(correlation * np.outer(scale, scale))
    rest, of = np.maximum(values[:-1], 1e-12), vectors[:, :-1]
    return float(np.sum(rest - np.log(rest) - 1.0)), np.asarray((of**2) @ (1.0 - rest))


def _error(centred: FloatArray, covariance: FloatArray, loadings: FloatArray, own: FloatArray) -> float:
    """Standard error of omega: each person's pull on it, through the covariances, whatever their distribution."""
    p = len(own)
    row, column = np.tril_indices(p)
    model = np.outer(loadings, loadings) + np.diag(own)
    unit = np.eye(p)
    by_loading = unit[row] * loadings[column][:, None] + unit[column] * loadings[row][:, None]
    by_own = unit[row] * (row == column)[:, None]
    slopes = np.hstack([by_loading, by_own])
    inverse = np.linalg.inv(model)
    twice = np.where(row == column, 1.0, 2.0)
    weight = 0.25 * np.outer(twice, twice) * (
        inverse[np.ix_(row, row)] * inverse[np.ix_(column, column)] + inverse[np.ix_(row, column)] * inverse[np.ix_(column, row)]
    )  # fmt: skip
    total, rest = float(loadings.sum()), float(own.sum())
    whole = total**2 + rest
    by_part = np.r_[np.full(p, 2.0 * total * rest / whole**2), np.full(p, -(total**2) / whole**2)]
    pull = np.linalg.solve(slopes.T @ weight @ slopes, by_part) @ slopes.T @ weight
    people = (centred[:, row] * centred[:, column] - covariance[row, column]) @ pull
    return float(people.std(ddof=1)) / math.sqrt(len(people))
