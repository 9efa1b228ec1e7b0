"""The distance grids of an exercise."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kerfmark.exercise.preparing.surfaces import Surfaces
from kerfmark.geometry.grids import distance_grid
from kerfmark.geometry.mesh import bounds_mm
from kerfmark.records import FloatArray, Grid, Surface
from kerfmark.settings import Limits

__all__ = ["distance_to_nearest", "grids_of"]

FINE_MM, FINE_BAND_MM, NEIGHBOUR_BAND_MM = 0.1, 0.6, 0.3
COARSE_MM, COARSE_BAND_MM = 0.35, 3.0
ENVELOPE_MM = 0.15


def grids_of(surfaces: Surfaces, *, limits: Limits) -> dict[str, Grid]:
    """Every grid by name: `subject`, `target`, `search`, `envelope`, `neighbour.<side>`, `layer.<index>`."""
    most = limits.grid_mib
    around = _bounds([surfaces.subject, *([surfaces.target] if surfaces.target else [])], FINE_BAND_MM)
    grids = {
        "subject": distance_grid(
            surfaces.subject, spacing_mm=FINE_MM, band_mm=FINE_BAND_MM, bounds_mm=around, limit_mib=most
        )
    }
    if surfaces.target is not None:
        grids["target"] = distance_grid(
            surfaces.target, spacing_mm=FINE_MM, band_mm=FINE_BAND_MM, bounds_mm=around, limit_mib=most
        )
    for side, neighbour in surfaces.neighbours.items():
        grids[f"neighbour.{side}"] = distance_grid(
            neighbour, spacing_mm=FINE_MM, band_mm=NEIGHBOUR_BAND_MM, limit_mib=most
        )
    for index, layer in enumerate(surfaces.layers.values()):
        grids[f"layer.{index}"] = distance_grid(layer, spacing_mm=FINE_MM, band_mm=FINE_BAND_MM, limit_mib=most)
    if surfaces.envelope is not None:
        grids["envelope"] = distance_grid(
            surfaces.envelope, spacing_mm=ENVELOPE_MM, band_mm=FINE_BAND_MM, bounds_mm=around, limit_mib=most
        )
    expected = [surfaces.subject, *surfaces.neighbours.values(), *([surfaces.gingiva] if surfaces.gingiva else [])]
    grids["search"] = distance_to_nearest(expected, spacing_mm=COARSE_MM, band_mm=COARSE_BAND_MM, limit_mib=most)
    return grids


def distance_to_nearest(
    surfaces: Sequence[Surface], *, spacing_mm: float, band_mm: float, limit_mib: int | None = None
) -> Grid:
    """Signed distance to whichever body's surface is nearest, hidden or not.

    Unlike the distance of the union it is zero on a root inside gingiva too: a piece may have been scanned in its jaw or out of it.
    """
    around = _bounds(surfaces, band_mm)
    values = None
    for surface in surfaces:
        grid = distance_grid(surface, spacing_mm=spacing_mm, band_mm=band_mm, bounds_mm=around, limit_mib=limit_mib)
        values = grid.values if values is None else _nearer(values, grid.values)
    return Grid(grid.origin_mm, grid.spacing_mm, np.ascontiguousarray(values, dtype=np.float32))


def _nearer(a: NDArray[np.float32], b: NDArray[np.float32]) -> NDArray[np.float32]:
    """Of two distances the one of smaller size; of equal sizes (both beyond the band) the inner one."""
    return np.asarray(np.where(np.abs(b) < np.abs(a), b, np.where(np.abs(b) > np.abs(a), a, np.minimum(a, b))))


def _bounds(surfaces: Sequence[Surface], margin_mm: float) -> FloatArray:
    """What a grid over all of them has to cover, (2, 3) mm."""
    bounds = np.array([bounds_mm(surface) for surface in surfaces])
    return np.array([bounds[:, 0].min(axis=0) - margin_mm, bounds[:, 1].max(axis=0) + margin_mm])
