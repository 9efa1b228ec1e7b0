"""Learning over attempts: one curve a learner, attempts until a standard is met."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy.optimize
import scipy.stats
from numpy.typing import ArrayLike

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.estimates import Estimate, FloatArray, as_pairs, as_vector, check_level
from kerfmark.statistics.intervals import coverage_factor

__all__ = [
    "Curve", "CurveShape", "TimeTo", "attempts_to", "fitted_curve", "learning_curve",
]  # fmt: skip

CurveShape = Literal["flat", "power", "exponential"]


@dataclass(frozen=True, slots=True)
class Curve:
    """A learner's curve: level reached in the end, gain still to come at the first attempt, rate.

    Attributes
    ----------
    shape : str
        "power" A + B t^−c, "exponential" A + B exp(−c t), or "flat" A.
    asymptote, gain, rate : float
    aicc : dict of str to float
        Of every shape tried; the least is chosen.
    residual_sd : float
    n : int
        Attempts.
    """

    shape: CurveShape
    asymptote: float
    gain: float
    rate: float
    aicc: dict[str, float]
    residual_sd: float
    n: int

    def at(self, attempt: ArrayLike) -> FloatArray:
        """Expected mark at these attempts (1 is the first)."""
        t = np.asarray(attempt, dtype=float)
        return self.asymptote + self.gain * _bend(t, self.rate, self.shape)


@dataclass(frozen=True, slots=True)
class TimeTo:
    """Attempts until a standard was met, those not there yet counted as censored.

    Attributes
    ----------
    attempts, share : float arrays
        Share of learners there after each attempt (Kaplan-Meier), with `lower` and `upper`.
    median : Estimate or str
        Or why it cannot be said.
    n, reached : int
    """

    attempts: FloatArray
    share: FloatArray
    lower: FloatArray
    upper: FloatArray
    median: Estimate | str
    n: int
    reached: int


def fitted_curve(
    model: Callable[..., FloatArray], x: ArrayLike, y: ArrayLike, *, starts: Sequence[Sequence[float]]
) -> tuple[FloatArray, FloatArray, float]:
    """Least squares of any curve from several starting points, the best kept.

    Returns
    -------
    parameters, sds : float arrays
    rss : float
        Residual sum of squares.

    Raises
    ------
    EvidenceError
        If no start leads to a fit.

    Notes
    -----
    Checked against NIST StRD DanWood and BoxBOD.

    Examples
    --------
    >>> x = np.arange(1.0, 7.0)
    >>> parameters, _, _ = fitted_curve(lambda x, a, b: a * x**b, x, 2 * x**0.5, starts=[[1, 1]])
    >>> parameters.round(6)
    array([2. , 0.5])
    """
    a, b = as_pairs(x, y, names=("x", "y"))
    best: tuple[float, FloatArray, FloatArray] | None = None
    for start in starts:
        try:
            with np.errstate(all="ignore"), warnings.catch_warnings():
                warnings.simplefilter("ignore", scipy.optimize.OptimizeWarning)
                at, covariance = scipy.optimize.curve_fit(
                    model, a, b, p0=start, maxfev=20_000, ftol=1e-15, xtol=1e-15, gtol=1e-15
                )
        except (RuntimeError, ValueError):
            continue
        rss = float(np.sum((b - model(a, *at)) ** 2))
        if np.all(np.isfinite(covariance)) and (best is None or rss < best[0]):
            best = (rss, np.asarray(at), np.sqrt(np.diag(covariance)))
    if best is None:
        raise EvidenceError("curve: no start leads to a fit; the values do not follow this shape.")
    return best[1], best[2], best[0]


def learning_curve(attempts: ArrayLike, marks: ArrayLike) -> Curve:
    """One learner's curve over their attempts: flat, power or exponential, whichever AICc prefers.

    Never fit the class mean: averages of exponential curves look like a power curve. Trust the asymptote only where
    the last attempts lie near it.

    Parameters
    ----------
    attempts : (n,) float array
        1, 2, 3, …; gaps are fine.
    marks : (n,) float array

    Returns
    -------
    Curve

    Raises
    ------
    EvidenceError
        If there are fewer than six attempts: with three parameters and an error nothing is left to choose by.

    Notes
    -----
    Rate by search over a grid made finer three times, level and gain by least squares at each rate; so no start can go
    wrong. Rates are kept from .02 to 5. Source: Heathcote, Brown and Mewhort (2000), memory; Hurvich and Tsai (1989).

    Examples
    --------
    >>> t = np.arange(1, 11)
    >>> curve = learning_curve(t, 80 - 30 * np.exp(-0.5 * t))
    >>> curve.shape, round(curve.asymptote, 3), round(curve.rate, 3)
    ('exponential', 80.0, 0.5)
    """
    t, y = as_pairs(attempts, marks, names=("attempts", "marks"), least=6)
    if np.any(t < 1):
        raise InputError("attempts: numbers below 1, expected 1 for the first attempt. Correct them.")
    if len(np.unique(t)) < 4:
        raise EvidenceError("attempts: fewer than four different attempts, so no curve can be told from a line.")
    n = len(y)
    fits: dict[CurveShape, tuple[float, float, float, float]] = {
        "flat": (float(np.sum((y - y.mean()) ** 2)), float(y.mean()), 0.0, 0.0)
    }
    for shape in ("power", "exponential"):
        fits[shape] = _best_bend(t, y, shape)
    scores = {shape: _aicc(found[0], n, 2 if shape == "flat" else 4, y) for shape, found in fits.items()}
    chosen = min(scores, key=lambda shape: scores[shape])
    rss, level, gain, rate = fits[chosen]
    df = n - (1 if chosen == "flat" else 3)
    return Curve(chosen, level, gain, rate, {str(k): v for k, v in scores.items()}, math.sqrt(rss / df), n)


def _bend(t: FloatArray, rate: float, shape: CurveShape) -> FloatArray:
    if shape == "flat":
        return np.zeros_like(t)
    return np.asarray(t**-rate if shape == "power" else np.exp(-rate * t))


def _best_bend(
    t: FloatArray, y: FloatArray, shape: Literal["power", "exponential"]
) -> tuple[float, float, float, float]:
    """Residual sum, level, gain and rate."""
    low, high = math.log(0.02), math.log(5.0)
    for _ in range(5):
        rates = np.exp(np.linspace(low, high, 41))
        z = t[:, None] ** -rates if shape == "power" else np.exp(-rates * t[:, None])
        centred = z - z.mean(axis=0)
        szz = np.maximum(np.sum(centred**2, axis=0), 1e-300)
        gain = centred.T @ y / szz
        level = y.mean() - gain * z.mean(axis=0)
        rss = np.sum((y[:, None] - level - gain * z) ** 2, axis=0)
        at, step = int(np.argmin(rss)), (high - low) / 40
        low, high = math.log(rates[at]) - step, math.log(rates[at]) + step
    return float(rss[at]), float(level[at]), float(gain[at]), float(rates[at])


def _aicc(rss: float, n: int, k: int, y: FloatArray) -> float:
    tiny = 1e-20 * max(1.0, float(y @ y))
    return n * math.log(max(rss, tiny) / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1)


def attempts_to(attempts: ArrayLike, reached: ArrayLike, *, level: float = 0.95) -> TimeTo:
    """Attempts until a standard was met, learners who have not met it counted as censored at their last attempt.

    Trust the median once half have met it; before that it cannot be said, and the share so far can.

    Parameters
    ----------
    attempts : (n,) float array
        Attempt at which each learner met it, or their last.
    reached : (n,) bool array
    level : float

    Returns
    -------
    TimeTo
        Interval of the share by log(−log), of the median by the same (Brookmeyer and Crowley 1982).

    Raises
    ------
    EvidenceError
        If nobody has met it.

    Notes
    -----
    Source: Kaplan and Meier (1958), Greenwood's variance. Checked against statsmodels SurvfuncRight.

    Examples
    --------
    >>> attempts_to([2, 3, 3, 5, 6], [1, 1, 1, 1, 0]).median.value
    3.0
    """
    t = as_vector(attempts, name="attempts", least=2)
    met = np.asarray(reached, dtype=bool)
    if met.shape != t.shape:
        raise InputError(f"reached: {met.size} entries for {len(t)} learners, expected one each. Correct the columns.")
    if not met.any():
        raise EvidenceError(
            f"attempts: none of {len(t)} learners has met the standard yet, so attempts to it cannot be said."
        )
    times = np.unique(t[met])
    at_risk = np.array([np.sum(t >= at) for at in times], dtype=float)
    events = np.array([np.sum(met & (t == at)) for at in times], dtype=float)
    waiting = np.cumprod(1.0 - events / at_risk)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.sqrt(np.cumsum(events / (at_risk * (at_risk - events)))) / np.abs(np.log(waiting))
        z = coverage_factor(check_level(level))
        high, low = waiting ** np.exp(-z * spread), waiting ** np.exp(z * spread)
    high, low = np.where(waiting > 0, high, 0.0), np.where(waiting > 0, low, 0.0)
    return TimeTo(
        times, 1 - waiting, 1 - high, 1 - low, _median(times, waiting, low, high, len(t), level), len(t), int(met.sum())
    )


def _median(
    times: FloatArray, waiting: FloatArray, low: FloatArray, high: FloatArray, n: int, level: float
) -> Estimate | str:
    if waiting[-1] > 0.5:
        return f"fewer than half of {n} learners have met the standard, so the median attempt cannot be said yet."
    first = float(times[np.argmax(low <= 0.5)])
    last = float(times[np.argmax(high <= 0.5)]) if high[-1] <= 0.5 else math.inf
    return Estimate(
        float(times[np.argmax(waiting <= 0.5)]),
        first,
        last,
        n=n,
        method="Kaplan-Meier median; log-log interval",
        level=level,
    )
