"""Cumulative sums over attempts, for learners who fail too often or have become adequate, and for instruments that drift."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.special
from numpy.typing import ArrayLike

from kerfmark.errors import InputError
from kerfmark.statistics.estimates import Estimate, FloatArray, as_vector
from kerfmark.statistics.intervals import wilson_interval

__all__ = [
    "Limit",
    "LimitPair",
    "cusum_limits",
    "cusum_path",
    "learning_limit",
    "learning_path",
    "run_length",
    "signal_rate",
]


@dataclass(frozen=True, slots=True)
class LimitPair:
    """Increment and limits of the pass/fail chart: add (failure − s); above `upper` unacceptable, below −`lower` acceptable."""

    s: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class Limit:
    """A simulated limit of the learning chart and the errors that come with it.

    Attributes
    ----------
    h : float
    inadequate_signals, adequate_signals : Estimate
        Chance of a signal within `attempts`, for learners at each rate.
    attempts, runs : int
    """

    h: float
    inadequate_signals: Estimate
    adequate_signals: Estimate
    attempts: int
    runs: int


def cusum_limits(acceptable: float, unacceptable: float, *, alpha: float = 0.1, beta: float = 0.1) -> LimitPair:
    """Limits of a learner's pass/fail chart from two failure rates and two errors.

    The rates change the verdict, so the report prints them beside it.

    Notes
    -----
    Source: sequential probability ratio test as used for trainees (de Leval et al. 1994, memory).

    Examples
    --------
    >>> limits = cusum_limits(0.1, 0.2)
    >>> round(limits.s, 6), round(limits.upper, 6)
    (0.145244, 2.709511)
    """
    _check_rates(acceptable, unacceptable)
    p = math.log(unacceptable / acceptable)
    q = math.log((1 - acceptable) / (1 - unacceptable))
    lower, upper = math.log((1 - alpha) / beta) / (p + q), math.log((1 - beta) / alpha) / (p + q)
    return LimitPair(q / (p + q), lower, upper)


def cusum_path(failures: ArrayLike, limits: LimitPair) -> FloatArray:
    """The chart's line after each attempt, from 0: up with failures, down with successes.

    Examples
    --------
    >>> cusum_path([0, 1], cusum_limits(0.1, 0.2)).round(3)
    array([-0.145,  0.71 ])
    """
    return np.cumsum(_as_failures(failures) - limits.s)


def learning_path(failures: ArrayLike, *, inadequate: float, adequate: float) -> FloatArray:
    """Evidence that a learner has become adequate, after each attempt: max(0, S + W), never below 0.

    Parameters
    ----------
    failures : (n,) array
        1 failed, 0 met.
    inadequate, adequate : float
        Failure rates, the first the greater: the chart starts from "not yet adequate".

    Notes
    -----
    Source: Biau and Porcher (2010); weights are log likelihood ratios (memory).

    Examples
    --------
    >>> learning_path([0, 0, 1], inadequate=0.2, adequate=0.1).round(3)
    array([0.118, 0.236, 0.   ])
    """
    _check_rates(adequate, inadequate)
    gain, loss = _weights(inadequate, adequate)
    at, path = 0.0, []
    for failed in _as_failures(failures):
        at = max(0.0, at + (loss if failed else gain))
        path.append(at)
    return np.array(path)


def signal_rate(
    h: float,
    failure_rate: float,
    *,
    inadequate: float,
    adequate: float,
    attempts: int,
    runs: int,
    rng: np.random.Generator,
) -> Estimate:
    """Chance that a learner with this failure rate signals within so many attempts, simulated, Wilson interval.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> rate = signal_rate(2.0, 0.2, inadequate=0.2, adequate=0.1, attempts=50, runs=2000, rng=rng)
    >>> 0.2 < rate.value < 0.27
    True
    """
    highest = _highest(failure_rate, inadequate, adequate, attempts, runs, rng)
    return _rate(int(np.sum(highest >= h)), runs)


def learning_limit(
    *, inadequate: float, adequate: float, attempts: int, false_signals: float = 0.1, runs: int = 20_000,
    rng: np.random.Generator,
) -> Limit:  # fmt: skip
    """The limit at which a learner who stays inadequate signals within `attempts` no oftener than stated.

    It is simulated for these very rates and attempts, never copied: the same h means other errors elsewhere.

    Parameters
    ----------
    inadequate, adequate : float
        Failure rates.
    attempts : int
    false_signals : float
        Chance allowed.
    runs : int
    rng : Generator

    Returns
    -------
    Limit

    Examples
    --------
    >>> found = learning_limit(inadequate=0.2, adequate=0.1, attempts=50, runs=2000, rng=np.random.default_rng(1))
    >>> found.inadequate_signals.value <= 0.1
    True
    """
    if not 0.0 < false_signals < 1.0:
        raise InputError(f"false_signals is {false_signals}, expected between 0 and 1. Correct it.")
    _check_rates(adequate, inadequate)
    bad = _highest(inadequate, inadequate, adequate, attempts, runs, rng)
    good = _highest(adequate, inadequate, adequate, attempts, runs, rng)
    h = float(np.nextafter(np.quantile(bad, 1.0 - false_signals, method="higher"), np.inf))
    return Limit(h, _rate(int(np.sum(bad >= h)), runs), _rate(int(np.sum(good >= h)), runs), attempts, runs)


def run_length(k: float, h: float, shift: float = 0.0, *, two_sided: bool = False) -> float:
    """Mean attempts or days until a cumulative sum of standard normal readings signals; for drift of rigs and examiners.

    Parameters
    ----------
    k, h : float
        Allowance and limit, in standard deviations.
    shift : float
        True mean shift.
    two_sided : bool

    Notes
    -----
    Source: Page's integral equation by Gauss-Legendre nodes. Checked against R spc's published run lengths.

    Examples
    --------
    >>> round(run_length(0.5, 3.0), 2)
    117.6
    """
    if two_sided:
        return 1.0 / (1.0 / run_length(k, h, shift) + 1.0 / run_length(k, h, -shift))
    nodes, weights = np.polynomial.legendre.leggauss(60)
    y, w = 0.5 * h * (nodes + 1.0), 0.5 * h * weights
    points = np.r_[0.0, y]
    kernel = np.exp(-0.5 * (y[None, :] - points[:, None] + k - shift) ** 2) / math.sqrt(2 * math.pi) * w
    system = np.eye(len(points))
    system[:, 1:] -= kernel
    system[:, 0] -= scipy.special.ndtr(k - shift - points)
    return float(np.linalg.solve(system, np.ones(len(points)))[0])


def _highest(
    rate: float, inadequate: float, adequate: float, attempts: int, runs: int, rng: np.random.Generator
) -> FloatArray:
    """The highest point of each of many simulated charts."""
    gain, loss = _weights(inadequate, adequate)
    at, highest = np.zeros(runs), np.zeros(runs)
    for _ in range(attempts):
        at = np.maximum(0.0, at + np.where(rng.random(runs) < rate, loss, gain))
        highest = np.maximum(highest, at)
    return highest


def _weights(inadequate: float, adequate: float) -> tuple[float, float]:
    return math.log((1 - adequate) / (1 - inadequate)), math.log(adequate / inadequate)


def _rate(hits: int, runs: int) -> Estimate:
    lower, upper = wilson_interval(hits, runs)
    return Estimate(hits / runs, lower, upper, n=runs, method="simulated share of charts that signal; Wilson interval")


def _as_failures(failures: ArrayLike) -> FloatArray:
    found = as_vector(np.asarray(failures, dtype=float), name="failures")
    if np.any((found != 0.0) & (found != 1.0)):
        raise InputError("failures: expected 1 for failed and 0 for met. Leave out what is too close to call.")
    return found


def _check_rates(low: float, high: float) -> None:
    if not 0.0 < low < high < 1.0:
        raise InputError(
            f"failure rates {low} and {high}, expected the acceptable one above 0 and below the unacceptable one. Correct them."
        )
