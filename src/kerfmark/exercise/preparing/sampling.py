"""Points spread evenly over a surface, the same every time, with normals averaged over their surroundings."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.mesh import face_areas_mm2, face_normals
from kerfmark.geometry.rays import RayCaster
from kerfmark.records import FloatArray, Surface

__all__ = ["sampled", "smoothed", "visible"]

_PLASTIC = 1.32471795724474602596
"""Root of x³ = x + 1: steps of 1/x and 1/x² fill the unit square evenly (Roberts' R2 sequence)."""


def sampled(surface: Surface, *, spacing_mm: float, most: int = 40_000) -> tuple[FloatArray, FloatArray]:
    """Points about `spacing_mm` apart, as many on each part of the surface as its area asks for.

    Parameters
    ----------
    surface : Surface
    spacing_mm : float
        Square root of the area that each point stands for; widened where there would be more than `most` points.
    most : int

    Returns
    -------
    points_mm, normals : (n, 3) float arrays
        On the faces, with the faces' own outward unit normals.
    """
    areas = face_areas_mm2(surface)
    total = float(areas.sum())
    count = int(np.clip(round(total / spacing_mm**2), 1, most))
    steps = np.arange(count)
    face = np.searchsorted(np.cumsum(areas), (steps + 0.5) * total / count).clip(0, len(areas) - 1)
    u, v = (0.5 + steps / _PLASTIC) % 1.0, (0.5 + steps / _PLASTIC**2) % 1.0
    over = u + v > 1.0
    u, v = np.where(over, 1.0 - u, u), np.where(over, 1.0 - v, v)
    a, b, c = (surface.vertices_mm[surface.faces[face, corner]] for corner in range(3))
    points = a + u[:, None] * (b - a) + v[:, None] * (c - a)
    return points, face_normals(surface)[face]


def smoothed(
    points_mm: FloatArray, normals: FloatArray, *, radius_mm: float, among: tuple[FloatArray, FloatArray] | None = None
) -> FloatArray:
    """Unit normals averaged over what lies within `radius_mm`; an opposite face close by is left out.

    Parameters
    ----------
    points_mm, normals : (n, 3) float arrays
    radius_mm : float
    among : two (m, 3) float arrays, optional
        Points and normals of the surroundings, spread evenly; the points themselves when left out.

    Returns
    -------
    normals : (n, 3) float array
    """
    from scipy.spatial import cKDTree

    around, around_normals = (points_mm, normals) if among is None else among
    pairs = cKDTree(points_mm).sparse_distance_matrix(cKDTree(around), radius_mm, output_type="ndarray")
    first, second = pairs["i"], pairs["j"]
    alike = np.einsum("ij,ij->i", normals[first], around_normals[second]) > -0.2
    first, second = first[alike], second[alike]
    sums = [np.bincount(first, weights=around_normals[second, axis], minlength=len(normals)) for axis in range(3)]
    total = np.stack(sums, axis=1)
    length = np.linalg.norm(total, axis=1, keepdims=True)
    return np.where(length > 1e-9, total / np.where(length > 1e-9, length, 1.0), normals)


def visible(points_mm: FloatArray, normals: FloatArray, caster: RayCaster) -> NDArray[np.bool_]:
    """Whether each point is seen from above or from a side: along +z, or at 50 or 80 degrees from it all round."""
    seen = np.zeros(len(points_mm), dtype=bool)
    for direction in _views():
        todo = np.flatnonzero(~seen & (normals @ direction > 0.1))
        if len(todo) == 0:
            continue
        distance, _ = caster.first_hit(points_mm[todo] + 0.02 * normals[todo], direction, max_mm=60.0)
        seen[todo] = np.isnan(distance)
    return seen


def _views() -> list[FloatArray]:
    views = [np.array([0.0, 0.0, 1.0])]
    for lean in np.radians([50.0, 80.0]):
        for turn in np.radians(np.arange(0.0, 360.0, 45.0)):
            views.append(np.array([np.sin(lean) * np.cos(turn), np.sin(lean) * np.sin(turn), np.cos(lean)]))
    return views
