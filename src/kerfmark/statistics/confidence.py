"""Stated confidence against what came true: Brier score with its parts, calibration, recalibration."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.special
from numpy.typing import ArrayLike

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.estimates import Estimate, FloatArray, as_pairs
from kerfmark.statistics.intervals import coverage_factor, wilson_interval
from kerfmark.statistics.resampling import draws_of, percentile_interval

__all__ = [
    "Brier",
    "CalibrationPoint",
    "Recalibration",
    "brier",
    "calibration_curve",
    "recalibration",
    "spiegelhalter_z",
]


@dataclass(frozen=True, slots=True)
class Brier:
    """Mean squared error of stated chances, in Murphy's parts: reliability − resolution + uncertainty (+ within).

    Attributes
    ----------
    score : Estimate
    reliability, resolution, uncertainty : float
    within : float
        What binning adds; 0 where each bin holds one stated chance.
    skill : float
        1 − score/uncertainty: above 0 is better than always stating the overall share. NaN where all came alike.
    """

    score: Estimate
    reliability: float
    resolution: float
    uncertainty: float
    within: float
    skill: float


@dataclass(frozen=True, slots=True)
class CalibrationPoint:
    """Of those stated with about this chance, how many came true."""

    stated: float
    share: Estimate
    n: int


@dataclass(frozen=True, slots=True)
class Recalibration:
    """Log odds of coming true = intercept + slope · stated log odds; 0 and 1 are well calibrated.

    A slope below 1 is overconfidence. `in_the_large` is the intercept with the slope held at 1.
    """

    intercept: Estimate
    slope: Estimate
    in_the_large: float


def brier(
    stated: ArrayLike, came_true: ArrayLike, *, people: ArrayLike | None = None, draws: int = 2000,
    rng: np.random.Generator | None = None, bins: ArrayLike | None = None, level: float = 0.95,
) -> Brier:  # fmt: skip
    """Brier score with Murphy's parts.

    Trust the parts with thirty judgements or more; pool criteria, and where several come from one person pass `people`,
    so that the interval draws people.

    Parameters
    ----------
    stated : (n,) float array
        Chances from 0 to 1.
    came_true : (n,) array
        0 or 1.
    people : (n,) array, optional
    draws, rng
        Bootstrap; without `rng` no interval.
    bins : float array, optional
        Edges; without them each stated chance is its own bin, and the parts add up exactly.
    level : float

    Raises
    ------
    InputError
        If a chance lies outside 0 to 1 or an outcome is neither 0 nor 1.
    EvidenceError
        If there are fewer than two.

    Notes
    -----
    Source: Murphy (1973). Checked against the computed example of twenty criteria and scikit-learn.

    Examples
    --------
    >>> round(brier([0.2, 0.2, 0.8, 0.8], [0, 0, 1, 1]).score.value, 4)
    0.04
    """
    f, o = _as_judgements(stated, came_true)
    n, share = len(f), float(o.mean())
    codes = np.unique(f, return_inverse=True)[1] if bins is None else np.digitize(f, np.asarray(bins, dtype=float))
    codes = np.unique(codes, return_inverse=True)[1]
    counts = np.bincount(codes)
    f_bar, o_bar = np.bincount(codes, weights=f) / counts, np.bincount(codes, weights=o) / counts
    reliability = float(np.sum(counts * (f_bar - o_bar) ** 2)) / n
    resolution = float(np.sum(counts * (o_bar - share) ** 2)) / n
    uncertainty = share * (1.0 - share)
    each = (f - o) ** 2
    score = float(each.mean())
    lower, upper, words = math.nan, math.nan, "Brier score; no interval"
    units = n
    if rng is not None:
        group = np.arange(n) if people is None else np.unique(np.asarray(people), return_inverse=True)[1]
        units = int(group.max()) + 1
        weights = draws_of(units, draws, rng)
        made = (weights @ np.bincount(group, weights=each)) / (weights @ np.bincount(group))
        lower, upper = percentile_interval(made, level=level)
        words = "Brier score; bootstrap over " + ("judgements" if people is None else "people")
    estimate = Estimate(score, lower, upper, n=units, method=words, level=level)
    skill = 1.0 - score / uncertainty if uncertainty > 0.0 else math.nan
    return Brier(estimate, reliability, resolution, uncertainty, score - reliability + resolution - uncertainty, skill)


def spiegelhalter_z(stated: ArrayLike, came_true: ArrayLike) -> float:
    """Standard normal test of calibration: about 0 where stated chances come true as often as stated.

    Examples
    --------
    >>> round(spiegelhalter_z([0.2, 0.2, 0.8, 0.8], [0, 0, 1, 1]), 3)
    -1.0
    """
    f, o = _as_judgements(stated, came_true)
    spread = float(np.sum((1 - 2 * f) ** 2 * f * (1 - f)))
    if spread <= 0.0:
        raise EvidenceError("stated: only 0, 1 and one half are used, so calibration cannot be tested.")
    return float(np.sum((o - f) * (1 - 2 * f))) / math.sqrt(spread)


def calibration_curve(
    stated: ArrayLike, came_true: ArrayLike, *, bins: int = 5, least: int = 5
) -> list[CalibrationPoint]:
    """Share that came true in bins of stated chance, equally wide; bins of fewer than `least` are left out.

    Examples
    --------
    >>> [point.n for point in calibration_curve([0.1] * 6 + [0.9] * 6, [0] * 6 + [1] * 6)]
    [6, 6]
    """
    f, o = _as_judgements(stated, came_true)
    code = np.minimum((f * bins).astype(int), bins - 1)
    points = []
    for at in np.unique(code):
        own = code == at
        n, hits = int(own.sum()), int(o[own].sum())
        if n >= least:
            lower, upper = wilson_interval(hits, n)
            share = Estimate(hits / n, lower, upper, n=n, method="share that came true; Wilson interval")
            points.append(CalibrationPoint(float(f[own].mean()), share, n))
    return points


def recalibration(stated: ArrayLike, came_true: ArrayLike, *, level: float = 0.95) -> Recalibration:
    """How stated log odds would have to be moved and stretched to come true.

    Trust it with fifty judgements or more. Chances of 0 and 1 are taken as .01 and .99.

    Raises
    ------
    EvidenceError
        If all came true or none did, one chance only was stated, or the outcomes are perfectly parted.

    Notes
    -----
    Source: Cox (1958). Normal interval from the information.

    Examples
    --------
    >>> found = recalibration([0.2] * 5 + [0.5] * 6 + [0.8] * 9, [1, 0, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0] + [1] * 8)
    >>> round(found.slope.value, 4)
    1.3264
    """
    f, o = _as_judgements(stated, came_true)
    x = scipy.special.logit(np.clip(f, 0.01, 0.99))
    if o.min() == o.max() or float(np.ptp(x)) == 0.0:
        raise EvidenceError("stated: all came alike or one chance only was stated, so calibration cannot be fitted.")
    if max(x[o == 0]) < min(x[o == 1]) or max(x[o == 1]) < min(x[o == 0]):
        raise EvidenceError("stated: what came true is perfectly parted from what did not, so no curve can be fitted.")
    beta, covariance = _logistic(np.column_stack([np.ones(len(x)), x]), o)
    large = _logistic(np.ones((len(x), 1)), o, offset=x)[0]
    z = coverage_factor(level)
    words = "logistic recalibration; normal interval"
    ends = [
        Estimate(float(b), float(b - z * s), float(b + z * s), n=len(x), method=words, se=float(s), level=level)
        for b, s in zip(beta, np.sqrt(np.diag(covariance)), strict=True)
    ]
    return Recalibration(ends[0], ends[1], float(large[0]))


def _as_judgements(stated: ArrayLike, came_true: ArrayLike) -> tuple[FloatArray, FloatArray]:
    f, o = as_pairs(stated, np.asarray(came_true, dtype=float), names=("stated", "came_true"), least=2)
    if np.any((f < 0) | (f > 1)):
        raise InputError("stated: a chance lies outside 0 to 1, expected shares. Divide percentages by 100.")
    if np.any((o != 0) & (o != 1)):
        raise InputError("came_true: expected 0 or 1 only. Leave out what is too close to call.")
    return f, o


def _logistic(x: FloatArray, o: FloatArray, offset: FloatArray | float = 0.0) -> tuple[FloatArray, FloatArray]:
    beta = np.zeros(x.shape[1])
    for _ in range(100):
        p = scipy.special.expit(x @ beta + offset)
        information = (x * (p * (1 - p))[:, None]).T @ x
        move = np.linalg.solve(information + 1e-12 * np.eye(len(beta)), x.T @ (o - p))
        beta = beta + move * min(1.0, 2.0 / max(1e-12, float(np.abs(move).max())))
        if float(np.abs(move).max()) < 1e-12:
            break
    return beta, np.asarray(np.linalg.inv(information), dtype=float)
