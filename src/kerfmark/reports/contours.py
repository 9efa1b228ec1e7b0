"""Contours of a field on a regular grid as polylines, shared by the view and the sections."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.raster import crossings, kept_corners, trace
from kerfmark.records import FloatArray

__all__ = ["contour_chains", "length_of", "simplified"]


def contour_chains(field: NDArray[np.float32], level: float, *, tolerance: float = 0.1) -> list[FloatArray]:
    """Where a field crosses a level, as polylines of (column, row).

    A chain that closes ends on its first point.

    Parameters
    ----------
    field : (h, w) float32 array
    level : float
    tolerance : float, cells
        How far a line may be simplified.
    """
    ends, edges = crossings(np.ascontiguousarray(field, dtype=np.float32), level)
    points, starts = trace(ends, edges, 2 * field.size)
    chains = [points[a:b] for a, b in itertools.pairwise(starts) if b - a > 2]
    return [simplified(chain, tolerance=tolerance) for chain in chains]


def simplified(points: FloatArray, *, tolerance: float) -> FloatArray:
    """A polyline (n, 2) with the points left out that lie within `tolerance` of it."""
    if len(points) < 4:
        return points
    closed = bool(np.all(points[0] == points[-1]))
    if not closed:
        return np.asarray(points[kept_corners(np.ascontiguousarray(points, dtype=float), tolerance)])
    middle = len(points) // 2
    halves = [simplified(points[: middle + 1], tolerance=tolerance), simplified(points[middle:], tolerance=tolerance)]
    return np.vstack([halves[0][:-1], halves[1]])


def length_of(points: FloatArray) -> float:
    """The length of a polyline."""
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
