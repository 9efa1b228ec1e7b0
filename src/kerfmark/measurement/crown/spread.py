"""Percentiles of measured values, with what noise adds to their spread taken out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from kerfmark.records import FloatArray

__all__ = ["Percentile", "percentile", "smoothed"]

PARABOLA = np.array([-3.0, 12.0, 17.0, 12.0, -3.0]) / 35.0
NORMAL_THINNESS = 2.5
"""One over the density of standard normal values about their median, √(2π)."""
LIKELY = 1.65
"""Standard normal, one-sided 95 %: a spread is more than noise where noise alone would not often make it."""


@dataclass(frozen=True, slots=True)
class Percentile:
    """A percentile, what noise does to it directly, and through what it adds to the spread."""

    value: float
    noise: float
    widened: float


def percentile(values: FloatArray, *, at: float, noise: float, independent: float) -> Percentile:
    """A percentile of values whose spread is drawn in by what noise adds to it.

    Parameters
    ----------
    values : (n,) float array
    at : float
        Percent.
    noise : float
        Standard deviation of the noise of one value.
    independent : float
        How many of the values have noise of their own.

    Notes
    -----
    Noise alone moves the 5th percentile down and the 95th up; that much is known and is taken out (JCGM 100, 3.2.3).
    Only values within about the noise σ of a percentile move it: with a density f of values there, its variance is
    σ / (√π n f), at most that of one value. The variance that noise adds to n values is known to √(2 / n) of itself: a spread below that cannot be
    told from none, and what may hide there is taken as evenly spread (JCGM 100, 4.3.7).
    """
    middle, found = np.percentile(values, [50.0, at])
    own = max(float(values.var()) - noise**2, 0.0)
    unsure = noise**2 * math.sqrt(2.0 / independent)
    spread = math.sqrt(own) if own > LIKELY * unsure else 0.0
    kept = spread / math.hypot(spread, noise) if noise > 0.0 else 1.0
    at_middle = max(_thinness(values, 50.0), NORMAL_THINNESS * noise)
    per_value = at_middle + kept * (_thinness(values, at) - at_middle)
    hidden = unsure / math.sqrt(4.0 * spread**2 + 3.0 * unsure / LIKELY) if unsure > 0.0 else 0.0
    return Percentile(
        float(middle + kept * (found - middle)),
        min(math.sqrt(noise * per_value / (math.sqrt(math.pi) * independent)), noise),
        abs(_normal(at)) * hidden,
    )


def _thinness(values: FloatArray, at: float) -> float:
    """One over the density of the values about a percentile, from the tenth of them round it."""
    low, high = np.percentile(values, [max(at - 5.0, 0.0), min(at + 5.0, 100.0)])
    return float(high - low) / 0.1


def _normal(at: float) -> float:
    """Standard normal deviates of the percentiles that are read."""
    return {5.0: -1.645, 50.0: 0.0, 95.0: 1.645}[at]


def smoothed(values: FloatArray, *, noise: float) -> tuple[FloatArray, float]:
    """Values in sections round a ring with their noise smoothed, and the noise that each has left.

    Parameters
    ----------
    values : (n,) float array
        Evenly spaced round the stump; NaN where a section has none.
    noise : float
        Of one value.

    Notes
    -----
    A value is replaced by the middle of a parabola through itself and two neighbours on either side (Savitzky & Golay
    1964), unless one of the five lies farther off that parabola than 3 standard deviations of what noise explains: at a
    ledge every section keeps its own value.
    """
    beside = np.array([np.roll(values, k) for k in range(2, -3, -1)])
    smooth = PARABOLA @ beside
    off = values - smooth
    limit = 3.0 * noise * math.sqrt(1.0 - PARABOLA[2])
    lone = ~(np.abs(off) <= limit)
    lone |= np.roll(lone, 1) | np.roll(lone, -1)
    kept = np.where(lone, values, smooth)
    return kept, noise * math.sqrt(float(np.mean(np.where(lone, 1.0, PARABOLA[2]))))
