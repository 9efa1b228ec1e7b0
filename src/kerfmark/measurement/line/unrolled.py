"""A piece laid out along its planned line: lengths along it, lengths to its left, heights above the old surface."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from kerfmark.geometry.columns import Crossings
from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.columns import find_crossings, sort_crossings
from kerfmark.kernels.paths import beside_path
from kerfmark.records import FloatArray, Surface

__all__ = ["DepthMap", "Path", "Unrolled", "planned_path", "unrolled"]

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
    """Depth below the subject's top: rows at `along` (rows,), samples at `left` (samples,), mm; nan unseen."""

    along: FloatArray
    left: FloatArray
    depth_mm: FloatArray
    step_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Unrolled:
    """A surface in the line's coordinates: along it, to its left, height above the subject's top."""

    path: Path
    surface: Surface

    def depth_map(
        self, along: tuple[float, float], left: tuple[float, float], *, row_mm: float, sample_mm: float
    ) -> DepthMap:
        """Depths on rows across the line."""
        found = self._crossings((0, 1, 2), (along[0], left[0]), (along[1], left[1]), (row_mm, sample_mm))
        rows, samples, crossed = found
        return DepthMap(
            np.asarray(along[0] + row_mm * np.arange(rows)), np.asarray(left[0] + sample_mm * np.arange(samples)),
            -crossed.top.reshape(rows, samples), sample_mm,
        )  # fmt: skip

    def walls(
        self, along: tuple[float, float], depth: tuple[float, float], *, row_mm: float, level_mm: float
    ) -> tuple[FloatArray, Crossings]:
        """Levels (depths), and where lines across the planned line at those depths meet the surface.

        The lines of one row follow one another, the deepest first.
        """
        low, high = (along[0], -depth[1]), (along[1], -depth[0])
        _, levels, crossed = self._crossings((0, 2, 1), low, high, (row_mm, level_mm))
        return np.asarray(depth[1] - level_mm * np.arange(levels)), crossed

    def end_walls(
        self, along: tuple[float, float], left: tuple[float, float], depth: tuple[float, float], *, step_mm: float
    ) -> tuple[FloatArray, int, Crossings]:
        """Places across the line, how many levels each has, and where lines along it meet the surface at each.

        The lines of one place follow one another, the deepest first; what they meet is counted between two lengths.
        """
        part = _between(self.surface, *along)
        low, high = (left[0], -depth[1]), (left[1], -depth[0])
        places, levels, crossed = _met(part, (1, 2, 0), low, high, (step_mm, step_mm))
        return np.asarray(left[0] + step_mm * np.arange(places)), levels, crossed

    def _crossings(
        self,
        axes: tuple[int, int, int],
        low: tuple[float, float],
        high: tuple[float, float],
        steps: tuple[float, float],
    ) -> tuple[int, int, Crossings]:
        """Crossings of lines along the third of `axes` on a lattice over the first two."""
        return _met(_between(self.surface, low[0] - steps[0], high[0] + steps[0]), axes, low, high, steps)


def _met(
    surface: Surface,
    axes: tuple[int, int, int],
    low: tuple[float, float],
    high: tuple[float, float],
    steps: tuple[float, float],
) -> tuple[int, int, Crossings]:
    """Crossings of lines along the third of `axes` on a lattice over the first two: rows, samples of each, crossings."""
    rows, samples = (round((b - a) / s) + 1 for a, b, s in zip(low, high, steps, strict=True))
    points = surface.vertices_mm[:, axes].copy()
    points[:, 0] = (points[:, 0] - low[0]) * (steps[1] / steps[0])
    points[:, 1] -= low[1]
    found = find_crossings(
        read_only(points, np.float64), read_only(surface.faces, np.int32), read_only(np.zeros(2), np.float64),
        steps[1], rows, samples,
    )  # fmt: skip
    return rows, samples, Crossings(*sort_crossings(*found, rows * samples))


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
    known = np.flatnonzero(np.isfinite(along))
    height = surface.vertices_mm[known, 2] - top_at(surface.vertices_mm[known, :2])
    number = np.full(len(along), -1, np.int32)
    number[known[np.isfinite(height)]] = np.arange(np.isfinite(height).sum(), dtype=np.int32)
    points = np.column_stack([along[known], left[known], height])[np.isfinite(height)]
    a, b, c = (number[corner] for corner in surface.faces.T)
    faces = np.column_stack([a, b, c])[(a >= 0) & (b >= 0) & (c >= 0)]
    longest = max(0.5 * path.length_mm, 1.0)
    return Unrolled(path, Surface(points, faces[np.ptp(points[faces][:, :, 0], axis=1) < longest]))


def _between(surface: Surface, low: float, high: float) -> Surface:
    """Faces that reach into a stretch of the line."""
    corners = surface.vertices_mm[:, 0][surface.faces]
    return Surface(surface.vertices_mm, surface.faces[(corners.max(axis=1) >= low) & (corners.min(axis=1) <= high)])
