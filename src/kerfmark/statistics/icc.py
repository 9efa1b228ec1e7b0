"""Intraclass correlation: how much of the spread of ratings lies between the things rated."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy.stats
from numpy.typing import ArrayLike

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.estimates import Estimate, as_matrix, check_level

__all__ = ["FORMS", "Form", "MeanSquares", "RatingError", "icc", "mean_squares", "rating_error"]

Form = Literal["1,1", "2,1", "3,1", "1,k", "2,k", "3,k"]
FORMS: tuple[Form, ...] = ("1,1", "2,1", "3,1", "1,k", "2,k", "3,k")

_NAMES = {"1": "one-way, agreement", "2": "two-way, absolute agreement", "3": "two-way, consistency"}


@dataclass(frozen=True, slots=True)
class MeanSquares:
    """Two-way analysis of variance without repeats: targets in rows, raters in columns.

    Attributes
    ----------
    targets, raters, residual, within : float
        BMS, JMS, EMS, and WMS = within targets.
    n, k : int
        Targets and raters.
    """

    targets: float
    raters: float
    residual: float
    within: float
    n: int
    k: int


@dataclass(frozen=True, slots=True)
class RatingError:
    """Error of one rating, in the unit of the ratings.

    Attributes
    ----------
    agreement, consistency : float
        Standard error of measurement with and without differences of severity between raters.
    smallest_change : float
        Smallest detectable change (agreement), 1.96 √2 standard errors.
    """

    agreement: float
    consistency: float
    smallest_change: float


def mean_squares(ratings: ArrayLike) -> MeanSquares:
    """Mean squares of a full table of ratings.

    Parameters
    ----------
    ratings : (n, k) float array
        Targets in rows, raters in columns, no cell empty.

    Returns
    -------
    MeanSquares

    Raises
    ------
    InputError
        If a cell is empty.
    EvidenceError
        If there are fewer than two targets or raters, or all ratings are equal.

    Notes
    -----
    Data are centred before squaring, so that large offsets do not cancel (the trap of NIST's harder ANOVA sets).

    Examples
    --------
    >>> round(mean_squares([[9, 2], [6, 1], [8, 4]]).residual, 4)
    1.1667
    """
    table = as_matrix(ratings, name="ratings")
    n, k = table.shape
    table = table - table.mean()
    if not np.any(np.abs(table) > 0.0):
        raise EvidenceError(
            f"ratings: all {n * k} are equal, so there is no spread to divide between targets and raters."
        )
    rows, columns = table.mean(axis=1), table.mean(axis=0)
    residual = table - rows[:, None] - columns[None, :]
    return MeanSquares(
        targets=float(k * np.sum(rows**2) / (n - 1)),
        raters=float(n * np.sum(columns**2) / (k - 1)),
        residual=float(np.sum(residual**2) / ((n - 1) * (k - 1))),
        within=float(np.sum((table - rows[:, None]) ** 2) / (n * (k - 1))),
        n=n,
        k=k,
    )


def icc(ratings: ArrayLike, *, form: Form = "2,1", level: float = 0.95) -> Estimate:
    """Intraclass correlation with its interval.

    Trust it for the cohort it came from: it falls when the cohort is alike, so show the error of a rating
    (`rating_error`) beside it. Choose "2,1" (or "2,k" for the mean of all k raters) when marks decide and a severe
    rater costs marks; "3,1" only when the same raters rate everyone; "1,1" when raters are not told apart.

    Parameters
    ----------
    ratings : (n, k) float array
        Targets in rows, raters in columns, no cell empty.
    form : str
        Shrout and Fleiss' name: "1,1", "2,1", "3,1" for one rating, "1,k", "2,k", "3,k" for the mean of k.
    level : float
        Nominal confidence, two-sided.

    Returns
    -------
    Estimate

    Raises
    ------
    InputError, EvidenceError
        As `mean_squares`; also if neither targets nor raters differ beyond rounding.

    Notes
    -----
    Source: Shrout and Fleiss (1979), McGraw and Wong (1996) for the interval of absolute agreement. Checked against
    both papers' worked table and pingouin.

    Examples
    --------
    >>> table = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    >>> round(icc(table, form="2,1").value, 2)
    0.29
    """
    if form not in FORMS:
        raise InputError(f"form is '{form}', expected one of {', '.join(FORMS)}. Correct it.")
    check_level(level)
    ms = mean_squares(ratings)
    model, unit = form.split(",")
    error = ms.within if model == "1" else ms.residual
    if ms.targets + ms.raters + error <= 0.0 or (error == 0.0 and ms.targets == 0.0):
        raise EvidenceError(
            "ratings: targets do not differ at all, so agreement about their differences cannot be said."
        )
    single = _single(ms, model)
    value = _mean_of(ms, model) if unit == "k" else single
    lower, upper = _absolute(ms, single, level) if model == "2" else _by_f(ms, model, level)
    if unit == "k":
        lower, upper = _stepped_up(lower, ms.k), _stepped_up(upper, ms.k)
    words = f"ICC({form}), {_NAMES[model]}, {'mean of ' + str(ms.k) + ' raters' if unit == 'k' else 'one rater'}"
    return Estimate(value, lower, upper, n=ms.n, method=f"{words}; F interval", level=level)


def rating_error(ratings: ArrayLike) -> RatingError:
    """Standard error of measurement of one rating, with and without the raters' severity.

    Notes
    -----
    Source: de Vet et al. (2006), from the same mean squares as `icc`.

    Examples
    --------
    >>> table = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    >>> round(rating_error(table).agreement, 4)
    2.5028
    """
    ms = mean_squares(ratings)
    agreement = math.sqrt(max(0.0, (ms.raters - ms.residual) / ms.n) + ms.residual)
    return RatingError(agreement, math.sqrt(ms.residual), 1.96 * math.sqrt(2.0) * agreement)


def _single(ms: MeanSquares, model: str) -> float:
    if model == "1":
        return (ms.targets - ms.within) / (ms.targets + (ms.k - 1) * ms.within)
    severity = ms.k * (ms.raters - ms.residual) / ms.n if model == "2" else 0.0
    return (ms.targets - ms.residual) / (ms.targets + (ms.k - 1) * ms.residual + severity)


def _mean_of(ms: MeanSquares, model: str) -> float:
    if ms.targets == 0.0 and model != "2":
        raise EvidenceError("ratings: targets do not differ at all, so the reliability of their means cannot be said.")
    if model == "1":
        return (ms.targets - ms.within) / ms.targets
    return (ms.targets - ms.residual) / (ms.targets + ((ms.raters - ms.residual) / ms.n if model == "2" else 0.0))


def _by_f(ms: MeanSquares, model: str, level: float) -> tuple[float, float]:
    """Ends of the one-way and consistency interval for one rating."""
    error, df = (ms.within, ms.n * (ms.k - 1)) if model == "1" else (ms.residual, (ms.n - 1) * (ms.k - 1))
    if error == 0.0:
        return 1.0, 1.0
    ratio, q = ms.targets / error, 0.5 * (1.0 + level)
    low, high = ratio / scipy.stats.f.ppf(q, ms.n - 1, df), ratio * scipy.stats.f.ppf(q, df, ms.n - 1)
    return float((low - 1) / (low + ms.k - 1)), float((high - 1) / (high + ms.k - 1))


def agreement_df(ms: MeanSquares) -> float:
    """Degrees of freedom of the absolute-agreement interval (McGraw and Wong's v)."""
    n, k = ms.n, ms.k
    rho = _single(ms, "2")
    if not 0.0 <= rho < 1.0:
        rho = min(max(rho, 0.0), 1.0 - 1e-9)
    a, b = k * rho / (n * (1 - rho)), 1 + k * rho * (n - 1) / (n * (1 - rho))
    top = (a * ms.raters + b * ms.residual) ** 2
    bottom = (a * ms.raters) ** 2 / (k - 1) + (b * ms.residual) ** 2 / ((n - 1) * (k - 1))
    return top / bottom if bottom > 0.0 else float((n - 1) * (k - 1))


def _absolute(ms: MeanSquares, single: float, level: float) -> tuple[float, float]:
    """Ends of the absolute-agreement interval for one rating."""
    if single >= 1.0:
        return 1.0, 1.0
    n, k, v, q = ms.n, ms.k, agreement_df(ms), 0.5 * (1.0 + level)
    f_low, f_high = scipy.stats.f.ppf(q, n - 1, v), scipy.stats.f.ppf(q, v, n - 1)
    spread = k * ms.raters + (k * n - k - n) * ms.residual
    lower = n * (ms.targets - f_low * ms.residual) / (f_low * spread + n * ms.targets)
    upper = n * (f_high * ms.targets - ms.residual) / (spread + n * f_high * ms.targets)
    return float(lower), float(upper)


def _stepped_up(single: float, k: int) -> float:
    return k * single / (1.0 + (k - 1) * single)
