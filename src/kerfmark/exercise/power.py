"""Resolving power: can this source tell a piece inside the limits from one outside."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeAlias

from kerfmark.exercise.definition import Criterion, Exercise, Source
from kerfmark.exercise.vocabulary import VOCABULARY

__all__ = ["Power", "ReadingKey", "expected_u", "powers_of"]

ReadingKey: TypeAlias = tuple[str, str | None, str | None]

WALL_MM = 3.0
NOISE_SHARE = 0.3
"""How much of one point's noise is left in a length, after averaging over its surroundings: about √(0.1 mm edge / 1 mm)."""


@dataclass(frozen=True, slots=True)
class Power:
    """The resolving power of one criterion.

    Attributes
    ----------
    key : tuple
        Reading, where, stat.
    u : float or None
        Standard uncertainty to expect, in the reading's unit; None where the reading cannot be taken.
    power : float or None
        Width of the limits over 4 u; infinite for one-sided limits, None where `u` is.
    predicted : bool
        True where `u` comes from measuring the ideal target, False where it is a rule of thumb.
    """

    key: ReadingKey
    u: float | None
    power: float | None
    predicted: bool

    @property
    def is_enough(self) -> bool:
        """At least 1: the band is as wide as the 95 % interval of one reading."""
        return self.power is not None and self.power >= 1.0


def powers_of(exercise: Exercise, predict_u: Mapping[ReadingKey, float | None] | None = None) -> tuple[Power, ...]:
    """The resolving power of every criterion, in their order.

    Parameters
    ----------
    exercise : Exercise
    predict_u : mapping, optional
        Standard uncertainty by reading, where and stat, from measuring the ideal target as this source would see it; a
        key that is missing or None could not be measured there. Without it a rule of thumb stands in.
    """
    return tuple(_power(criterion, exercise.source, predict_u) for criterion in exercise.criteria)


def _power(criterion: Criterion, source: Source, predict_u: Mapping[ReadingKey, float | None] | None) -> Power:
    predicted = predict_u is not None
    u = expected_u(criterion, source) if predict_u is None else predict_u.get(criterion.key)
    if u is None:
        return Power(criterion.key, None, None, predicted)
    width = criterion.limits[1] - criterion.limits[0]
    return Power(criterion.key, u, width / (4.0 * u) if u > 0.0 else math.inf, predicted)


def expected_u(criterion: Criterion, source: Source) -> float:
    """A rule of thumb for the standard uncertainty of a reading, by its unit; always a rough one.

    Notes
    -----
    Lengths: 0.3 of the noise and all of the trueness. Angles: twice such a length, without the shared part, over a wall of
    3 mm. Areas and volumes: the length along 10 mm of edge or over 10 mm² of face. Roughness: 0.3 of the noise. Plain
    numbers: 0.01. Measuring the ideal target says better.
    """
    noise_mm, trueness_mm = 1e-3 * source.noise_um, 1e-3 * source.trueness_um
    length_mm = math.hypot(NOISE_SHARE * noise_mm, trueness_mm)
    by_unit = {
        "mm": length_mm,
        "deg": math.degrees(2.0 * NOISE_SHARE * noise_mm / WALL_MM),
        "um": NOISE_SHARE * source.noise_um,
        "mm2": 10.0 * length_mm,
        "mm3": 10.0 * length_mm,
        "1": 0.01,
    }
    return by_unit.get(VOCABULARY[criterion.reading].unit, 0.0)
