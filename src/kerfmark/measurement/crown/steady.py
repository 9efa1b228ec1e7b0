"""A level of one section, steadied by the sections beside it where those agree with it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from kerfmark.measurement.crown.fillet import Noise
from kerfmark.records import FloatArray

__all__ = ["Steady", "steady"]

WINDOWS = {3: (np.array([-2.0, 3.0, 6.0, 7.0, 6.0, 3.0, -2.0]) / 21.0, 9.49), 2: (np.array([-3.0, 12.0, 17.0, 12.0, -3.0]) / 35.0, 5.99)}  # fmt: skip
"""Sections on either side → weights of the middle of a parabola through them, and 95 % of the χ² of what it leaves."""

MOST_OF_SIX = 7.81
"""95 % of the χ² that a parabola through six values leaves."""


@dataclass(frozen=True, slots=True)
class Steady:
    """A steadied value: what noise it has left, and how far it lies off the section's own beyond what noise explains."""

    value: float
    noise: float
    slack: float


def steady(values: FloatArray, at: int, *, noise: Noise) -> Steady:
    """The middle of a parabola through a value and its neighbours round a ring, where they lie on one within noise.

    Parameters
    ----------
    values : (n,) float array
        In sections evenly spaced round the stump; NaN where one has none.
    at : int
        Which of them is wanted.
    noise : Noise
        Of one section's value.

    Notes
    -----
    Source: Savitzky & Golay (1964): the parabola takes nothing off a value that changes up to its third power round the
    stump. Of seven sections, then of five, whose χ² about their parabola is below its 95 % point the first is taken;
    else the section stands alone, as beside a cusp or a ledge. One that stands alone among six that agree is either a
    notch narrower than two sections or a fit gone wrong: it is kept, and its distance from them counts as evenly spread.

    Examples
    --------
    >>> values = 0.1 * (np.arange(12) - 6.0) ** 2
    >>> steady(values, 6, noise=Noise(0.01, 0.0)).value.__round__(9)
    0.0
    """
    for reach, (weights, most) in WINDOWS.items():
        beside = values[np.arange(at - reach, at + reach + 1) % len(values)]
        if not np.isfinite(beside).all():
            continue
        places = np.arange(-reach, reach + 1)
        left = beside - np.polyval(np.polyfit(places, beside, 2), places)
        if float((left**2).sum()) > most * noise.own**2:
            continue
        value, kept = float(weights @ beside), float(weights[reach])
        slack = max((float(values[at]) - value) ** 2 - (1.0 - kept) * noise.own**2, 0.0)
        return Steady(value, math.hypot(noise.own * math.sqrt(kept), noise.shared), math.sqrt(slack) / 2.0)
    alone = _off_its_neighbours(values, at, noise=noise)
    return Steady(float(values[at]), math.hypot(*noise), alone / math.sqrt(3.0))


def _off_its_neighbours(values: FloatArray, at: int, *, noise: Noise) -> float:
    """How far a lone value lies off the parabola through the three on either side, where those agree; 0 where they do not."""
    places = np.array([-3, -2, -1, 1, 2, 3])
    beside = values[(at + places) % len(values)]
    if not np.isfinite(beside).all():
        return 0.0
    through = np.polyfit(places, beside, 2)
    left = beside - np.polyval(through, places)
    if float((left**2).sum()) > MOST_OF_SIX * noise.own**2:
        return 0.0
    return abs(float(values[at]) - float(through[-1]))
