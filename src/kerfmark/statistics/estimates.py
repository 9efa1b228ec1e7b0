"""A number with what it rests on, and the checks every statistic makes of what it is given."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfmark.errors import EvidenceError, InputError

__all__ = ["Estimate", "FloatArray", "as_matrix", "as_pairs", "as_vector", "check_level"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A statistic, its interval, and how both were made.

    Attributes
    ----------
    value : float
    lower, upper : float
        Ends of the two-sided interval; NaN only where `method` says that none is given.
    n : int
        How many independent units it rests on: people, pieces or pairs.
    method : str
        Variant and kind of interval, in words.
    se : float or None
        Standard error, where the method has one.
    level : float
        Nominal confidence of the interval.

    Examples
    --------
    >>> Estimate(0.8, 0.7, 0.9, n=40, method="an example").holds(0.75)
    True
    """

    value: float
    lower: float
    upper: float
    n: int
    method: str
    se: float | None = None
    level: float = 0.95

    def holds(self, other: float) -> bool:
        """True where the interval holds `other`, ends included."""
        return self.lower <= other <= self.upper

    @property
    def has_interval(self) -> bool:
        """False where no interval could be given."""
        return math.isfinite(self.lower) and math.isfinite(self.upper)


def as_vector(values: ArrayLike, *, name: str, least: int = 1) -> FloatArray:
    """One number per unit, all finite.

    Raises
    ------
    InputError
        If it is not one-dimensional or holds NaN or infinities.
    EvidenceError
        If there are fewer than `least`.
    """
    found = np.asarray(values, dtype=float)
    if found.ndim != 1:
        raise InputError(f"{name}: an array of shape {found.shape}, expected one number per unit. Pass one column.")
    _check_finite(found, name)
    if len(found) < least:
        raise EvidenceError(f"{name}: {len(found)} values, at least {least} are needed before anything can be said.")
    return found


def as_pairs(x: ArrayLike, y: ArrayLike, *, names: tuple[str, str], least: int = 3) -> tuple[FloatArray, FloatArray]:
    """Two numbers per unit, all finite, equally many.

    Raises
    ------
    InputError
        If lengths differ or a value is missing.
    EvidenceError
        If there are fewer than `least` pairs.
    """
    first, second = as_vector(x, name=names[0], least=least), as_vector(y, name=names[1], least=least)
    if len(first) != len(second):
        raise InputError(
            f"{names[0]} has {len(first)} values and {names[1]} has {len(second)}, expected pairs. "
            "Leave out units that have only one of the two."
        )
    return first, second


def as_matrix(values: ArrayLike, *, name: str, least: tuple[int, int] = (2, 2), missing: bool = False) -> FloatArray:
    """Units in rows, raters or conditions in columns.

    Raises
    ------
    InputError
        If it is not two-dimensional, or a cell is empty and `missing` is False, or a value is infinite.
    EvidenceError
        If there are fewer rows or columns than `least`.
    """
    found = np.asarray(values, dtype=float)
    if found.ndim != 2:
        raise InputError(f"{name}: an array of shape {found.shape}, expected units in rows and raters in columns.")
    _check_finite(found[~np.isnan(found)] if missing else found, name)
    if found.shape[0] < least[0] or found.shape[1] < least[1]:
        raise EvidenceError(
            f"{name}: {found.shape[0]} units by {found.shape[1]} raters, at least {least[0]} by {least[1]} are needed."
        )
    return found


def check_level(level: float) -> float:
    """A confidence level between 0 and 1.

    Raises
    ------
    InputError
        If it is not.
    """
    if not 0.0 < level < 1.0:
        raise InputError(f"level is {level}, expected more than 0 and less than 1, such as 0.95. Correct it.")
    return level


def _check_finite(found: FloatArray, name: str) -> None:
    bad = int(np.count_nonzero(~np.isfinite(found)))
    if bad:
        raise InputError(
            f"{name}: {bad} of {found.size} values are missing or not finite, expected none. "
            "Leave those units out, or use a statistic that allows gaps."
        )
