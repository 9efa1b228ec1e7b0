"""Control charts of single values: whether something stays where it was."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfmark.errors import EvidenceError
from kerfmark.statistics.estimates import FloatArray, as_vector

__all__ = ["RUN", "ControlChart", "individuals_chart"]

RUN: Final = 8
"""This many in a row on one side of the centre are a run."""

RANGE_OF_TWO: Final = 2.0 / math.sqrt(math.pi)
"""Mean range of two normal values, in standard deviations."""


@dataclass(frozen=True, slots=True, eq=False)
class ControlChart:
    """Limits within which single values stay while nothing changes.

    Attributes
    ----------
    centre, lower, upper : float
    sd : float
        From moving ranges.
    beyond, in_run : (n,) bool arrays
        Values outside the limits, and values at the end of a run of eight or more on one side of the centre.
    n : int
    """

    centre: float
    lower: float
    upper: float
    sd: float
    beyond: NDArray[np.bool_]
    in_run: NDArray[np.bool_]
    n: int


def individuals_chart(
    values: ArrayLike, *, groups: ArrayLike | None = None, centre: float | None = None
) -> ControlChart:
    """Chart of single values in the order they came; limits three standard deviations from the centre.

    The spread comes from moving ranges, so that a slow drift does not widen its own limits. Trust it with ten values or
    more; three standard deviations let about 3 in 1,000 values out while nothing has changed.

    Parameters
    ----------
    values : (n,) float array
        In order of time.
    groups : (n,) array, optional
        Whose value each is: ranges and runs are taken within a group, the limits are common to all.
    centre : float, optional
        Where values should lie, if known; the mean of the values when left out.

    Returns
    -------
    ControlChart

    Raises
    ------
    EvidenceError
        If there are fewer than three values, or no two differ.

    Notes
    -----
    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (moving range) and 6.3.2 (eight in a row).

    Examples
    --------
    >>> chart = individuals_chart([1.0, 2.0, 1.5, 2.5, 9.0])
    >>> bool(chart.beyond.any()), round(chart.sd, 2)
    (False, 1.99)
    """
    found = as_vector(values, name="values", least=3)
    code = np.zeros(len(found), dtype=int) if groups is None else np.unique(np.asarray(groups), return_inverse=True)[1]
    series = [np.flatnonzero(code == g) for g in range(int(code.max()) + 1)]
    ranges = np.concatenate([np.abs(np.diff(found[at])) for at in series])
    if not len(ranges) or not ranges.any():
        raise EvidenceError("control chart: no two values that follow one another differ, so no limits can be set.")
    sd = float(ranges.mean()) / RANGE_OF_TWO
    middle = float(found.mean()) if centre is None else centre
    lower, upper = middle - 3.0 * sd, middle + 3.0 * sd
    in_run = np.zeros(len(found), dtype=bool)
    for at in series:
        in_run[at] = _ends_of_runs(found[at] - middle)
    return ControlChart(middle, lower, upper, sd, (found < lower) | (found > upper), in_run, len(found))


def _ends_of_runs(offset: FloatArray) -> NDArray[np.bool_]:
    """True from the eighth value on of a stretch that stays on one side."""
    length, ends = 0, np.zeros(len(offset), dtype=bool)
    for at, side in enumerate(np.sign(offset)):
        length = length + 1 if at and side != 0 and side == np.sign(offset[at - 1]) else int(side != 0)
        ends[at] = length >= RUN
    return ends
