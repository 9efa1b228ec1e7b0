"""How the parts of a mark hang together: each part against the rest, and what the mark would be without it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.errors import EvidenceError
from kerfmark.statistics.dependability import cronbach_alpha
from kerfmark.statistics.estimates import Estimate, as_matrix, as_pairs, as_vector, check_level
from kerfmark.statistics.intervals import coverage_factor

__all__ = ["alpha_without", "between_share", "item_total", "pearson"]


def pearson(x: ArrayLike, y: ArrayLike, *, level: float = 0.95) -> Estimate:
    """Linear correlation of two values of the same units.

    Returns
    -------
    Estimate
        Interval by Fisher's z.

    Raises
    ------
    EvidenceError
        If there are fewer than four pairs or one of the two does not vary.

    Notes
    -----
    Source: Fisher (1921). Checked against scipy's `pearsonr(...).confidence_interval`.

    Examples
    --------
    >>> round(pearson([1, 2, 3, 4, 5], [2, 1, 4, 3, 5]).value, 2)
    0.8
    """
    a, b = as_pairs(x, y, names=("x", "y"), least=4)
    if np.ptp(a) <= 1e-12 * max(1.0, float(np.abs(a).max())) or np.ptp(b) <= 1e-12 * max(1.0, float(np.abs(b).max())):
        raise EvidenceError("correlation: one of the two does not vary, so their correlation cannot be said.")
    r = float(np.clip(np.corrcoef(a, b)[0, 1], -1.0, 1.0))
    if abs(r) > 1.0 - 1e-12:
        return Estimate(r, r, r, n=len(a), method="correlation; no error where points lie on a line", level=level)
    half = coverage_factor(check_level(level)) / math.sqrt(len(a) - 3)
    z = math.atanh(r)
    return Estimate(
        r, math.tanh(z - half), math.tanh(z + half), n=len(a), method="correlation; Fisher's z", level=level
    )


def item_total(scores: ArrayLike, item: int) -> Estimate:
    """Correlation of one part with the mean of the other parts (corrected: the part is not in the total).

    Parameters
    ----------
    scores : (people, parts) float array
        No gaps, at least two parts.
    item : int

    Raises
    ------
    EvidenceError
        As `pearson`.

    Examples
    --------
    >>> round(item_total([[1, 2, 1], [2, 3, 3], [3, 3, 4], [4, 5, 4]], 0).value, 2)
    0.98
    """
    table = as_matrix(scores, name="scores")
    return pearson(table[:, item], np.delete(table, item, axis=1).mean(axis=1))


def alpha_without(scores: ArrayLike, item: int) -> Estimate:
    """Cronbach's alpha of the other parts.

    Raises
    ------
    EvidenceError
        If fewer than two parts would be left, or they have no spread.
    """
    return cronbach_alpha(np.delete(as_matrix(scores, name="scores", least=(2, 3)), item, axis=1))


def between_share(values: ArrayLike, groups: ArrayLike) -> Estimate:
    """Share of the spread of values that lies between groups: eta squared of a one-way analysis of variance.

    It is above 0 by chance alone, by about (groups − 1)/(n − 1); no interval is given.

    Raises
    ------
    EvidenceError
        If there is one group only or values do not vary.

    Notes
    -----
    Source: one-way analysis of variance; sums of squares about centred values. Checked against NIST StRD SiRstv.

    Examples
    --------
    >>> between_share([1.0, 2.0, 5.0, 6.0], ["a", "a", "b", "b"]).value
    0.9411764705882353
    """
    y = as_vector(values, name="values", least=3)
    code = np.unique(np.asarray(groups), return_inverse=True)[1]
    y = y - y.mean()
    total = float(np.sum(y**2))
    if code.max() == 0 or total == 0.0:
        raise EvidenceError("share between groups: one group only, or values that do not vary.")
    count = np.bincount(code)
    between = float(np.sum(np.bincount(code, weights=y) ** 2 / count))
    return Estimate(
        between / total, math.nan, math.nan, n=len(y), method="eta squared, one-way analysis of variance; no interval"
    )
