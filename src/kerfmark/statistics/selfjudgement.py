"""Do learners see their own work as it measures? Bias, spread, concordance; what of an error is which.

What misleads is not offered: correlation alone, self less measured against measured, quartile charts, rankings by insight.
Noise alone makes weak learners look as if they overrated themselves in those.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import scipy.stats
from numpy.typing import ArrayLike

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.clustered import clustered_mean
from kerfmark.statistics.comparison import concordance, line_fit
from kerfmark.statistics.estimates import Estimate, FloatArray, as_pairs, as_vector, check_level
from kerfmark.statistics.intervals import wilson_interval

__all__ = [
    "ErrorParts", "JudgedWell", "ResponseSurface", "SelfJudgement", "difference_reliability", "heteroscedasticity",
    "judged_well", "response_surface", "self_judgement",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class ErrorParts:
    """Mean squared error in three parts that add up to it: bias, unequal spread, lack of correlation."""

    total: float
    bias: float
    spread: float
    scatter: float


@dataclass(frozen=True, slots=True)
class SelfJudgement:
    """Own marks against measured ones.

    Attributes
    ----------
    bias : Estimate
        Mean of own less measured; positive is overrating.
    sd : float
        Of the differences.
    mae : Estimate
        Mean absolute error.
    concordance : Estimate or str
        Lin's, or why not.
    closeness : float
        Lin's C_b: how near the best line is to the line of equality, apart from scatter.
    parts : ErrorParts
    n : int
    """

    bias: Estimate
    sd: float
    mae: Estimate
    concordance: Estimate | str
    closeness: float
    parts: ErrorParts
    n: int

    @property
    def rmse(self) -> float:
        """Root mean squared error."""
        return math.sqrt(self.parts.total)


@dataclass(frozen=True, slots=True)
class ResponseSurface:
    """Quadratic surface of an outcome over two ratings, along agreement (x = y) and disagreement (x = −y).

    Attributes
    ----------
    coefficients : (6,) float array
        1, x, y, x², xy, y².
    agreement_slope, agreement_curve, disagreement_slope, disagreement_curve : Estimate
    """

    coefficients: FloatArray
    agreement_slope: Estimate
    agreement_curve: Estimate
    disagreement_slope: Estimate
    disagreement_curve: Estimate


@dataclass(frozen=True, slots=True)
class JudgedWell:
    """The rule "at least this share of own views agree with the measured ruling", with its error.

    Attributes
    ----------
    share : Estimate
        Of agreeing views, Wilson interval.
    asked : float
    passed : bool
        The share seen reaches what was asked.
    wrong_pass, wrong_fail : float
        How often, judging as many criteria, a learner 10 points below would pass, and one 10 points above would fail.
    """

    share: Estimate
    asked: float
    passed: bool
    wrong_pass: float
    wrong_fail: float


def self_judgement(
    own: ArrayLike, measured: ArrayLike, *, people: ArrayLike | None = None, level: float = 0.95
) -> SelfJudgement:
    """Own marks against measured ones: bias, mean absolute error, concordance and the parts of the error.

    Trust the bias of a cohort from twenty pairs; of one learner over several attempts, never from one.

    Parameters
    ----------
    own, measured : (n,) float arrays
        The same pieces.
    people : (n,) array, optional
        Whose, where one person has several; errors of bias and mean absolute error are then over people, and
        concordance has no interval.
    level : float

    Returns
    -------
    SelfJudgement

    Raises
    ------
    InputError, EvidenceError
        If pairs are incomplete or fewer than three.

    Notes
    -----
    Source: Lin (1989); decomposition of Kobayashi and Salam (2000), n denominators. Checked against a computed group of
    twelve.

    Examples
    --------
    >>> round(self_judgement([66, 60, 70, 62], [52, 55, 58, 60]).bias.value, 2)
    8.25
    """
    s, m = as_pairs(own, measured, names=("own", "measured"))
    n, d = len(s), s - m
    check_level(level)
    sd = float(d.std(ddof=1))
    over = " over people" if people is not None else ""
    bias = replace(clustered_mean(d, people, level=level), method=f"own less measured; t interval{over}")
    off = clustered_mean(np.abs(d), people, level=level)
    mae = replace(off, lower=max(0.0, off.lower), method=f"mean absolute error; t interval{over}")
    try:
        agreed: Estimate | str = concordance(s, m, level=level)
        if people is not None and isinstance(agreed, Estimate):
            agreed = Estimate(
                agreed.value, math.nan, math.nan, n=n, method="Lin's concordance; no interval", level=level
            )
    except EvidenceError as why:
        agreed = str(why)
    ss, sm = float(s.std()), float(m.std())
    shared = float(np.mean((s - s.mean()) * (m - m.mean())))
    parts = ErrorParts(float(np.mean(d**2)), bias.value**2, (ss - sm) ** 2, 2.0 * (ss * sm - shared))
    bottom = ss**2 + sm**2 + bias.value**2
    closeness = 2.0 * ss * sm / bottom if bottom > 0.0 else math.nan
    return SelfJudgement(bias, sd, mae, agreed, closeness, parts, n)


def heteroscedasticity(own: ArrayLike, measured: ArrayLike) -> tuple[Estimate, Estimate]:
    """Do weak learners judge less surely? Glejser's slope of absolute residuals, and the quadratic term of own on measured.

    These, not quartile charts, tell whether the weak see themselves differently (Gignac and Zajenkowski 2020).

    Returns
    -------
    glejser, quadratic : Estimate

    Raises
    ------
    EvidenceError
        If fewer than five pairs, or measured marks take fewer than three values.

    Examples
    --------
    >>> own, measured = [66, 60, 70, 62, 72, 65], [52, 55, 58, 60, 63, 65]
    >>> heteroscedasticity(own, measured)[0].n
    6
    """
    s, m = as_pairs(own, measured, names=("own", "measured"), least=5)
    intercept, slope = line_fit(m, s)
    glejser = line_fit(m, np.abs(s - intercept.value - slope.value * m))[1]
    if len(np.unique(m)) < 3:
        raise EvidenceError("measured: fewer than three different marks, so no curve can be told from a line.")
    x = m - m.mean()
    value, error, df = _least_squares(np.column_stack([np.ones(len(m)), x, x**2]), s)
    return glejser, _t(value[2], math.sqrt(error[2, 2]), df, len(m), "quadratic term, least squares; t interval")


def difference_reliability(own: float, measured: float, correlation: float) -> float:
    """Reliability of own less measured from one piece, for equal spreads: why one attempt says little.

    Notes
    -----
    Source: Edwards (2001).

    Examples
    --------
    >>> difference_reliability(0.75, 0.75, 0.5)
    0.5
    """
    if correlation >= 1.0:
        raise EvidenceError("own and measured agree perfectly, so their difference has no reliability to speak of.")
    return (own + measured - 2 * correlation) / (2 - 2 * correlation)


def response_surface(x: ArrayLike, y: ArrayLike, outcome: ArrayLike, *, level: float = 0.95) -> ResponseSurface:
    """Quadratic surface of an outcome over own (x) and measured (y) ratings, centred alike. For research, over 100 people.

    Raises
    ------
    EvidenceError
        If there are fewer than eight, or x and y do not vary apart.

    Notes
    -----
    Source: Edwards and Parry (1993).

    Examples
    --------
    >>> grid = np.arange(-2, 3)
    >>> x, y = (a.ravel() for a in np.meshgrid(grid, grid))
    >>> round(response_surface(x, y, 5 - (x - y) ** 2).disagreement_curve.value, 9)
    -4.0
    """
    a, b = as_pairs(x, y, names=("x", "y"), least=8)
    z = as_vector(outcome, name="outcome", least=8)
    if len(z) != len(a):
        raise InputError(f"outcome has {len(z)} values for {len(a)} pairs, expected as many. Correct it.")
    columns = np.column_stack([np.ones(len(a)), a, b, a**2, a * b, b**2])
    if np.linalg.matrix_rank(columns) < 6:
        raise EvidenceError("x and y do not vary apart enough for a quadratic surface.")
    value, error, df = _least_squares(columns, z)
    made = []
    for contrast in ([0, 1, 1, 0, 0, 0], [0, 0, 0, 1, 1, 1], [0, 1, -1, 0, 0, 0], [0, 0, 0, 1, -1, 1]):
        c = np.array(contrast, dtype=float)
        made.append(
            _t(float(c @ value), math.sqrt(max(0.0, c @ error @ c)), df, len(a), "response surface; t interval", level)
        )
    return ResponseSurface(value, *made)


def judged_well(agreeing: int, criteria: int, *, asked: float) -> JudgedWell:
    """Whether a learner's own views agree often enough, and how often such a rule errs with so few criteria.

    Parameters
    ----------
    agreeing, criteria : int
        Own views equal to the measured ruling, of those both given (too close to call left out).
    asked : float
        Share that passes, over 0 to 1.

    Raises
    ------
    EvidenceError
        If no criterion was judged.

    Examples
    --------
    >>> found = judged_well(9, 12, asked=0.7)
    >>> found.passed, round(found.wrong_pass, 2), round(found.wrong_fail, 2)
    (True, 0.23, 0.21)
    """
    if criteria < 1:
        raise EvidenceError("no criterion has both an own view and a settled ruling, so own judgement cannot be said.")
    if not 0.0 < asked <= 1.0:
        raise InputError(f"asked is {asked}, expected a share above 0 and at most 1. Correct the rule.")
    lower, upper = wilson_interval(agreeing, criteria)
    needed = math.ceil(asked * criteria - 1e-9)
    share = Estimate(
        agreeing / criteria, lower, upper, n=criteria, method="share of agreeing own views; Wilson interval"
    )
    below, above = max(0.0, asked - 0.1), min(1.0, asked + 0.1)
    wrong_pass = float(scipy.stats.binom.sf(needed - 1, criteria, below))
    wrong_fail = float(scipy.stats.binom.cdf(needed - 1, criteria, above))
    return JudgedWell(share, asked, agreeing >= needed, wrong_pass, wrong_fail)


def _least_squares(columns: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray, int]:
    """Coefficients, their covariance, residual degrees of freedom."""
    value = np.linalg.lstsq(columns, y, rcond=None)[0]
    rest = y - columns @ value
    df = len(y) - columns.shape[1]
    if df < 1:
        raise EvidenceError(f"{len(y)} values for {columns.shape[1]} coefficients; there is no error to judge them by.")
    covariance = float(rest @ rest) / df * np.linalg.inv(columns.T @ columns)
    return np.asarray(value, dtype=float), np.asarray(covariance, dtype=float), df


def _t(value: float, se: float, df: int, n: int, method: str, level: float = 0.95) -> Estimate:
    half = float(scipy.stats.t.ppf(0.5 * (1 + level), df)) * se
    return Estimate(float(value), float(value) - half, float(value) + half, n=n, method=method, se=se, level=level)
