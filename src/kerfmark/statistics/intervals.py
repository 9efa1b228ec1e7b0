"""Normal quantiles, coverage factors, and the interval of a proportion."""

from __future__ import annotations

import math
from statistics import NormalDist

from kerfmark.errors import InputError

__all__ = ["DF_LEAST", "coverage_factor", "normal_quantile", "wilson_interval"]

DF_LEAST = 1.0
"""Degrees of freedom of a component of variance under which the upper end of its Satterthwaite interval says nothing (at 1 it lies at a
thousand times the estimate): it is then given as infinite, "not known" in reports."""


def normal_quantile(probability: float) -> float:
    """The value below which a standard normal variable lies with this probability.

    Parameters
    ----------
    probability : float
        More than 0, less than 1.

    Returns
    -------
    z : float

    Raises
    ------
    InputError
        If `probability` is not between 0 and 1.

    Notes
    -----
    Variant: Wichura's algorithm AS 241, as in the standard library. Checked against scipy.stats.norm.

    Examples
    --------
    >>> round(normal_quantile(0.95), 3)
    1.645
    """
    if not 0.0 < probability < 1.0:
        raise InputError(
            f"normal_quantile: probability is {probability}, expected more than 0 and less than 1. Correct it."
        )
    return NormalDist().inv_cdf(probability)


def coverage_factor(level: float = 0.95) -> float:
    """Standard uncertainties on each side that hold a normal variable with probability `level`.

    Notes
    -----
    Source: JCGM 100:2008, annex G, infinitely many degrees of freedom.

    Examples
    --------
    >>> round(coverage_factor(0.95), 2)
    1.96
    """
    return normal_quantile(0.5 * (1.0 + level))


def wilson_interval(hits: int, trials: int, *, level: float = 0.95) -> tuple[float, float]:
    """Interval of a proportion from counts; never leaves [0, 1] and never collapses at 0 or at all.

    Parameters
    ----------
    hits, trials : int
        0 ≤ hits ≤ trials, trials ≥ 1.
    level : float
        Nominal confidence, two-sided.

    Returns
    -------
    lower, upper : float

    Raises
    ------
    InputError
        If the counts cannot be.

    Notes
    -----
    Variant: score interval without continuity correction (Wilson 1927). Choose it over the normal approximation for
    small counts or proportions near 0 or 1. Checked against statsmodels' `proportion_confint(method="wilson")` and
    scipy's `binomtest(...).proportion_ci(method="wilson")`.

    Examples
    --------
    >>> tuple(round(end, 3) for end in wilson_interval(475, 500))
    (0.927, 0.966)
    """
    if not 0 <= hits <= trials or trials < 1:
        raise InputError(
            f"wilson_interval: {hits} of {trials}, expected 0 ≤ hits ≤ trials and trials ≥ 1. Correct the counts."
        )
    z = coverage_factor(level)
    share, shrink = hits / trials, 1.0 + z * z / trials
    middle = (share + z * z / (2 * trials)) / shrink
    half = z / shrink * math.sqrt(share * (1.0 - share) / trials + z * z / (4.0 * trials * trials))
    return max(0.0, middle - half), min(1.0, middle + half)
