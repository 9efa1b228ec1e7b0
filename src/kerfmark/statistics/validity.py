"""Known groups and dose-response: whether marks part those who should differ, and rise with practice."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.special
import scipy.stats
from numpy.typing import ArrayLike

from kerfmark.errors import EvidenceError
from kerfmark.statistics.estimates import Estimate, FloatArray, as_pairs, as_vector, check_level
from kerfmark.statistics.intervals import coverage_factor

__all__ = ["PairedAuc", "auc", "hedges_g", "mean_difference", "paired_auc", "rank_correlation"]


@dataclass(frozen=True, slots=True)
class PairedAuc:
    """Two marks of the same people, each as a way to part the groups.

    Attributes
    ----------
    first, second, difference : Estimate
    covariance : float
    z, p : float
    """

    first: Estimate
    second: Estimate
    difference: Estimate
    covariance: float
    z: float
    p: float


def auc(lower: ArrayLike, higher: ArrayLike, *, level: float = 0.95) -> Estimate:
    """Chance that one of the group expected higher has the higher mark, ties counting half.

    Trust it with ten in each group. Known groups are weak evidence alone, since they differ in almost everything: show
    dose-response beside it.

    Parameters
    ----------
    lower, higher : float arrays
        Marks of the group expected lower (novices) and higher (experts).

    Returns
    -------
    Estimate
        DeLong's error, normal interval held within 0 to 1.

    Raises
    ------
    EvidenceError
        If a group has fewer than two.

    Notes
    -----
    Source: DeLong, DeLong and Clarke-Pearson (1988). Checked against R pROC and scikit-learn.

    Examples
    --------
    >>> auc([1, 2, 3], [2, 3, 4]).value
    0.7777777777777778
    """
    low, high = as_vector(lower, name="lower", least=2), as_vector(higher, name="higher", least=2)
    above, below = _placements(low, high)
    se = math.sqrt(float(above.var(ddof=1)) / len(high) + float(below.var(ddof=1)) / len(low))
    value = float(above.mean())
    half = coverage_factor(check_level(level)) * se
    n = len(low) + len(high)
    return Estimate(
        value, max(0.0, value - half), min(1.0, value + half), n=n, method="AUC; DeLong interval", se=se, level=level
    )


def paired_auc(lower: ArrayLike, higher: ArrayLike, *, level: float = 0.95) -> PairedAuc:
    """Two marks of the same people compared as ways to part the groups.

    Parameters
    ----------
    lower, higher : (n, 2) float arrays
        Both marks of each person.

    Examples
    --------
    >>> found = paired_auc([[1, 2], [2, 1], [3, 4]], [[3, 2], [4, 5], [5, 3]])
    >>> round(found.difference.value, 3)
    0.222
    """
    low, high = np.asarray(lower, dtype=float), np.asarray(higher, dtype=float)
    ends = [auc(low[:, at], high[:, at], level=level) for at in range(2)]
    placed = [_placements(low[:, at], high[:, at]) for at in range(2)]
    above, below = (np.cov(placed[0][side], placed[1][side])[0, 1] for side in range(2))
    covariance = float(above / len(high) + below / len(low))
    difference = ends[0].value - ends[1].value
    spread = float(ends[0].se or 0.0) ** 2 + float(ends[1].se or 0.0) ** 2 - 2 * covariance
    if spread <= 0.0:
        raise EvidenceError("both marks place everyone alike, so their difference has no error to judge it by.")
    se = math.sqrt(spread)
    half = coverage_factor(level) * se
    found = Estimate(
        difference,
        difference - half,
        difference + half,
        n=ends[0].n,
        method="difference of AUC; DeLong",
        se=se,
        level=level,
    )
    z = difference / se
    return PairedAuc(ends[0], ends[1], found, covariance, z, float(2 * scipy.special.ndtr(-abs(z))))


def _placements(low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray]:
    """For each of the higher group, the share of the lower it beats; for each of the lower, the share that beats it."""
    ordered_low, ordered_high = np.sort(low), np.sort(high)
    above = (np.searchsorted(ordered_low, high, "left") + np.searchsorted(ordered_low, high, "right")) / (2 * len(low))
    below = 1 - (np.searchsorted(ordered_high, low, "left") + np.searchsorted(ordered_high, low, "right")) / (
        2 * len(high)
    )
    return np.asarray(above), np.asarray(below)


def hedges_g(first: ArrayLike, second: ArrayLike, *, level: float = 0.95) -> Estimate:
    """Standardised mean difference, first less second, corrected for small groups.

    Returns
    -------
    Estimate
        Normal interval.

    Raises
    ------
    EvidenceError
        If a group has fewer than two or neither has spread.

    Notes
    -----
    Source: Hedges (1981), the correction by gamma functions. Checked against a printed example (memory) and pingouin.

    Examples
    --------
    >>> round(hedges_g([5.0, 6, 7, 8], [3.0, 4, 5, 6]).value, 3)
    1.346
    """
    a, b = as_vector(first, name="first", least=2), as_vector(second, name="second", least=2)
    return _hedges(float(a.mean() - b.mean()), float(a.var(ddof=1)), float(b.var(ddof=1)), len(a), len(b), level)


def _hedges(difference: float, var_a: float, var_b: float, n_a: int, n_b: int, level: float) -> Estimate:
    df = n_a + n_b - 2
    pooled = math.sqrt(((n_a - 1) * var_a + (n_b - 1) * var_b) / df)
    if pooled == 0.0:
        raise EvidenceError("neither group has any spread, so a standardised difference cannot be said.")
    d = difference / pooled
    correction = math.exp(scipy.special.gammaln(df / 2) - scipy.special.gammaln((df - 1) / 2)) / math.sqrt(df / 2)
    se = correction * math.sqrt((n_a + n_b) / (n_a * n_b) + d**2 / (2 * (n_a + n_b)))
    g, half = correction * d, coverage_factor(check_level(level)) * se
    return Estimate(g, g - half, g + half, n=n_a + n_b, method="Hedges' g; normal interval", se=se, level=level)


def mean_difference(first: ArrayLike, second: ArrayLike, *, level: float = 0.95) -> Estimate:
    """Difference of two groups' means, first less second, in the marks' own unit; spreads may differ (Welch).

    Examples
    --------
    >>> round(mean_difference([5.0, 6, 7, 8], [3.0, 4, 5, 6]).value, 1)
    2.0
    """
    a, b = as_vector(first, name="first", least=2), as_vector(second, name="second", least=2)
    va, vb = float(a.var(ddof=1)) / len(a), float(b.var(ddof=1)) / len(b)
    if va + vb == 0.0:
        raise EvidenceError("neither group has any spread, so the error of their difference cannot be said.")
    se = math.sqrt(va + vb)
    df = (va + vb) ** 2 / (va**2 / (len(a) - 1) + vb**2 / (len(b) - 1))
    value, half = float(a.mean() - b.mean()), float(scipy.stats.t.ppf(0.5 * (1 + check_level(level)), df)) * se
    n = len(a) + len(b)
    return Estimate(
        value, value - half, value + half, n=n, method="difference of means; Welch t interval", se=se, level=level
    )


def rank_correlation(doses: ArrayLike, marks: ArrayLike, *, level: float = 0.95) -> Estimate:
    """Spearman's correlation of marks with attempts or training hours: dose-response without a shape assumed.

    Returns
    -------
    Estimate
        Interval by Fisher's z with Bonett and Wright's error √((1 + r²/2)/(n − 3)).

    Examples
    --------
    >>> round(rank_correlation([1, 2, 3, 4, 5], [2, 1, 4, 3, 5]).value, 2)
    0.8
    """
    x, y = as_pairs(doses, marks, names=("doses", "marks"), least=5)
    if np.ptp(x) == 0.0 or np.ptp(y) == 0.0:
        raise EvidenceError("dose-response: doses or marks are all equal, so their correlation cannot be said.")
    r = float(scipy.stats.spearmanr(x, y).statistic)
    if abs(r) > 1.0 - 1e-12:
        return Estimate(r, r, r, n=len(x), method="Spearman; no error where ranks agree fully", level=level)
    half = coverage_factor(check_level(level)) * math.sqrt((1 + r**2 / 2) / (len(x) - 3))
    z = math.atanh(r)
    return Estimate(
        r, math.tanh(z - half), math.tanh(z + half), n=len(x), method="Spearman; Bonett-Wright interval", level=level
    )
