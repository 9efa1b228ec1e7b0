"""How far an opening, seen along its columns, covers a planned outline; both blocks and teeth are read so."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.columns import Crossings, Lattice
from kerfmark.measurement.budget import measured
from kerfmark.measurement.surface.bench import Bench
from kerfmark.measurement.surface.margin import FIT_LENGTH_MM, Margin, corners_u_mm2
from kerfmark.records import Component, FloatArray, Reading, Witness

__all__ = [
    "Rim",
    "dice",
    "inside_outline",
    "opened",
    "opening_of",
    "overlap_reading",
    "planned_through",
    "rim_of",
    "rim_of_margin",
]

ABSOLUTE_NORMAL = 0.8
"""Mean size of a standard normal variable, sqrt(2 / π)."""
ABSOLUTE_SCATTER = 0.75
"""Standard deviation of that size over its mean: √(π / 2 − 1)."""
AWAY = 3.0
RIM_NOISE = 0.5
"""Noise across a rim over that of its points: they move along the mean of two normals, and between them it is less."""
RIM_SHIFT = 0.3
"""Over the noise of its points: what moves the whole rim the same way: noise overhangs a rim, and `deeper` gives most of it back."""


class Rim(NamedTuple):
    """Standard uncertainty (mm) of a rim's place here and there, of all of it the same way, and over what stretch of it one error goes."""

    noise: float
    shift: float
    stretch: float = 0.0


def rim_of_margin(bench: Bench, margin: Margin, length_mm: float) -> Rim:
    """How unsure a rim is that a margin gives."""
    noise = margin.noise_mm(1e-3 * bench.piece.noise_um)
    together = math.hypot(noise / math.sqrt(max(1.0, length_mm / FIT_LENGTH_MM)), corners_u_mm2(bench) / length_mm)
    return Rim(noise, together, FIT_LENGTH_MM)


def overlap_reading(
    name: str,
    bench: Bench,
    outline: Sequence[FloatArray],
    opening: NDArray[np.bool_],
    *,
    within: NDArray[np.bool_] | None = None,
    deeper: NDArray[np.bool_] | None = None,
    through: NDArray[np.bool_] | None = None,
    rim_mm: Rim | None = None,
) -> Reading:
    """Dice of an opening (a mask of the bench's columns) and the columns inside closed loops (k, 3), with its budget.

    `within` leaves all other columns out of both. `deeper` is the opening at twice the depth that counts as open: what
    it loses against `opening`, `opening` has lost against the rim itself, where walls lean or noise overhangs the rim.
    `through` are columns planned as well, whatever the loops hold.
    `rim_mm` is how unsure the opening's rim is where that is known; else it goes with the noise of the source's points.
    """
    assert bench.lattice is not None
    if within is not None:
        opening = opening & within
    inside = _Inside(bench.lattice, within, through)
    planned = inside(outline)
    seen = dice(opening, planned)
    short = 0.0 if deeper is None else seen - dice(deeper if within is None else deeper & within, planned)
    witness = Witness("curve", curves_mm=(*outline, *rim_of(bench, opening)))
    lost, budget = _lost_and_budget(bench, opening, outline, seen, inside, rim_mm)
    budget = (*budget, Component("depth that counts as open", 0.5 * abs(short)))
    return measured(name, min(seen + lost + short, 1.0), unit="1", budget=budget, witness=witness)


def opening_of(bench: Bench, *, times: float = 1.0) -> NDArray[np.bool_]:
    """(columns,) where the subject's top is cut open, by more than so many times the least depth that counts, or right through."""
    depth = bench.subject_columns.top - bench.piece_columns.top
    gone = bench.removal.length_mm[:, 1::2].sum(axis=(0, 1)) > 0.0
    through = _through(bench, bench.piece_columns)
    return np.asarray(gone & ((depth > times * bench.least_mm) | bench.removal.filled | through))


def planned_through(bench: Bench) -> NDArray[np.bool_]:
    """(columns,) where the target leaves nothing of the subject: an outline that goes round a lost corner does not hold it."""
    assert bench.lattice is not None
    if bench.target_columns is None:
        return np.zeros(bench.lattice.columns, dtype=bool)
    return _through(bench, bench.target_columns)


def _through(bench: Bench, left: Crossings) -> NDArray[np.bool_]:
    """(columns,) where the subject stands and nothing is left; of a surface that does not close nobody knows."""
    return np.asarray((np.diff(left.starts) == 0) & (np.diff(bench.subject_columns.starts) > 0) & left.is_closed)


def opened(loop: FloatArray) -> FloatArray:
    """A closed curve without its last point where that repeats the first."""
    return loop[:-1] if len(loop) > 1 and np.allclose(loop[0], loop[-1]) else loop


def dice(a: np.ndarray, b: np.ndarray) -> float:
    """Twice what two sets share over the sum of their sizes; 1 where both are the same, 0 where they are apart.

    Notes
    -----
    Source: Dice (1945).

    Examples
    --------
    >>> dice(np.array([True, True, False]), np.array([True, False, False])).__round__(3)
    0.667
    """
    total = int(a.sum()) + int(b.sum())
    return 2.0 * int((a & b).sum()) / total if total else 0.0


def inside_outline(lattice: Lattice, loops: Sequence[FloatArray]) -> np.ndarray:
    """(columns,) whether each column stands inside closed loops (k, 3), an odd number of times."""
    toggles = np.zeros((lattice.nx, lattice.ny + 1), np.int64)
    for loop in loops:
        turned = (np.asarray(loop)[:, :2] @ lattice.turn[:2, :2].T - lattice.origin) / lattice.spacing_mm
        x0, y0, x1, y1 = np.hstack([turned, np.roll(turned, -1, axis=0)]).T
        first = np.clip(np.ceil(np.minimum(x0, x1)), 0, lattice.nx).astype(int)
        count = np.clip(np.ceil(np.maximum(x0, x1)), 0, lattice.nx).astype(int) - first
        edge = np.repeat(np.arange(len(turned)), count)
        row = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count) + first[edge]
        at = y0[edge] + (row - x0[edge]) * (y1 - y0)[edge] / (x1 - x0)[edge]
        np.add.at(toggles, (row, np.clip(np.ceil(at), 0, lattice.ny).astype(int)), 1)
    return np.asarray((toggles.cumsum(axis=1)[:, :-1] % 2 == 1).ravel())


@dataclass(frozen=True, slots=True, eq=False)
class _Inside:
    """Which columns stand inside loops or go `through`, of those `within`."""

    lattice: Lattice
    within: NDArray[np.bool_] | None
    through: NDArray[np.bool_] | None

    def __call__(self, loops: Sequence[FloatArray]) -> NDArray[np.bool_]:
        found = inside_outline(self.lattice, loops)
        if self.through is not None:
            found = found | self.through
        return np.asarray(found if self.within is None else found & self.within)


def _lost_and_budget(
    bench: Bench,
    opening: np.ndarray,
    outline: Sequence[FloatArray],
    value: float,
    inside: _Inside,
    rim_mm: Rim | None,
) -> tuple[float, tuple[Component, ...]]:
    """What errors on average take off the overlap, and how far they move it.

    The outline is moved, turned and made wider and narrower by three standard uncertainties, either way. Of half the
    difference of the two overlaps a third is what one does. What their mean falls short of the overlap is taken off
    whichever way an error goes: nothing where the outlines lie apart, and where they are the same it grows with what an
    error is more than the one already made, which on average is 0.8 of its uncertainty.
    """
    piece, lattice = bench.piece, bench.lattice
    assert lattice is not None

    def both(change: Callable[[FloatArray, float], FloatArray], by: float) -> tuple[float, float]:
        ends = (-AWAY * by, AWAY * by)
        found = [dice(opening, inside([change(c, end) for c in outline])) for end in ends]
        lost = max(value - 0.5 * (found[0] + found[1]), 0.0) * ABSOLUTE_NORMAL / (AWAY - ABSOLUTE_NORMAL)
        return 0.5 * abs(found[1] - found[0]) / AWAY, lost

    covariance = np.sqrt(np.diag(piece.alignment.covariance))
    moves = [both(_along_x, float(covariance[3])), both(_along_y, float(covariance[4]))]
    moves.append(both(_turned, float(covariance[2])))
    rim_mm = rim_mm or Rim(RIM_NOISE * 1e-3 * piece.noise_um, RIM_SHIFT * 1e-3 * piece.noise_um)
    grown, noise = both(_grown, 1e-3 * piece.trueness_um), both(_grown, rim_mm.noise)
    shifted = both(_grown, rim_mm.shift)
    size = float(opening.sum()) + float(inside(outline).sum())
    rim = sum(float(np.linalg.norm(np.diff(c, axis=0, append=c[:1]), axis=1).sum()) for c in outline)
    strip = 0.3 * lattice.spacing_mm * float(np.sqrt(rim * lattice.spacing_mm)) / (size * lattice.cell_mm2)
    lost = math.hypot(*(m[1] for m in moves), grown[1], noise[1])
    # One stretch adds to what both share, another to what only one has: of either the overlap changes by about its area over both sizes.
    here_and_there = rim_mm.noise * math.sqrt(rim * rim_mm.stretch) / (size * lattice.cell_mm2)
    return lost, (
        Component("alignment", math.hypot(*(m[0] for m in moves))),
        Component("surface noise", max(shifted[0], here_and_there)),
        Component("trueness", grown[0]),
        Component("errors either way", ABSOLUTE_SCATTER * lost),
        Component("column spacing", strip),
    )


def _along_x(curve: FloatArray, shift_mm: float) -> FloatArray:
    return np.asarray(curve + np.array([shift_mm, 0.0, 0.0]))


def _along_y(curve: FloatArray, shift_mm: float) -> FloatArray:
    return np.asarray(curve + np.array([0.0, shift_mm, 0.0]))


def _turned(curve: FloatArray, angle: float) -> FloatArray:
    x, y = curve[:, 0], curve[:, 1]
    return np.column_stack([x - angle * y, y + angle * x, curve[:, 2]])


def _grown(curve: FloatArray, by_mm: float) -> FloatArray:
    """The closed curve moved outwards along its normals."""
    flat = curve[:, :2]
    forward, back = np.roll(flat, -1, axis=0) - flat, flat - np.roll(flat, 1, axis=0)
    units = [e / np.maximum(np.linalg.norm(e, axis=1, keepdims=True), 1e-12) for e in (forward, back)]
    area = 0.5 * float(np.sum(flat[:, 0] * forward[:, 1] - flat[:, 1] * forward[:, 0]))
    out = np.stack([units[0] + units[1]])[0] @ np.array([[0.0, -1.0], [1.0, 0.0]]) * np.sign(area)
    square = np.maximum((out**2).sum(axis=1, keepdims=True), 0.2)
    return np.column_stack([flat + by_mm * 2.0 * out / square, curve[:, 2]])


def rim_of(bench: Bench, opening: np.ndarray) -> tuple[FloatArray, ...]:
    """Points along the opening's rim, in order round its middle, for drawing."""
    lattice = bench.lattice
    assert lattice is not None
    mask = opening.reshape(lattice.nx, lattice.ny)
    inner = mask[1:-1, 1:-1] & mask[:-2, 1:-1] & mask[2:, 1:-1] & mask[1:-1, :-2] & mask[1:-1, 2:]
    edge = mask.copy()
    edge[1:-1, 1:-1] &= ~inner
    chosen = edge.ravel()
    points = np.column_stack([lattice.feet[chosen], bench.subject_columns.top[chosen]])
    if not len(points):
        return ()
    middle = points.mean(axis=0)
    order = np.argsort(np.arctan2(*(points - middle)[:, [1, 0]].T))
    return (points[order][:: max(1, len(points) // 400)],)
