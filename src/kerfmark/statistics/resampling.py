"""Bootstrap over people: how often each is drawn, all draws at once, reproducible from a seed."""

from __future__ import annotations

import numpy as np

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.estimates import FloatArray, check_level

__all__ = ["draws_of", "percentile_interval"]


def draws_of(people: int, draws: int, rng: np.random.Generator | None) -> FloatArray:
    """How often each person is drawn, with replacement, in each of `draws` samples as large as the first.

    Statistics that are sums over people then become one matrix product for all draws.

    Parameters
    ----------
    people : int
        How many there are, two or more.
    draws : int
        How many samples.
    rng : Generator
        The same state gives the same draws.

    Returns
    -------
    counts : (draws, people) float array
        Rows add up to `people`.

    Raises
    ------
    InputError
        If no generator is passed.
    EvidenceError
        If there are fewer than two people.

    Examples
    --------
    >>> draws_of(4, 1000, np.random.default_rng(1)).sum(axis=1).max()
    np.float64(4.0)
    """
    if rng is None:
        raise InputError("a bootstrap needs a random generator. Pass rng=numpy.random.default_rng(seed).")
    if people < 2:
        raise EvidenceError(f"{people} to draw from, at least 2 are needed for a bootstrap.")
    chosen = rng.integers(0, people, size=(draws, people))
    chosen += (np.arange(draws) * people)[:, None]
    return np.bincount(chosen.ravel(), minlength=draws * people).reshape(draws, people).astype(float)


def percentile_interval(made: FloatArray, *, level: float = 0.95) -> tuple[float, float]:
    """Middle share of a statistic's bootstrap draws.

    Draws in which the statistic cannot be formed (NaN) are left out; more than one in ten, and there is no interval.

    Raises
    ------
    EvidenceError
        If the statistic fails in more than a tenth of the draws.
    """
    check_level(level)
    usable = made[np.isfinite(made)]
    if len(usable) < 0.9 * len(made):
        raise EvidenceError(
            f"bootstrap: the statistic cannot be formed in {len(made) - len(usable)} of {len(made)} draws; too few "
            "people differ for an interval."
        )
    lower, upper = np.quantile(usable, [0.5 * (1 - level), 0.5 * (1 + level)])
    return float(lower), float(upper)
