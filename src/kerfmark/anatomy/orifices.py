"""Orifices found on a pulp: where its chamber ends in canals, read off the surface alone.

Krasner & Rankow 2004: orifices lie where the walls meet the floor, in its corners. Level sections of the pulp are followed
down; where one that is chamber parts into several that run on, the floor stands between them.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.grids import distance_grid
from kerfmark.records import FloatArray, Surface

__all__ = ["orifices_of"]

SPACING_MM = 0.1
RUNS_ON_MM = 1.5
"""How far below its beginning a part must reach to be a canal and not a dip of the floor."""
FLOOR_SLOPE_MM = 1.5
"""Parts that divide so far below the first still leave the chamber; what divides deeper is one canal dividing."""
DEEPEST_FLOOR_MM = 5.0
"""A floor lies no farther below the cervical line; a canal that parts deeper has one orifice."""
SINGLE_BELOW_MM = 1.2
"""With one canal there is no floor: its orifice is set so far below the cervical line (common practice: at the neck or just below)."""


@dataclass(eq=False)
class _Part:
    """A connected part of one level section."""

    level: int
    middle: FloatArray
    area: int
    below: list[_Part] = field(default_factory=list)
    lowest: int = 0


def orifices_of(pulp: Surface, *, cervical_mm: float) -> dict[str, FloatArray]:
    """Where canals leave the chamber.

    Parameters
    ----------
    pulp : Surface
        Closed, tooth frame: +z occlusal.
    cervical_mm : float, mm
        Height of the cervical line.

    Returns
    -------
    orifices : dict of str to (3,) float array, mm
        `canal` where there is one; else `canal 1`, `canal 2`, … from −x to +x. Each in the middle of its canal's section, at the
        level where the floor parts it from the rest.
    """
    grid = distance_grid(pulp, spacing_mm=SPACING_MM, band_mm=3.0 * SPACING_MM)
    levels = _levels(grid.values < 0.0)
    start = _start(levels, (cervical_mm - grid.origin_mm[2]) / SPACING_MM)
    found = _mouths(start, deepest=int((cervical_mm - DEEPEST_FLOOR_MM - grid.origin_mm[2]) / SPACING_MM))
    if len(found) < 2:
        found = [_single(start, (cervical_mm - SINGLE_BELOW_MM - grid.origin_mm[2]) / SPACING_MM)]
    points = sorted((grid.origin_mm + SPACING_MM * part.middle for part in found), key=lambda at: float(at[0]))
    if len(points) == 1:
        return {"canal": points[0]}
    return {f"canal {number}": at for number, at in enumerate(points, start=1)}


def _levels(inside: NDArray[np.bool_]) -> list[list[_Part]]:
    """The parts of every level from the bottom up, each knowing those it stands on and how far down it reaches."""
    from scipy.ndimage import center_of_mass, label

    levels: list[list[_Part]] = []
    before = np.zeros(inside.shape[:2], dtype=int)
    for k in range(inside.shape[2]):
        marked, count = label(inside[:, :, k], structure=np.ones((3, 3)))
        here = []
        for number in range(1, count + 1):
            own = marked == number
            part = _Part(k, np.array([*center_of_mass(own), float(k)]), int(own.sum()))
            part.below = [levels[k - 1][n - 1] for n in np.unique(before[own]) if n]
            part.lowest = min((other.lowest for other in part.below), default=k)
            here.append(part)
        levels.append(here)
        before = marked
    return levels


def _start(levels: list[list[_Part]], neck: float) -> _Part:
    """The chamber: the largest part among the levels within 1.5 mm of the cervical line, the highest such."""
    near = [part for parts in levels for part in parts if abs(part.level - neck) <= 1.5 / SPACING_MM]
    return max(near or [part for parts in levels for part in parts], key=lambda part: (part.area, part.level))


def _running(part: _Part) -> list[_Part]:
    """What a part stands on that runs on as a canal."""
    return [below for below in part.below if (below.level - below.lowest) * SPACING_MM >= RUNS_ON_MM]


def _single(part: _Part, level: float) -> _Part:
    """The part straight down at a level, or the last before it parts."""
    while part.level > level and len(part.below) == 1:
        part = part.below[0]
    return part


def _mouths(part: _Part, *, deepest: int) -> list[_Part]:
    """The parts that leave the chamber: first those the floor separates, then what still parts a little below."""
    while len(_running(part)) == 1:
        part = _running(part)[0]
    if len(_running(part)) < 2 or part.level < deepest:
        return [part]
    limit = part.level - FLOOR_SLOPE_MM / SPACING_MM
    found: list[_Part] = []
    todo = _running(part)
    while todo:
        first = here = todo.pop()
        while len(_running(here)) == 1 and here.level > limit:
            here = _running(here)[0]
        if len(_running(here)) > 1 and here.level > limit:
            todo += _running(here)
        else:
            found.append(first)
    return found
