"""Two shares held against one another: their difference and their ratio."""

from __future__ import annotations

import math

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.estimates import Estimate, check_level
from kerfmark.statistics.intervals import coverage_factor, wilson_interval

__all__ = ["share_difference", "share_ratio"]


def share_difference(hits: int, trials: int, other_hits: int, other_trials: int, *, level: float = 0.95) -> Estimate:
    """Difference of two independent shares, first less second.

    Parameters
    ----------
    hits, trials, other_hits, other_trials : int

    Returns
    -------
    Estimate
        Between -1 and 1; interval from the two score intervals, which stays honest near 0 and 1.

    Notes
    -----
    Source: Newcombe (1998), method 10. Checked against his printed example and statsmodels.

    Examples
    --------
    >>> found = share_difference(56, 70, 48, 80)
    >>> round(found.value, 3), round(found.lower, 4), round(found.upper, 4)
    (0.2, 0.0524, 0.3339)
    """
    a, b = _share(hits, trials), _share(other_hits, other_trials)
    low_a, high_a = wilson_interval(hits, trials, level=level)
    low_b, high_b = wilson_interval(other_hits, other_trials, level=level)
    value = a - b
    lower = value - math.hypot(a - low_a, high_b - b)
    upper = value + math.hypot(high_a - a, b - low_b)
    return Estimate(value, lower, upper, n=trials + other_trials, method="difference of shares; Newcombe's interval", level=level)  # fmt: skip


def share_ratio(hits: int, trials: int, other_hits: int, other_trials: int, *, level: float = 0.95) -> Estimate:
    """Ratio of two independent shares, first over second.

    Trust it with at least five hits on each side; print both n beside it, since a ratio hides how few they were.

    Returns
    -------
    Estimate
        Normal interval of the logarithm.

    Raises
    ------
    EvidenceError
        If a side has no hit.

    Notes
    -----
    Source: Katz et al. (1978). Checked against scipy's `relative_risk` and a printed example.

    Examples
    --------
    >>> round(share_ratio(30, 40, 25, 50).value, 2)
    1.5
    """
    a, b = _share(hits, trials), _share(other_hits, other_trials)
    if not hits or not other_hits:
        raise EvidenceError("a ratio of shares: one side has none at all, so a ratio cannot be said.")
    se = math.sqrt(1 / hits - 1 / trials + 1 / other_hits - 1 / other_trials)
    value, width = a / b, math.exp(coverage_factor(check_level(level)) * se)
    return Estimate(value, value / width, value * width, n=trials + other_trials, method="ratio of shares; interval of its logarithm", level=level)  # fmt: skip


def _share(hits: int, trials: int) -> float:
    if not 0 <= hits <= trials or trials < 1:
        raise InputError(f"share: {hits} of {trials}, expected 0 ≤ hits ≤ trials and trials ≥ 1. Correct the counts.")
    return hits / trials
