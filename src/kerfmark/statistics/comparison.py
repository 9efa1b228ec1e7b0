"""Two methods on the same pieces: bias, limits of agreement, concordance, equivalence."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import scipy.stats
from numpy.typing import ArrayLike

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.clustered import clustered_mean
from kerfmark.statistics.estimates import Estimate, FloatArray, as_pairs, check_level
from kerfmark.statistics.intervals import coverage_factor

__all__ = [
    "BlandAltman", "Equivalence", "bland_altman", "bradley_blackwood", "concordance", "equivalence", "line_fit",
    "repeatability",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class BlandAltman:
    """Differences of two methods, first less second.

    Attributes
    ----------
    bias, lower_limit, upper_limit : Estimate
        Mean difference and the limits that hold 95 % of single differences, each with its interval.
    sd : float
        Standard deviation of the differences.
    slope : Estimate
        Of the difference on the mean of both: bias that grows with size.
    n : int
    """

    bias: Estimate
    lower_limit: Estimate
    upper_limit: Estimate
    sd: float
    slope: Estimate | str
    n: int


@dataclass(frozen=True, slots=True)
class Equivalence:
    """Two one-sided tests against a margin.

    Attributes
    ----------
    difference : Estimate
        Mean difference with the interval that belongs to the tests: 1 − 2 α.
    p : float
        The larger of both one-sided p.
    margin : float
    """

    difference: Estimate
    p: float
    margin: float

    @property
    def shown(self) -> bool:
        """True where the whole interval lies within ± margin."""
        return self.p < 0.5 * (1.0 - self.difference.level)


def bland_altman(
    first: ArrayLike,
    second: ArrayLike,
    *,
    people: ArrayLike | None = None,
    multiplier: float | None = None,
    level: float = 0.95,
) -> BlandAltman:
    """Bias and limits of agreement of two methods, with intervals.

    Trust the limits when differences are about normal and do not grow with size (`slope`); one pair per piece.

    Parameters
    ----------
    first, second : (n,) float arrays
        The same pieces by both methods.
    people : (n,) array, optional
        Whose pieces, where one person has several; errors are then over people.
    multiplier : float, optional
        Standard deviations from bias to limit; 1.96 unless given (the paper of 1986 used 2).
    level : float

    Returns
    -------
    BlandAltman

    Raises
    ------
    InputError, EvidenceError
        If pairs are incomplete or fewer than three.

    Notes
    -----
    Source: Bland and Altman (1986): variance of a limit about 3 s²/n, t with n − 1 degrees of freedom. The slope is
    taken on the mean of both, since on one method alone it is biased.

    Examples
    --------
    >>> found = bland_altman([1.0, 2.0, 3.0, 4.5], [1.1, 1.9, 3.2, 4.3])
    >>> round(found.bias.value, 3), round(found.upper_limit.value, 3)
    (0.0, 0.358)
    """
    x, y = as_pairs(first, second, names=("first", "second"))
    n, d = len(x), x - y
    k = coverage_factor(0.95) if multiplier is None else multiplier
    bias, sd = float(d.mean()), float(d.std(ddof=1))
    t = float(scipy.stats.t.ppf(0.5 * (1 + check_level(level)), n - 1))
    mean = replace(clustered_mean(d, people, level=level), method="mean difference; t interval")
    se_limit = math.sqrt(3.0) * float(mean.se or 0.0)
    words = f"limits of agreement, bias ± {k:.3g} SD; t interval"

    def limit(at: float) -> Estimate:
        return Estimate(at, at - t * se_limit, at + t * se_limit, n=n, method=words, se=se_limit, level=level)

    slope = _slope_on_mean(x, y, level)
    return BlandAltman(mean, limit(bias - k * sd), limit(bias + k * sd), sd, slope, n)


def _slope_on_mean(x: FloatArray, y: FloatArray, level: float) -> Estimate | str:
    try:
        return line_fit((x + y) / 2, x - y, level=level)[1]
    except EvidenceError:
        return "all means are equal, so whether the bias grows with size cannot be said."


def line_fit(x: ArrayLike, y: ArrayLike, *, level: float = 0.95) -> tuple[Estimate, Estimate]:
    """Intercept and slope of the least-squares line of y on x, with t intervals.

    Raises
    ------
    EvidenceError
        If fewer than three pairs, or all x are equal.

    Examples
    --------
    >>> intercept, slope = line_fit([1, 2, 3, 4], [2.1, 3.9, 6.0, 8.1])
    >>> round(slope.value, 2)
    2.01
    """
    a, b = as_pairs(x, y, names=("x", "y"))
    n, centred = len(a), a - a.mean()
    sxx = float(centred @ centred)
    if sxx <= 1e-24 * max(1.0, float(a @ a)):
        raise EvidenceError("x: all values are equal, so no line can be laid through them.")
    slope = float(centred @ b) / sxx
    intercept = float(b.mean() - slope * a.mean())
    rest = b - intercept - slope * a
    s2 = float(rest @ rest) / (n - 2)
    t = float(scipy.stats.t.ppf(0.5 * (1 + check_level(level)), n - 2))
    made = []
    for value, se in ((intercept, math.sqrt(s2 * (1 / n + a.mean() ** 2 / sxx))), (slope, math.sqrt(s2 / sxx))):
        method = "least squares; t interval"
        made.append(Estimate(value, value - t * se, value + t * se, n=n, method=method, se=se, level=level))
    return made[0], made[1]


def repeatability(first: ArrayLike, second: ArrayLike) -> tuple[float, float]:
    """Within-piece standard deviation from pairs of repeats, and the repeatability coefficient 1.96 √2 s_w.

    Notes
    -----
    Source: Bland and Altman (1986): s_w = √(Σd²/2n).

    Examples
    --------
    >>> round(repeatability([1.0, 2.0, 3.0], [1.1, 1.9, 3.2])[0], 3)
    0.1
    """
    x, y = as_pairs(first, second, names=("first", "second"), least=1)
    within = math.sqrt(float(np.mean((x - y) ** 2)) / 2)
    return within, 1.96 * math.sqrt(2.0) * within


def concordance(first: ArrayLike, second: ArrayLike, *, level: float = 0.95) -> Estimate:
    """Lin's concordance: closeness of pairs to the line of equality, from −1 to 1.

    Trust it as a summary beside bias and limits; like every correlation it depends on the spread of the cohort.

    Returns
    -------
    Estimate
        Interval by the z transform.

    Raises
    ------
    EvidenceError
        If fewer than four pairs, or one of both does not vary.

    Notes
    -----
    Source: Lin (1989), denominators n, variance of Z as corrected in 2000. Checked against R epiR.

    Examples
    --------
    >>> round(concordance([1, 2, 3, 4, 5], [1.1, 2.1, 2.9, 4.2, 5.1]).value, 3)
    0.996
    """
    x, y = as_pairs(first, second, names=("first", "second"), least=4)
    n, sx, sy = len(x), float(x.std()), float(y.std())
    if sx == 0.0 or sy == 0.0:
        raise EvidenceError("concordance: one of both gives every piece the same value, so it cannot be said.")
    r = float(np.mean((x - x.mean()) * (y - y.mean())) / (sx * sy))
    shift = float(x.mean() - y.mean())
    c = 2 * r * sx * sy / (sx**2 + sy**2 + shift**2)
    method = "Lin's concordance, n denominators; z interval"
    if abs(c) > 1.0 - 1e-12:
        return Estimate(c, c, c, n=n, method=method, se=0.0, level=level)
    if abs(r) < 1e-12:
        raise EvidenceError("concordance: both are uncorrelated, so its interval cannot be formed.")
    u2 = shift**2 / (sx * sy)
    spread = (1 - r**2) * c**2 / ((1 - c**2) * r**2) + 2 * c**3 * (1 - c) * u2 / (r * (1 - c**2) ** 2)
    spread -= c**4 * u2**2 / (2 * r**2 * (1 - c**2) ** 2)
    half = coverage_factor(check_level(level)) * math.sqrt(max(0.0, spread) / (n - 2))
    z = math.atanh(c)
    se = half / coverage_factor(level) * (1 - c**2)
    return Estimate(c, math.tanh(z - half), math.tanh(z + half), n=n, method=method, se=se, level=level)


def equivalence(first: ArrayLike, second: ArrayLike, *, margin: float, alpha: float = 0.05) -> Equivalence:
    """Are two methods the same within ± margin? Two one-sided paired t tests.

    Trust it with a margin fixed beforehand from the criterion's limits, never from the data.

    Parameters
    ----------
    first, second : (n,) float arrays
    margin : float
        More than 0, in the unit of the readings.
    alpha : float
        Of each test; the interval is 1 − 2 alpha.

    Raises
    ------
    InputError
        If `margin` is not positive.
    EvidenceError
        If all differences are equal.

    Notes
    -----
    Source: Schuirmann (1987). Checked against pingouin.

    Examples
    --------
    >>> equivalence([1.0, 2.1, 2.9, 4.0], [1.1, 2.0, 3.0, 4.0], margin=0.5).shown
    True
    """
    if not margin > 0.0:
        raise InputError(f"margin is {margin}, expected more than 0. Take it from the criterion's limits.")
    x, y = as_pairs(first, second, names=("first", "second"))
    n, d = len(x), x - y
    se = float(d.std(ddof=1)) / math.sqrt(n)
    if se == 0.0:
        raise EvidenceError("equivalence: all differences are equal, so their error cannot be said.")
    mean = float(d.mean())
    p = float(max(scipy.stats.t.sf((mean + margin) / se, n - 1), scipy.stats.t.sf((margin - mean) / se, n - 1)))
    half = float(scipy.stats.t.ppf(1 - alpha, n - 1)) * se
    words = f"mean difference; t interval of the two one-sided tests, margin ± {margin:g}"
    found = Estimate(mean, mean - half, mean + half, n=n, method=words, se=se, level=1 - 2 * alpha)
    return Equivalence(found, p, margin)


def bradley_blackwood(first: ArrayLike, second: ArrayLike) -> tuple[float, float]:
    """F and p of equal means and equal spreads at once (2 and n − 2 degrees of freedom).

    Notes
    -----
    Source: Bradley and Blackwood (1989): regress the difference on the sum.

    Examples
    --------
    >>> f, p = bradley_blackwood([1, 2, 3, 4, 5], [1.2, 1.9, 3.1, 4.2, 4.9])
    >>> round(p, 2)
    0.68
    """
    x, y = as_pairs(first, second, names=("first", "second"), least=4)
    d, total = x - y, x + y
    intercept, slope = line_fit(total, d)
    rest = float(np.sum((d - intercept.value - slope.value * total) ** 2))
    if rest == 0.0:
        raise EvidenceError("Bradley-Blackwood: the differences lie on one line, so there is no error to test against.")
    f = (float(d @ d) - rest) / 2 / (rest / (len(d) - 2))
    return f, float(scipy.stats.f.sf(f, 2, len(d) - 2))
