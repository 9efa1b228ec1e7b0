"""Means and shares where one person gives several values: the error is over people, not over values."""

from __future__ import annotations

import math

import numpy as np
import scipy.stats
from numpy.typing import ArrayLike, NDArray

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.estimates import Estimate, FloatArray, as_vector, check_level
from kerfmark.statistics.intervals import wilson_interval

__all__ = ["clustered_mean", "clustered_share", "person_codes", "person_sums"]


def person_codes(people: ArrayLike | None, n: int) -> NDArray[np.intp]:
    """People numbered from 0; without people each value is its own.

    Examples
    --------
    >>> person_codes(["b", "a", "b"], 3).tolist()
    [1, 0, 1]
    """
    if people is None:
        return np.arange(n)
    found = np.asarray(people)
    if found.shape != (n,):
        raise InputError(f"people: {found.size} entries for {n} values, expected one a value. Correct the columns.")
    return np.asarray(np.unique(found, return_inverse=True)[1], dtype=np.intp)


def person_sums(columns: FloatArray, person: NDArray[np.intp]) -> FloatArray:
    """(people, …): rows added up by person.

    Examples
    --------
    >>> person_sums(np.array([[1.0], [2.0], [4.0]]), np.array([0, 1, 0])).ravel().tolist()
    [5.0, 2.0]
    """
    made = np.zeros((int(person.max()) + 1, *columns.shape[1:]))
    np.add.at(made, person, columns)
    return made


def clustered_mean(values: ArrayLike, people: ArrayLike | None, *, level: float = 0.95) -> Estimate:
    """Mean of all values; its error allows for values of one person being alike.

    Trust it with twenty people or more.

    Parameters
    ----------
    values : (n,) float array
    people : (n,) array or None
    level : float

    Returns
    -------
    Estimate
        `n` counts people; t with people − 1 degrees of freedom.

    Raises
    ------
    EvidenceError
        If there are fewer than two people.

    Notes
    -----
    Source: linearised ratio of totals (Cochran 1977). With one value each it is the plain t interval. Checked against
    statsmodels' cluster-robust error.

    Examples
    --------
    >>> round(clustered_mean([1.0, 1.0, 3.0, 3.0], ["a", "a", "b", "b"]).se, 3)
    1.0
    """
    y = as_vector(values, name="values")
    person = person_codes(people, len(y))
    persons = int(person.max()) + 1
    if persons < 2:
        raise EvidenceError("values: all are of one person, at least 2 people are needed for an error over people.")
    mean = float(y.mean())
    rest = np.bincount(person, weights=y - mean)
    se = math.sqrt(persons / (persons - 1) * float(rest @ rest)) / len(y)
    half = float(scipy.stats.t.ppf(0.5 * (1 + check_level(level)), persons - 1)) * se
    words = "mean; t interval" + (" over people" if people is not None else "")
    return Estimate(mean, mean - half, mean + half, n=persons, method=words, se=se, level=level)


def clustered_share(hits: ArrayLike, people: ArrayLike | None, *, level: float = 0.95) -> Estimate:
    """Share of hits; the error over people, the interval by log odds so that it stays within 0 and 1.

    Where all or none are hits, the interval is Wilson's with people as trials.

    Examples
    --------
    >>> found = clustered_share([1, 1, 0, 1, 0, 1], ["a", "a", "b", "b", "c", "c"])
    >>> round(found.value, 3), 0 < found.lower < found.upper < 1
    (0.667, True)
    """
    found = clustered_mean(hits, people, level=level)
    p, se = found.value, float(found.se or 0.0)
    if p in (0.0, 1.0) or se == 0.0:
        lower, upper = wilson_interval(round(p * found.n), found.n, level=level)
    else:
        t = (found.upper - p) / se
        middle, half = math.log(p / (1 - p)), t * se / (p * (1 - p))
        lower, upper = (1 / (1 + math.exp(-(middle + sign * half))) for sign in (-1, 1))
    words = "share; log odds interval" + (" over people" if people is not None else "")
    return Estimate(p, lower, upper, n=found.n, method=words, se=se, level=level)
