"""Agreement on categories: kappas, Gwet's coefficients, percent and specific agreement."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, cast

import numpy as np
import scipy.stats
from numpy.typing import ArrayLike

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.clustered import clustered_mean, person_codes
from kerfmark.statistics.estimates import Estimate, FloatArray, check_level
from kerfmark.statistics.intervals import coverage_factor, wilson_interval

__all__ = [
    "PassFail", "Weights", "agreement_weights", "cohen_kappa", "cross_table", "fleiss_kappa", "gwet", "pass_fail_agreement",
]  # fmt: skip

Weights = Literal["identity", "linear", "quadratic", "ordinal"]


def agreement_weights(categories: int, kind: Weights = "identity") -> FloatArray:
    """How much a pair of categories counts as agreement: 1 on the diagonal, down to 0.

    Parameters
    ----------
    categories : int
        How many, two or more.
    kind : str
        "identity"; "linear" 1 − |i − j|/(q − 1); "quadratic" 1 − (i − j)²/(q − 1)²; "ordinal", by the number of pairs
        of categories between the two.

    Examples
    --------
    >>> agreement_weights(3, "linear")[0]
    array([1. , 0.5, 0. ])
    """
    if categories < 2:
        raise EvidenceError("Only one category is used, so agreement beyond chance cannot be said.")
    apart = np.abs(np.subtract.outer(np.arange(categories), np.arange(categories))).astype(float)
    if kind == "identity":
        return np.asarray(apart == 0, dtype=float)
    if kind == "linear":
        return np.asarray(1.0 - apart / (categories - 1))
    if kind == "quadratic":
        return np.asarray(1.0 - (apart / (categories - 1)) ** 2)
    if kind == "ordinal":
        pairs = (apart + 1) * apart / 2
        return np.asarray(1.0 - pairs / pairs.max())
    raise InputError(f"weights are '{kind}', expected identity, linear, quadratic or ordinal. Correct it.")


def cross_table(first: ArrayLike, second: ArrayLike, *, categories: int) -> FloatArray:
    """Counts of pairs of categories 0 … q − 1: first rater in rows, second in columns.

    Examples
    --------
    >>> cross_table([0, 1, 1], [0, 1, 0], categories=2)
    array([[1., 0.],
           [1., 1.]])
    """
    a, b = np.asarray(first, dtype=int), np.asarray(second, dtype=int)
    if a.shape != b.shape or a.ndim != 1:
        raise InputError(f"ratings of shapes {a.shape} and {b.shape}, expected pairs. Leave out what one did not rate.")
    if a.size and (min(a.min(), b.min()) < 0 or max(a.max(), b.max()) >= categories):
        raise InputError(
            f"a category outside 0 to {categories - 1} is used. Number the categories from 0 and pass how many."
        )
    table = np.zeros((categories, categories))
    np.add.at(table, (a, b), 1.0)
    return table


def cohen_kappa(
    table: ArrayLike, *, weights: Weights | ArrayLike = "identity", total: int | None = None, level: float = 0.95
) -> Estimate:
    """Agreement of two raters on categories beyond chance, with or without weights.

    Trust it when every category is used by both; with few failures it falls although raters agree, so show
    `pass_fail_agreement` beside it. Choose "quadratic" for grades on a scale (nearly ICC(2,1)), "identity" for names.

    Parameters
    ----------
    table : (q, q) float array
        Counts, or proportions with `total` given.
    weights : str or (q, q) float array
        A kind of `agreement_weights`, or agreement weights with ones on the diagonal.
    total : int, optional
        How many were rated, where `table` holds proportions.
    level : float

    Returns
    -------
    Estimate
        Interval: value ± z standard errors, held within −1 to 1.

    Raises
    ------
    EvidenceError
        If fewer than two units or two used categories, or chance agreement is complete.

    Notes
    -----
    Source: Cohen (1968); standard error of Fleiss, Cohen and Everitt (1969). Checked against Cohen's table, R vcd and
    statsmodels.

    Examples
    --------
    >>> round(cohen_kappa([[106, 10, 4], [22, 28, 10], [2, 12, 6]]).value, 6)
    0.428571
    """
    counts = np.asarray(table, dtype=float)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or np.any(counts < 0) or not np.all(np.isfinite(counts)):
        raise InputError(f"table: shape {counts.shape}, expected a square table of counts, none negative. Correct it.")
    n = float(total if total is not None else counts.sum())
    if n < 2:
        raise EvidenceError(f"table: {n:g} units rated by both, at least 2 are needed for agreement beyond chance.")
    w = (
        agreement_weights(len(counts), cast(Weights, weights))
        if isinstance(weights, str)
        else np.asarray(weights, float)
    )
    p = counts / counts.sum()
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    observed, chance = float(np.sum(w * p)), float(rows @ w @ columns)
    if 1.0 - chance < 1e-12:
        raise EvidenceError(
            "table: both raters use one and the same category, so agreement beyond chance cannot be said."
        )
    kappa = (observed - chance) / (1.0 - chance)
    spread = w * (1.0 - chance) - np.add.outer(w @ columns, rows @ w) * (1.0 - observed)
    variance = np.sum(p * spread**2) - (observed * chance - 2 * chance + observed) ** 2
    se = math.sqrt(max(0.0, float(variance)) / n) / (1.0 - chance) ** 2
    name = weights if isinstance(weights, str) else "given"
    return _with_normal_interval(kappa, se, int(n), f"Cohen's kappa, {name} weights; normal interval", level)


def fleiss_kappa(counts: ArrayLike, *, level: float = 0.95) -> tuple[Estimate, float]:
    """Agreement of many raters on names, each unit rated equally often; and z of no agreement beyond chance.

    Trust it when raters are interchangeable and their number is the same for each unit; else use `gwet`.

    Parameters
    ----------
    counts : (n, q) float array
        How many raters put each unit into each category.

    Returns
    -------
    kappa : Estimate
        Interval from the jackknife over units, t with n − 1 degrees of freedom.
    z : float
        Kappa over its standard error when there is no agreement beyond chance (Fleiss, Nee and Landis 1979).

    Raises
    ------
    InputError
        If units are not rated equally often.
    EvidenceError
        If there is one unit, one rater, or one used category.

    Examples
    --------
    >>> kappa, z = fleiss_kappa([[3, 0], [0, 3], [2, 1], [3, 0]])
    >>> round(kappa.value, 4)
    0.625
    """
    table = np.asarray(counts, dtype=float)
    raters = table.sum(axis=1)
    if table.ndim != 2 or np.any(raters != raters[0]):
        raise InputError("counts: units are not rated equally often. Use Gwet's coefficient, which allows gaps.")
    n, m = len(table), float(raters[0])
    if n < 2 or m < 2:
        raise EvidenceError(f"counts: {n} units by {m:g} raters, at least 2 by 2 are needed.")
    p = table.mean(axis=0) / m
    q = 1.0 - p
    if p @ q < 1e-12:
        raise EvidenceError("counts: every rating is the same category, so agreement beyond chance cannot be said.")
    kappa = _fleiss(table, m)
    pq = float(p @ q)
    se0 = math.sqrt(2.0) / (pq * math.sqrt(n * m * (m - 1))) * math.sqrt(pq**2 - float((p * q) @ (q - p)))
    left_out = np.array([_fleiss(np.delete(table, i, axis=0), m) for i in range(n)])
    se = math.sqrt((n - 1) / n * float(np.sum((left_out - left_out.mean()) ** 2)))
    half = float(scipy.stats.t.ppf(0.5 * (1 + check_level(level)), n - 1)) * se
    method = "Fleiss' kappa; jackknife over units"
    return Estimate(kappa, kappa - half, min(1.0, kappa + half), n=n, method=method, se=se, level=level), kappa / se0


def _fleiss(table: FloatArray, m: float) -> float:
    agreement = np.mean((np.sum(table**2, axis=1) - m) / (m * (m - 1)))
    chance = np.sum((table.mean(axis=0) / m) ** 2)
    return float((agreement - chance) / (1.0 - chance)) if chance < 1.0 else 1.0


def gwet(
    counts: ArrayLike, *, weights: Weights = "identity", people: ArrayLike | None = None, level: float = 0.95
) -> Estimate:
    """Gwet's AC1 (identity weights) or AC2: agreement beyond chance that does not collapse when one category is rare.

    Parameters
    ----------
    counts : (n, q) float array
        How many raters put each unit into each category; units may be rated by different numbers, even by one.
    weights : str
        A kind of `agreement_weights`.
    people : (n,) array, optional
        Whose units, where one person has several; the error is then over people.

    Returns
    -------
    Estimate
        Interval: t with n − 1 degrees of freedom, held below 1.

    Raises
    ------
    EvidenceError
        If no unit is rated twice, or there are fewer than two units or categories.

    Notes
    -----
    Source: Gwet (2008, 2014), with his variance over units for a panel of fixed raters. Checked against R irrCAC.

    Examples
    --------
    >>> round(gwet([[2, 0], [2, 0], [1, 1], [0, 2]]).value, 3)
    0.529
    """
    table = np.asarray(counts, dtype=float)
    if table.ndim != 2 or np.any(table < 0) or not np.all(np.isfinite(table)):
        raise InputError(
            f"counts: shape {table.shape}, expected units in rows and categories in columns, none negative."
        )
    person = person_codes(people, len(table))[table.sum(axis=1) > 0]
    table = table[table.sum(axis=1) > 0]
    n, q = table.shape
    w = agreement_weights(q, weights)
    ratings = table.sum(axis=1)
    twice = ratings >= 2
    if n < 2 or not np.any(twice):
        raise EvidenceError(f"counts: {int(twice.sum())} of {n} units are rated twice, so agreement cannot be said.")
    shares = table / ratings[:, None]
    pi = shares.mean(axis=0)
    chance = float(w.sum() / (q * (q - 1)) * np.sum(pi * (1 - pi)))
    each = np.zeros(n)
    r, pairs = table[twice], ratings[twice]
    each[twice] = np.sum(r * (r @ w - 1.0), axis=1) / (pairs * (pairs - 1))
    observed = float(each[twice].mean())
    value = (observed - chance) / (1.0 - chance)
    unit = np.where(twice, n / twice.sum() * (each - chance) / (1.0 - chance), 0.0)
    unit_chance = w.sum() / (q * (q - 1)) * (shares @ (1.0 - pi))
    unit = unit - 2.0 * (1.0 - value) * (unit_chance - chance) / (1.0 - chance)
    found = clustered_mean(unit, None if people is None else person, level=level)
    half, se = found.upper - found.value, found.se
    name = "AC1" if weights == "identity" else f"AC2, {weights} weights"
    method = f"Gwet's {name}; t interval over {'units' if people is None else 'people'}"
    return Estimate(value, value - half, min(1.0, value + half), n=n, method=method, se=se, level=level)


@dataclass(frozen=True, slots=True)
class PassFail:
    """Two raters on pass and fail: the table and everything that has to stand beside kappa.

    Attributes
    ----------
    table : (2, 2) float array
        Counts; first row and column: pass.
    percent, on_pass, on_fail : Estimate
        Overall, positive and negative (specific) agreement as shares, Wilson intervals.
    kappa, ac1 : Estimate or str
        Or the sentence that says why not.
    """

    table: FloatArray
    percent: Estimate
    on_pass: Estimate | str
    on_fail: Estimate | str
    kappa: Estimate | str
    ac1: Estimate | str


def pass_fail_agreement(table: ArrayLike, *, level: float = 0.95) -> PassFail:
    """Agreement on pass and fail in all the ways that one number hides.

    Parameters
    ----------
    table : (2, 2) array
        Counts, pass first: [[both pass, first only], [second only, both fail]].

    Notes
    -----
    Source: Cicchetti and Feinstein (1990) for specific agreement. The prevalence paradox is why kappa never stands alone.

    Examples
    --------
    >>> found = pass_fail_agreement([[118, 5], [2, 0]])
    >>> round(found.kappa.value, 3), round(found.ac1.value, 3)
    (-0.023, 0.941)
    """
    counts = np.asarray(table, dtype=float)
    if counts.shape != (2, 2) or np.any(counts < 0):
        raise InputError(f"table: shape {counts.shape}, expected counts [[both pass, first], [second, both fail]].")
    n = int(counts.sum())
    if n < 1:
        raise EvidenceError("table: no piece was judged by both, so agreement cannot be said.")
    (both, first), (second, neither) = counts.tolist()
    return PassFail(
        counts,
        _share(both + neither, n, "share of equal decisions", level),
        _specific(both, first + second, "agreement on passes", level),
        _specific(neither, first + second, "agreement on failures", level),
        _or_sentence(lambda: cohen_kappa(counts, level=level)),
        _or_sentence(lambda: gwet(_pairs_as_counts(counts), level=level)),
    )


def _pairs_as_counts(table: FloatArray) -> FloatArray:
    rows = (
        [[2.0, 0.0]] * int(table[0, 0])
        + [[1.0, 1.0]] * int(table[0, 1] + table[1, 0])
        + [[0.0, 2.0]] * int(table[1, 1])
    )
    return np.array(rows).reshape(-1, 2)


def _share(hits: float, n: int, name: str, level: float) -> Estimate:
    lower, upper = wilson_interval(int(hits), n, level=level)
    return Estimate(hits / n, lower, upper, n=n, method=f"{name}; Wilson interval", level=level)


def _specific(both: float, apart: float, name: str, level: float) -> Estimate | str:
    if 2 * both + apart == 0:
        return f"{name}: neither rater used that decision, so it cannot be said."
    lower, upper = wilson_interval(int(2 * both), int(2 * both + apart), level=level)
    n = int(both + apart)
    return Estimate(2 * both / (2 * both + apart), lower, upper, n=n, method=f"{name}; Wilson interval", level=level)


def _or_sentence(make: Callable[[], Estimate]) -> Estimate | str:
    try:
        return make()
    except EvidenceError as why:
        return str(why)


def _with_normal_interval(value: float, se: float, n: int, method: str, level: float) -> Estimate:
    half = coverage_factor(check_level(level)) * se
    return Estimate(value, max(-1.0, value - half), min(1.0, value + half), n=n, method=method, se=se, level=level)
