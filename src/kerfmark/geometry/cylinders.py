"""Straight cylinders between two points: what an implant or its bed is, for distances."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.geometry.frames import perpendiculars
from kerfmark.records import FloatArray

__all__ = ["Cylinder"]


@dataclass(frozen=True, slots=True, eq=False)
class Cylinder:
    """A solid cylinder with flat ends from `entry_mm` to `apex_mm`."""

    entry_mm: FloatArray
    apex_mm: FloatArray
    radius_mm: float

    @property
    def length_mm(self) -> float:
        """From end to end."""
        return float(np.linalg.norm(self.apex_mm - self.entry_mm))

    @property
    def way(self) -> FloatArray:
        """Unit direction from the entry to the apex."""
        return np.asarray((self.apex_mm - self.entry_mm) / self.length_mm)

    def at(self, depth_mm: ArrayLike) -> FloatArray:
        """Points of the axis (…, 3) at depths below the entry."""
        return np.asarray(self.entry_mm + np.multiply.outer(np.asarray(depth_mm, dtype=float), self.way))

    def along_and_off(self, points_mm: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Of points (n, 3): depth below the entry along the axis, and distance from the axis, mm."""
        away = np.asarray(points_mm, dtype=float).reshape(-1, 3) - self.entry_mm
        depth = away @ self.way
        off = np.linalg.norm(away - depth[:, None] * self.way, axis=1)
        return np.asarray(depth), np.asarray(off)

    def distance_mm(self, points_mm: ArrayLike) -> FloatArray:
        """Signed distance of points (n, 3) from the cylinder, negative inside.

        Examples
        --------
        >>> rod = Cylinder(np.array([0.0, 0, 0]), np.array([0.0, 0, -10]), 2.0)
        >>> rod.distance_mm([[5, 0, -5], [0, 0, -13], [5, 0, -14], [1.5, 0, -5]]).tolist()
        [3.0, 3.0, 5.0, -0.5]
        """
        depth, off = self.along_and_off(points_mm)
        side, end = off - self.radius_mm, np.maximum(-depth, depth - self.length_mm)
        outside = np.hypot(np.maximum(side, 0.0), np.maximum(end, 0.0))
        return np.asarray(np.where((side <= 0.0) & (end <= 0.0), np.maximum(side, end), outside))

    def nearest_mm(self, points_mm: ArrayLike) -> FloatArray:
        """The point (n, 3) of the solid nearest to each point; of a point inside, itself."""
        points = np.asarray(points_mm, dtype=float).reshape(-1, 3)
        depth, off = self.along_and_off(points)
        clamped = np.clip(depth, 0.0, self.length_mm)
        outwards = points - self.entry_mm - depth[:, None] * self.way
        share = np.minimum(1.0, self.radius_mm / np.maximum(off, 1e-12))
        return np.asarray(self.at(clamped) + share[:, None] * outwards)

    def surface_points(self, *, spacing_mm: float) -> FloatArray:
        """Points (n, 3) over its side and both ends, about so far apart."""
        first, second = perpendiculars(self.way)
        rings = max(2, int(np.ceil(self.length_mm / spacing_mm)) + 1)
        around = max(12, int(np.ceil(2.0 * np.pi * self.radius_mm / spacing_mm)))
        turn = np.arange(around) * 2.0 * np.pi / around
        out = np.cos(turn)[:, None] * first + np.sin(turn)[:, None] * second
        side = self.at(np.linspace(0.0, self.length_mm, rings))[:, None] + self.radius_mm * out
        radii = np.linspace(0.0, self.radius_mm, max(2, int(np.ceil(self.radius_mm / spacing_mm)) + 1))[:-1]
        caps = [end + r * out for end in (self.entry_mm, self.apex_mm) for r in radii]
        return np.vstack([side.reshape(-1, 3), *caps])
