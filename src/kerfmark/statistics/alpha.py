"""Krippendorff's alpha: agreement of any number of raters, with gaps, on any scale."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.clustered import person_codes, person_sums
from kerfmark.statistics.estimates import Estimate, FloatArray, as_matrix
from kerfmark.statistics.resampling import draws_of, percentile_interval

__all__ = ["Scale", "krippendorff_alpha"]

Scale = Literal["nominal", "ordinal", "interval", "ratio"]
VALUES_MOST = 60


def krippendorff_alpha(
    ratings: ArrayLike,
    *,
    scale: Scale,
    people: ArrayLike | None = None,
    draws: int = 2000,
    rng: np.random.Generator | None = None,
    level: float = 0.95,
) -> Estimate:
    """Agreement beyond chance from pairs of ratings of the same unit; NaN marks what a rater did not rate.

    Trust it when units were rated by different raters or different numbers of raters. It shares kappa's weakness when
    one category is rare; show Gwet's coefficient beside it then.

    Parameters
    ----------
    ratings : (units, raters) float array
        NaN where empty. Units rated once are left out.
    scale : str
        "nominal", "ordinal", "interval" or "ratio": how the difference of two values counts.
    people : (units,) array, optional
        Whose units, where one person has several; the bootstrap then draws people.
    draws : int
        Bootstrap draws over units; 0 gives no interval.
    rng : Generator, optional
        Needed where `draws` is not 0.

    Returns
    -------
    Estimate
        `n` counts the units rated at least twice.

    Raises
    ------
    EvidenceError
        If fewer than two units are rated twice, or all values are equal.
    InputError
        If `scale` is unknown, or "ratio" is asked for negative values.

    Notes
    -----
    Source: Krippendorff (2011), from the coincidence matrix. Interval: percentile bootstrap over units. Checked against
    the package krippendorff.

    Examples
    --------
    >>> round(krippendorff_alpha([[1, 1], [2, 2], [3, 3], [1, 2]], scale="nominal", draws=0).value, 3)
    0.667
    """
    table = as_matrix(ratings, name="ratings", missing=True)
    person = person_codes(people, len(table))
    twice = np.count_nonzero(~np.isnan(table), axis=1) >= 2
    table, person = table[twice], np.unique(person[twice], return_inverse=True)[1]
    if len(table) < 2:
        raise EvidenceError(f"ratings: {len(table)} units are rated twice, at least 2 are needed for agreement.")
    values = np.unique(table[~np.isnan(table)])
    if len(values) < 2:
        raise EvidenceError("ratings: every rating is the same, so agreement beyond chance cannot be said.")
    method = f"Krippendorff's alpha, {scale}"
    if scale != "interval" and len(values) > VALUES_MOST:
        raise InputError(
            f"ratings: {len(values)} different values; above {VALUES_MOST} only the interval scale is offered. Choose it."
        )
    per_unit = _moments(table) if scale == "interval" else _coincidences(table, values)

    def alpha(summed: FloatArray) -> FloatArray:
        return _alpha_of_moments(summed) if scale == "interval" else _alpha(summed, values, scale)

    value = float(alpha(per_unit.sum(axis=0)[None])[0])
    if not draws:
        return Estimate(value, np.nan, np.nan, n=len(table), method=f"{method}; no interval")
    per_person = person_sums(per_unit, person)
    made = alpha(np.tensordot(draws_of(len(per_person), draws, rng), per_person, axes=1))
    lower, upper = percentile_interval(made, level=level)
    over = "units" if people is None else "people"
    return Estimate(value, lower, upper, n=len(table), method=f"{method}; bootstrap over {over}", level=level)


def _moments(table: FloatArray) -> FloatArray:
    """(units, 4): ratings, their sum and sum of squares, and squared differences over pairs within the unit."""
    here = ~np.isnan(table)
    m = here.sum(axis=1).astype(float)
    x = np.where(here, table - np.nanmean(table), 0.0)
    total, squares = x.sum(axis=1), np.sum(x**2, axis=1)
    return np.column_stack([m, total, squares, 2.0 * (m * squares - total**2) / (m - 1.0)])


def _alpha_of_moments(summed: FloatArray) -> FloatArray:
    """The interval scale without a table of values: both disagreements are sums of squares."""
    n, total, squares, observed = summed.T
    expected = 2.0 * (n * squares - total**2)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(expected > 0, 1.0 - (n - 1.0) * observed / expected, np.nan))


def _coincidences(table: FloatArray, values: FloatArray) -> FloatArray:
    """(units, q, q): pairs of values within each unit, each unit weighing as many as its ratings."""
    counts = (table[:, :, None] == values).sum(axis=1).astype(float)
    pairs = counts[:, :, None] * counts[:, None, :]
    index = np.arange(len(values))
    pairs[:, index, index] -= counts
    return np.asarray(pairs / (counts.sum(axis=1) - 1.0)[:, None, None])


def _alpha(coincidences: FloatArray, values: FloatArray, scale: Scale) -> FloatArray:
    """Alpha of each of a stack of coincidence matrices; NaN where all values of a draw are equal."""
    marginal = coincidences.sum(axis=2)
    distance = _distances(marginal, values, scale)
    total = marginal.sum(axis=1)
    expected = np.einsum("bi,bj,bij->b", marginal, marginal, distance)
    observed = np.einsum("bij,bij->b", coincidences, distance)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(expected > 0, 1.0 - (total - 1.0) * observed / expected, np.nan))


def _distances(marginal: FloatArray, values: FloatArray, scale: Scale) -> FloatArray:
    shape = (len(marginal), len(values), len(values))
    if scale == "nominal":
        return np.broadcast_to((values[:, None] != values).astype(float), shape)
    if scale == "ratio":
        if values[0] < 0:
            raise InputError("ratings: a ratio scale has no negative values. Choose the interval scale.")
        total = values[:, None] + values
        return np.broadcast_to(((values[:, None] - values) / np.where(total > 0, total, 1.0)) ** 2, shape)
    if scale == "ordinal":
        middle = np.cumsum(marginal, axis=1) - marginal / 2
        return np.asarray((middle[:, :, None] - middle[:, None, :]) ** 2)
    raise InputError(f"scale is '{scale}', expected nominal, ordinal, interval or ratio. Correct it.")
