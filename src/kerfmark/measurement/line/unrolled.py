"""A piece laid out along its planned line: lengths along it, lengths to its left, heights as they are."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.columns import find_crossings, sort_crossings
from kerfmark.kernels.paths import beside_path
from kerfmark.measurement.surface.columns import Crossings
from kerfmark.records import FloatArray, Surface

__all__ = ["DepthMap", "Path", "Unrolled", "planned_path", "unrolled"]

DITHER = 0.05 * (np.sqrt(5.0) - 1.0)
"""How far each row is shifted against the one before, in samples: over a stretch of the line every place comes up."""
STRAIGHT_MM = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """The planned line seen from above, (k, 2), produced straight beyond its ends; `lengths` count from its start.

    `length_mm` is the planned line's own length. A closed line is not produced.
    """

    points: FloatArray
    lengths: FloatArray
    length_mm: float
    closed: bool

    def places(self, along: FloatArray, left: FloatArray) -> FloatArray:
        """(n, 2) x and y of places along the line and to its left."""
        along, left = np.asarray(along, float), np.asarray(left, float)
        middle = np.column_stack([np.interp(along, self.lengths, self.points[:, k]) for k in (0, 1)])
        return np.asarray(middle + left[:, None] * self.leftward(along))

    def leftward(self, along: FloatArray) -> FloatArray:
        """(n, 2) unit directions to the left of the line, turning evenly round its corners."""
        ways = np.gradient(self.points, self.lengths, axis=0)
        way = np.column_stack([np.interp(along, self.lengths, ways[:, k]) for k in (0, 1)])
        way /= np.linalg.norm(way, axis=1, keepdims=True)
        return np.column_stack([-way[:, 1], way[:, 0]])


@dataclass(frozen=True, slots=True, eq=False)
class DepthMap:
    """Depth below the subject's top: rows at `along` (rows,), samples at `left` (rows, samples), mm; nan unseen."""

    along: FloatArray
    left: FloatArray
    depth_mm: FloatArray
    step_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Unrolled:
    """A surface in the line's coordinates, and the height of the subject's top at any (x, y)."""

    path: Path
    surface: Surface
    top_at: Callable[[FloatArray], FloatArray]

    def depth_map(
        self, along: tuple[float, float], left: tuple[float, float], *, row_mm: float, sample_mm: float
    ) -> DepthMap:
        """Depths on rows across the line. Rows are shifted against each other, so that upright walls read between samples."""
        rows, samples = (round((b - a) / s) + 1 for (a, b), s in ((along, row_mm), (left, sample_mm)))
        at = along[0] + row_mm * np.arange(rows)
        surface = _between(self.surface, at[0] - row_mm, at[-1] + row_mm)
        points = surface.vertices_mm.copy()
        points[:, 0] = (points[:, 0] - at[0]) * (sample_mm / row_mm)
        points[:, 1] -= left[0]
        heights, shift = _tops(Surface(points, surface.faces), sample_mm, rows, samples)
        lefts = left[0] + shift[:, None] + sample_mm * np.arange(samples)
        places = self.path.places(np.repeat(at, samples), lefts.ravel())
        depth = (self.top_at(places) - heights.ravel()).reshape(rows, samples)
        return DepthMap(np.asarray(at), lefts, depth, sample_mm)


def planned_path(line_mm: FloatArray, *, beyond_mm: float) -> Path:
    """The planned line as a path, with corners closer than 0.02 mm dropped."""
    points = np.asarray(line_mm, dtype=float)[:, :2]
    apart = np.r_[True, np.linalg.norm(np.diff(points, axis=0), axis=1) > 1e-6]
    points = points[apart]
    own = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))]
    closed = len(points) > 3 and float(np.linalg.norm(points[0] - points[-1])) < STRAIGHT_MM
    if closed:
        return Path(points, own, float(own[-1]), True)
    first, last = points[0] - points[1], points[-1] - points[-2]
    start = points[0] + beyond_mm * first / np.linalg.norm(first)
    end = points[-1] + beyond_mm * last / np.linalg.norm(last)
    lengths = np.r_[-beyond_mm, own, own[-1] + beyond_mm]
    return Path(np.vstack([start, points, end]), lengths, float(own[-1]), False)


def unrolled(surface: Surface, path: Path, *, reach_mm: float, top_at: Callable[[FloatArray], FloatArray]) -> Unrolled:
    """The part of a surface within `reach_mm` of the line, in the line's coordinates."""
    along, left = beside_path(
        read_only(surface.vertices_mm, np.float64), read_only(path.points, np.float64),
        read_only(path.lengths, np.float64), float(reach_mm),
    )  # fmt: skip
    corners = along[surface.faces]
    near: NDArray[np.bool_] = np.asarray(np.isfinite(corners).all(axis=1))
    near[near] = np.ptp(corners[near], axis=1) < max(0.5 * path.length_mm, 1.0)
    number = np.cumsum(np.isfinite(along)) - 1
    known = np.isfinite(along)
    points = np.column_stack([along, left, surface.vertices_mm[:, 2]])[known]
    return Unrolled(path, Surface(points, number[surface.faces[near]].astype(np.int32)), top_at)


def _between(surface: Surface, low: float, high: float) -> Surface:
    """Faces that reach into a stretch of the line."""
    corners = surface.vertices_mm[:, 0][surface.faces]
    return Surface(surface.vertices_mm, surface.faces[(corners.max(axis=1) >= low) & (corners.min(axis=1) <= high)])


def _tops(surface: Surface, spacing: float, rows: int, samples: int) -> tuple[FloatArray, FloatArray]:
    """(rows, samples) highest crossings, and how far each row's first sample is shifted, 0 to one sample.

    The rows' shifts are laid on as a shear; what it moves by whole samples is taken back.
    """
    points = surface.vertices_mm.copy()
    points[:, 1] -= DITHER * points[:, 0]
    drift = DITHER * np.arange(rows)
    whole = np.floor(drift).astype(int)
    wide = samples + int(whole[-1])
    origin = read_only([0.0, -float(whole[-1]) * spacing], np.float64)
    found = find_crossings(
        read_only(points, np.float64), read_only(surface.faces, np.int32), origin, spacing, rows, wide
    )
    top = Crossings(*sort_crossings(*found, rows * wide)).top().reshape(rows, wide)
    index = np.arange(samples)[None, :] + (whole[-1] - whole)[:, None]
    return np.take_along_axis(top, index, axis=1), spacing * (drift - whole)
