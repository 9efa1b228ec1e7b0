"""Upright columns on a fine lattice, and where they cross surfaces.

The lattice is turned by an angle whose tangent is irrational: a straight wall then falls between columns in every way
alike, and the volume beside it errs by about a square of the spacing rather than by half a spacing all along the wall.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.frames import rotation_about
from kerfmark.kernels import columns as kernels
from kerfmark.kernels.arrays import read_only
from kerfmark.records import FloatArray, Surface

__all__ = ["Crossings", "Lattice", "crossings", "lattice_over"]

SPACING_MM = 0.05
MOST_COLUMNS = 160_000
TURN_DEG = math.degrees(math.atan(0.1 * (math.sqrt(5.0) - 1.0)))
"""Slope a fifth of the golden number, which fractions approach worst: eight columns on, a straight wall has met every
part of a spacing, and a long narrow box still fills most of its lattice."""


@dataclass(frozen=True, eq=False)
class Lattice:
    """Columns along +z: (i, j), number `i * ny + j`, stands at `origin + spacing * (i, j)` of the turned plane."""

    turn: FloatArray
    origin: FloatArray
    spacing_mm: float
    nx: int
    ny: int

    @property
    def columns(self) -> int:
        """How many there are."""
        return self.nx * self.ny

    @property
    def cell_mm2(self) -> float:
        """The area each stands for."""
        return self.spacing_mm**2

    def covers(self, bounds_mm: FloatArray) -> bool:
        """Whether a box of the tooth frame (2, 2 or 3), lower and upper corner, lies over it."""
        low, high = np.asarray(bounds_mm, dtype=float)[:, :2]
        corners = np.array([[x, y] for x in (low[0], high[0]) for y in (low[1], high[1])]) @ self.turn[:2, :2].T
        place = (corners - self.origin) / self.spacing_mm
        return bool((place >= 0.0).all() and (place <= [self.nx - 1, self.ny - 1]).all())

    @cached_property
    def feet(self) -> FloatArray:
        """(columns, 2) places of the columns in the tooth frame, x and y, mm."""
        i, j = np.meshgrid(np.arange(self.nx), np.arange(self.ny), indexing="ij")
        turned = self.origin + self.spacing_mm * np.stack([i.ravel(), j.ravel()], axis=1)
        return np.asarray(turned @ self.turn[:2, :2])

    def nearest(self, points_mm: FloatArray) -> NDArray[np.int64]:
        """(n,) number of the column nearest to each point of the tooth frame."""
        turned = np.asarray(points_mm)[:, :2] @ self.turn[:2, :2].T
        i, j = np.rint((turned - self.origin) / self.spacing_mm).astype(np.int64).T
        return np.asarray(np.clip(i, 0, self.nx - 1) * self.ny + np.clip(j, 0, self.ny - 1))


@dataclass(frozen=True, eq=False)
class Crossings:
    """Where columns cross a surface: entries `starts[c]` to `starts[c + 1]` are column c's, from the top down."""

    starts: NDArray[np.int64]
    heights: FloatArray
    upward: NDArray[np.bool_]

    @cached_property
    def top(self) -> FloatArray:
        """(columns,) height of each column's highest crossing, nan where there is none."""
        first, end = self.starts[:-1], self.starts[1:]
        top = np.full(len(first), np.nan)
        hit = end > first
        top[hit] = self.heights[first[hit]]
        return top

    @cached_property
    def bottom(self) -> FloatArray:
        """(columns,) height of each column's lowest crossing, nan where there is none."""
        first, end = self.starts[:-1], self.starts[1:]
        bottom = np.full(len(first), np.nan)
        hit = end > first
        bottom[hit] = self.heights[end[hit] - 1]
        return bottom

    @cached_property
    def is_closed(self) -> bool:
        """Whether hardly any column that meets the surface ends in material: a scan from one side does not close."""
        first, end = self.starts[:-1], self.starts[1:]
        last = self.upward[end[end > first] - 1]
        return bool(len(last)) and float(np.mean(last)) < 0.01


def lattice_over(bounds_mm: FloatArray, *, spacing_mm: float = SPACING_MM) -> Lattice:
    """The lattice that covers a box (2, 2 or 3), lower and upper corner, mm; coarser where it would grow too large."""
    low, high = np.asarray(bounds_mm, dtype=float)[:, :2]
    turn = rotation_about([0.0, 0.0, 1.0], TURN_DEG)[:3, :3]
    corners = np.array([[x, y] for x in (low[0], high[0]) for y in (low[1], high[1])]) @ turn[:2, :2].T
    origin, size = corners.min(axis=0), np.ptp(corners, axis=0)
    spacing = max(spacing_mm, math.sqrt(float(np.prod(size + spacing_mm)) / MOST_COLUMNS))
    nx, ny = (int(np.ceil(s / spacing)) + 1 for s in size)
    return Lattice(turn, origin, spacing, nx, ny)


def crossings(surface: Surface, lattice: Lattice) -> Crossings:
    """Every height at which each column of the lattice meets a surface."""
    points = read_only(surface.vertices_mm @ lattice.turn.T, np.float64)
    faces, origin = read_only(surface.faces, np.int32), read_only(lattice.origin, np.float64)
    found = kernels.find_crossings(points, faces, origin, lattice.spacing_mm, lattice.nx, lattice.ny)
    return Crossings(*kernels.sort_crossings(*found, lattice.columns))
