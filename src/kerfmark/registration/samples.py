"""A surface as points: evenly by area, with normals that noise does not turn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfmark.geometry.frames import transform_directions, transform_points
from kerfmark.geometry.mesh import face_areas_mm2
from kerfmark.kernels import cells
from kerfmark.kernels.arrays import read_only
from kerfmark.records import FloatArray, IntArray, Surface

__all__ = ["Cells", "Samples", "cells_of", "samples_of"]

NORMAL_CELL_MM = 0.5
MOST_CELLS = 2_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Points on a surface, every one standing for `area_each_mm2`, with outward unit normals averaged over half a millimetre."""

    points_mm: FloatArray
    normals: FloatArray
    area_each_mm2: float

    def moved(self, matrix: ArrayLike) -> Samples:
        """The same samples carried by a rigid matrix."""
        return Samples(
            transform_points(matrix, self.points_mm), transform_directions(matrix, self.normals), self.area_each_mm2
        )

    def thinned(self, count: int) -> Samples:
        """At most `count` of them, evenly chosen."""
        if len(self.points_mm) <= count:
            return self
        chosen = np.arange(count) * len(self.points_mm) // count
        area = self.area_each_mm2 * len(self.points_mm) / count
        return Samples(self.points_mm[chosen], self.normals[chosen], area)

    def where(self, mask: NDArray[Any]) -> Samples:
        """Only those the mask names."""
        return Samples(self.points_mm[mask], self.normals[mask], self.area_each_mm2)


def samples_of(surface: Surface, *, per_mm2: float, least: int, most: int) -> Samples:
    """Points spread evenly over the area of a surface; the same surface gives the same points.

    Parameters
    ----------
    surface : Surface
    per_mm2 : float
        How many on a square millimetre, as far as `least` and `most` in all allow.
    least, most : int

    Returns
    -------
    samples : Samples
    """
    vertices, faces = read_only(surface.vertices_mm, np.float64), read_only(surface.faces, np.int32)
    areas = face_areas_mm2(surface)
    area = float(areas.sum())
    points = cells.systematic_samples(vertices, faces, areas, int(np.clip(area * per_mm2, least, most)))
    low, width, shape = _lattice(vertices, NORMAL_CELL_MM)
    vectors = cells.area_vectors_in_cells(vertices, faces, low, width, shape)
    return Samples(points, cells.directions_at(points, vectors, low, width, shape), area / len(points))


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Points ready to be asked which of them is nearest."""

    points_mm: FloatArray
    starts: IntArray
    order: IntArray
    low: FloatArray
    width_mm: float
    shape: IntArray

    def nearest(self, queries_mm: FloatArray) -> IntArray:
        """Index of the nearest point within `width_mm` of each query, −1 where there is none."""
        queries = read_only(queries_mm, np.float64)
        found: IntArray = cells.nearest_sorted(
            queries, read_only(self.points_mm, np.float64), self.starts, self.order, self.low, self.width_mm, self.shape
        )
        return found


def cells_of(points_mm: FloatArray, *, width_mm: float) -> Cells:
    """Points sorted for `Cells.nearest` within `width_mm`."""
    points = read_only(points_mm, np.float64)
    low, width, shape = _lattice(points, width_mm)
    starts, order = cells.sort_into_cells(points, low, width, shape)
    return Cells(points, starts, order, low, width, shape)


def _lattice(points: FloatArray, width_mm: float) -> tuple[FloatArray, float, IntArray]:
    """Corner, cell width (wider where there would be too many cells) and number of cells along each axis."""
    low, high = points.min(axis=0), points.max(axis=0)
    width = width_mm
    while np.prod(np.floor((high - low) / width) + 1.0) > MOST_CELLS:
        width *= 1.5
    return low, float(width), (np.floor((high - low) / width) + 1.0).astype(np.int32)
