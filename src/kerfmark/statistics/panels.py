"""Pass lines from a panel's judgement: modified Angoff, Ebel, Hofstee."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.stats
from numpy.typing import ArrayLike

from kerfmark.errors import InputError
from kerfmark.statistics.estimates import Estimate, FloatArray, as_matrix, as_vector, check_level

__all__ = ["Angoff", "Hofstee", "angoff", "ebel", "hofstee"]


@dataclass(frozen=True, slots=True)
class Angoff:
    """A modified Angoff line.

    Attributes
    ----------
    cut : Estimate
        Its error holds for these items and other judges.
    se_both : float
        Error over other judges and other items.
    judge_means : float array
    projected_se : dict of int to float
        Error (these items) with other numbers of judges.
    """

    cut: Estimate
    se_both: float
    judge_means: FloatArray
    projected_se: dict[int, float]


@dataclass(frozen=True, slots=True)
class Hofstee:
    """Where the fail-rate curve meets the panel's line.

    Attributes
    ----------
    cut, fail_rate : float
        By the interpolated whole-mark curve.
    step_cut : float
        The whole mark at which the step curve jumps over the line.
    n : int
    """

    cut: float
    fail_rate: float
    step_cut: float
    n: int


def angoff(judgements: ArrayLike, *, projected: tuple[int, ...] = (8, 10, 15), level: float = 0.95) -> Angoff:
    """Line of a panel that says, per item, what a borderline learner would get.

    Trust it after a round of discussion with data; its error says nothing of a panel that shares one view.

    Parameters
    ----------
    judgements : (judges, items) float array
        Expected mark or percent of a borderline learner, no cell empty.
    projected : tuple of int
        Panel sizes to project the error for.
    level : float

    Returns
    -------
    Angoff
        Interval: t over judges.

    Raises
    ------
    InputError, EvidenceError
        If a cell is empty; if there are fewer than two judges or items.

    Notes
    -----
    Source: Brennan and Lockwood (1980) for the errors. Checked against a computed panel of five judges and six items.

    Examples
    --------
    >>> found = angoff([[60, 70], [65, 75], [55, 65]])
    >>> round(found.cut.value, 1), round(found.cut.se, 3)
    (65.0, 2.887)
    """
    table = as_matrix(judgements, name="judgements")
    judges, items = table.shape
    means = table.mean(axis=1)
    cut, sd = float(table.mean()), float(means.std(ddof=1))
    by_item = table.mean(axis=0)
    rest = table - means[:, None] - by_item + cut
    ms_rest = float(np.sum(rest**2)) / ((judges - 1) * (items - 1))
    ms_j, ms_i = items * sd**2, judges * float(by_item.var(ddof=1))
    var_j, var_i = max(0.0, (ms_j - ms_rest) / items), max(0.0, (ms_i - ms_rest) / judges)
    se = sd / math.sqrt(judges)
    half = float(scipy.stats.t.ppf(0.5 * (1 + check_level(level)), judges - 1)) * se
    estimate = Estimate(
        cut, cut - half, cut + half, n=judges, method="modified Angoff, items fixed; t over judges", se=se, level=level
    )
    both = math.sqrt(var_j / judges + var_i / items + ms_rest / (judges * items))
    return Angoff(estimate, both, means, {size: sd / math.sqrt(size) for size in projected})


def ebel(counts: ArrayLike, shares: ArrayLike) -> float:
    """Line from cells of relevance by difficulty: items in each cell times the share a borderline learner gets.

    Trust it as a second opinion; one panel's shares carry no error of their own. Give several panels to compare.

    Parameters
    ----------
    counts, shares : (relevance, difficulty) arrays
        Items (or marks) in each cell, and shares between 0 and 1.

    Returns
    -------
    cut : float
        In items (or marks).

    Raises
    ------
    InputError
        If shapes differ or a share lies outside 0 to 1.

    Examples
    --------
    >>> ebel([[10, 8], [6, 8]], [[0.95, 0.80], [0.85, 0.70]])
    26.6
    """
    n, p = np.asarray(counts, dtype=float), np.asarray(shares, dtype=float)
    if n.shape != p.shape or np.any(n < 0) or not np.all((p >= 0) & (p <= 1)):
        raise InputError(
            f"Ebel: counts {n.shape} and shares {p.shape}, expected one share from 0 to 1 a cell. Correct them."
        )
    return float(np.sum(n * p))


def hofstee(marks: ArrayLike, *, cut: tuple[float, float], fail: tuple[float, float]) -> Hofstee | None:
    """Compromise of the lines and fail rates a panel can bear; None where the curve misses their box.

    The line runs from (least cut, most failures) to (greatest cut, fewest failures). A learner fails whose mark is below
    the cut.

    Parameters
    ----------
    marks : (n,) float array
    cut : (float, float)
        Least and greatest bearable cut.
    fail : (float, float)
        Least and greatest bearable fail rate, as shares.

    Returns
    -------
    Hofstee or None
        None: no solution; the panel has to be asked again.

    Raises
    ------
    InputError
        If a pair is not in order.
    EvidenceError
        If there are no marks.

    Notes
    -----
    Source: Hofstee (1983). The interpolated curve joins the fail rates of neighbouring whole marks; the step rule takes
    the whole mark where it passes the line. Both are given since they differ.

    Examples
    --------
    >>> found = hofstee([40, 50, 55, 60, 65, 70, 75, 80], cut=(45, 65), fail=(0.05, 0.4))
    >>> round(found.cut, 2)
    53.57
    """
    (low, high), (least, most) = cut, fail
    if not low < high or not 0.0 <= least < most <= 1.0:
        raise InputError(
            f"Hofstee: cut {cut} and fail {fail}, expected each in rising order and rates within 0 to 1. Correct them."
        )
    scores = np.sort(as_vector(marks, name="marks"))
    grid = np.unique(np.r_[low, np.arange(math.ceil(low), math.floor(high) + 1.0), high])
    rate = np.searchsorted(scores, grid, side="left") / len(scores)
    gap = rate - (most - (most - least) / (high - low) * (grid - low))
    if gap[0] > 0.0 or gap[-1] < 0.0:
        return None
    after = int(np.argmax(gap >= 0.0))
    if gap[after] == 0.0 or after == 0:
        return Hofstee(float(grid[after]), float(rate[after]), float(grid[after]), len(scores))
    share = -gap[after - 1] / (gap[after] - gap[after - 1])
    at = grid[after - 1] + share * (grid[after] - grid[after - 1])
    met = rate[after - 1] + share * (rate[after] - rate[after - 1])
    return Hofstee(float(at), float(met), float(grid[after - 1]), len(scores))
