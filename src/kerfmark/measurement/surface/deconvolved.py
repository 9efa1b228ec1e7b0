"""A distribution with the noise of its values taken out of it again: noise alone makes a distribution wider."""

from __future__ import annotations

import numpy as np

from kerfmark.records import FloatArray

__all__ = ["without_noise"]

GROUPS, PLACES, STEPS = 600, 200, 100


def without_noise(values: FloatArray, weights: FloatArray, noise: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Places and their weights whose distribution, each blurred by noise, is most like that of the values.

    Parameters
    ----------
    values, weights, noise : (n,) float arrays
        What was read, how much each counts (0 or more, not all 0), and the standard deviation of its normal error, in the values' unit.

    Returns
    -------
    places, weights : (k,) float arrays
        Rising, and to the sum 1. The values themselves where no noise is stated.

    Notes
    -----
    Source: the mixing distribution of greatest likelihood (Kiefer & Wolfowitz 1956) on fixed places, by the steps of
    expectation and maximisation (Laird 1978). Cut short after 100 steps: of the noise of values that are all alike a fifth is
    left at their 99th percentile, and a broad distribution is not broken into lumps. Neighbours in order are taken together
    to 600 groups first.

    Examples
    --------
    >>> read = 5.0 + np.linspace(-2.0, 2.0, 401)
    >>> places, weights = without_noise(read, np.exp(-0.5 * (read - 5.0) ** 2), np.ones(401))
    >>> round(float(np.sqrt(weights @ (places - 5.0) ** 2)), 2)
    0.19
    """
    order = np.argsort(values)
    if not noise.any():
        return values[order], weights[order] / weights.sum()
    order = order[weights[order] > 0.0]
    first = np.linspace(0, len(order), min(GROUPS, len(order)) + 1).astype(int)[:-1]

    def summed(of: FloatArray) -> FloatArray:
        return np.asarray(np.add.reduceat(of[order], first))

    sums = summed(weights)
    read, own = summed(weights * values) / sums, np.sqrt(summed(weights * noise**2) / sums)
    part = sums / sums.sum()
    places = np.interp((np.arange(PLACES) + 0.5) / PLACES, np.cumsum(part) - 0.5 * part, read)
    own = np.maximum(own, 1e-6 * max(float(np.ptp(read)), 1e-12))
    likely = np.exp(-0.5 * ((read[:, None] - places) / own[:, None]) ** 2) / own[:, None]
    found = np.full(PLACES, 1.0 / PLACES)
    for _ in range(STEPS):
        found *= likely.T @ (part / np.maximum(likely @ found, 1e-300))
    return places, found / found.sum()
