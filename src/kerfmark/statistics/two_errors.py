"""Lines through pairs in which both values carry error: Deming and Passing-Bablok."""

from __future__ import annotations

import math

import numpy as np
import scipy.stats
from numpy.typing import ArrayLike

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.estimates import Estimate, FloatArray, as_pairs, check_level
from kerfmark.statistics.intervals import coverage_factor

__all__ = ["deming", "passing_bablok"]

PAIRS_MOST = 5000


def deming(
    x: ArrayLike, y: ArrayLike, *, variance_ratio_y_over_x: float = 1.0, level: float = 0.95
) -> tuple[Estimate, Estimate]:
    """Intercept and slope of y on x where both carry error.

    Trust it when the ratio of the two error variances is known, as from repeats of each method.

    Parameters
    ----------
    x, y : (n,) float arrays
    variance_ratio_y_over_x : float
        Error variance of y over error variance of x. Programs differ in which way round they ask; this name says it.
    level : float

    Returns
    -------
    intercept, slope : Estimate
        Jackknife standard errors, t with n − 2 degrees of freedom.

    Raises
    ------
    InputError
        If the ratio is not positive.
    EvidenceError
        If fewer than four pairs, or x and y do not vary together.

    Notes
    -----
    Source: Deming (1943), Linnet (1993) for the jackknife. Checked against a handbook example and R mcr.

    Examples
    --------
    >>> intercept, slope = deming([1, 2, 3, 4], [1.1, 1.9, 3.2, 3.9])
    >>> round(slope.value, 2)
    0.98
    """
    if not variance_ratio_y_over_x > 0.0:
        raise InputError(f"variance_ratio_y_over_x is {variance_ratio_y_over_x}, expected more than 0. Correct it.")
    a, b = as_pairs(x, y, names=("x", "y"), least=4)
    n = len(a)
    value = _deming(a, b, variance_ratio_y_over_x)
    keep = ~np.eye(n, dtype=bool)
    left_out = np.array([_deming(a[k], b[k], variance_ratio_y_over_x) for k in keep])
    pseudo = n * np.array(value) - (n - 1) * left_out
    errors = pseudo.std(axis=0, ddof=1) / math.sqrt(n)
    t = float(scipy.stats.t.ppf(0.5 * (1 + check_level(level)), n - 2))
    method = f"Deming, error variance of y over x = {variance_ratio_y_over_x:g}; jackknife t interval"
    intercept, slope = (
        Estimate(v, v - t * float(e), v + t * float(e), n=n, method=method, se=float(e), level=level)
        for v, e in zip(value, errors, strict=True)
    )
    return intercept, slope


def _deming(x: FloatArray, y: FloatArray, ratio: float) -> tuple[float, float]:
    dx, dy = x - x.mean(), y - y.mean()
    sxx, syy, sxy = float(dx @ dx), float(dy @ dy), float(dx @ dy)
    if sxy == 0.0:
        raise EvidenceError("x and y do not vary together, so no line can be laid through them.")
    gap = syy - ratio * sxx
    slope = (gap + math.sqrt(gap**2 + 4 * ratio * sxy**2)) / (2 * sxy)
    return float(y.mean() - slope * x.mean()), slope


def passing_bablok(x: ArrayLike, y: ArrayLike, *, level: float = 0.95) -> tuple[Estimate, Estimate]:
    """Intercept and slope of y on x from the medians of all pairs, blind to outlying pieces.

    Trust it for methods that rise together and read in the same unit; with fewer than about 30 pieces it is wide.

    Returns
    -------
    intercept, slope : Estimate
        Interval ends by ranks; programs round the ranks differently, so ends agree to about 1e-4 only.

    Raises
    ------
    EvidenceError
        If fewer than five pairs, or too few slopes can be formed.
    InputError
        If there are more than 5000 pairs.

    Notes
    -----
    Source: Passing and Bablok (1983). Checked against R mcr.

    Examples
    --------
    >>> intercept, slope = passing_bablok([1, 2, 3, 4, 5], [1.1, 2.0, 3.1, 4.2, 5.0])
    >>> round(slope.value, 2)
    1.0
    """
    a, b = as_pairs(x, y, names=("x", "y"), least=5)
    n = len(a)
    if n > PAIRS_MOST:
        raise InputError(f"{n} pairs, at most {PAIRS_MOST} are taken here. Draw a sample of pieces at random.")
    slopes = _pair_slopes(a, b)
    count = len(slopes)
    shift = int(np.count_nonzero(slopes < -1.0))
    if count < n or count - shift < 3:
        raise EvidenceError("Passing-Bablok: too few slopes can be formed; most pieces read the same.")
    slope = _median_from(slopes, shift)
    spread = coverage_factor(check_level(level)) * math.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    first = round((count - spread) / 2)
    last = count - first + 1
    low, high = (float(slopes[min(max(at - 1 + shift, 0), count - 1)]) for at in (first, last))
    at = [float(np.median(b - s * a)) for s in (slope, high, low)]
    method = "Passing-Bablok; interval by ranks"
    return (
        Estimate(at[0], min(at[1:]), max(at[1:]), n=n, method=method, level=level),
        Estimate(slope, low, high, n=n, method=method, level=level),
    )


def _pair_slopes(x: FloatArray, y: FloatArray) -> FloatArray:
    """Sorted slopes of all pairs; 0/0 and exactly −1 left out, vertical ones infinite."""
    i, j = np.triu_indices(len(x), k=1)
    dx, dy = x[j] - x[i], y[j] - y[i]
    tiny = 1e-12 * max(float(np.abs(x).max()), float(np.abs(y).max()))
    same_x, same_y = np.abs(dx) < tiny, np.abs(dy) < tiny
    with np.errstate(divide="ignore", invalid="ignore"):
        slopes = np.where(same_x, np.inf * np.sign(dy), dy / dx)
    slopes = slopes[~(same_x & same_y)]
    return np.sort(slopes[np.abs(slopes + 1.0) > 1e-12])


def _median_from(ordered: FloatArray, shift: int) -> float:
    count = len(ordered)
    upper = min(count // 2 + shift, count - 1)
    if count % 2:
        return float(ordered[upper])
    return float(0.5 * (ordered[upper - 1] + ordered[upper]))
