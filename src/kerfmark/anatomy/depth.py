"""How deep every point of a tooth lies, with and without its fissures: what the layers are built on.

Tooth frame, mesial on +x, millimetres. Signed distances are negative inside.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.grids import distance_grid
from kerfmark.geometry.mesh import bounds_mm
from kerfmark.records import FloatArray, Grid, Surface

__all__ = ["SPACING_MM", "Depths", "cervical_level", "depths_of", "disk"]

SPACING_MM = 0.2
BAND_MM = 0.5
MARGIN_MM = 0.7
FISSURE_MM, BASIN_MM = 0.45, 2.2
"""Half widths: what is narrower counts as a fissure, and as part of the basin between the cusps."""


@dataclass(frozen=True, slots=True, eq=False)
class Depths:
    """Signed distances of a tooth on one grid.

    Attributes
    ----------
    grid : Grid
        Signed distance to the outer surface, everywhere: exact within 0.5 mm of it, to about 0.02 mm deeper.
    filled : (nx, ny, nz) float array, mm
        The same, of the tooth with fissures and the basin between its cusps filled.
    top_mm : (nx, ny) float array, mm
        Height of the topmost surface over each column; −inf where the column misses the tooth.
    entry_mm : (nx, ny) float array, mm
        The same with fissures closed over: where they begin.
    """

    grid: Grid
    filled: FloatArray
    top_mm: FloatArray
    entry_mm: FloatArray

    @property
    def axes_mm(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """x, y and z of the voxels, shaped to broadcast."""
        x, y, z = (
            self.grid.origin_mm[k] + self.grid.spacing_mm * np.arange(self.grid.values.shape[k]) for k in range(3)
        )
        return x[:, None, None], y[None, :, None], z[None, None, :]


def depths_of(outer: Surface, *, table_mm: FloatArray | None = None, above_mm: float = 2.0) -> Depths:
    """Distances of a tooth from its closed outer surface.

    Parameters
    ----------
    outer : Surface
        Closed.
    table_mm : (k, 2) float array, mm, optional
        Points, x and y, whose convex hull is the chewing table: fissures and basin are filled inside it. None fills nothing.
    above_mm : float, mm
        Only surface above this level counts as the top of a column.
    """
    low, high = bounds_mm(outer)
    band = distance_grid(
        outer, spacing_mm=SPACING_MM, band_mm=BAND_MM, bounds_mm=np.stack([low - MARGIN_MM, high + MARGIN_MM])
    )
    distance = band.values.astype(float)
    grid = Grid(band.origin_mm, band.spacing_mm, _deepened(band, distance, np.abs(distance) < 0.9 * BAND_MM))
    z = grid.origin_mm[2] + grid.spacing_mm * np.arange(distance.shape[2])
    top = _topmost(distance, z, above_mm=above_mm)
    if table_mm is None:
        return Depths(grid, grid.values.astype(float), top, top)
    table = _within_hull(table_mm, grid)
    entry, basin = (np.where(table, _closed(top, radius), top) for radius in (FISSURE_MM, BASIN_MM))
    return Depths(grid, _filled(grid, z, top, basin), top, entry)


def _within_hull(points_mm: FloatArray, grid: Grid) -> NDArray[np.bool_]:
    """Which columns stand inside the convex hull of some points, or within 0.2 mm of it."""
    from scipy.spatial import ConvexHull

    hull = ConvexHull(points_mm).equations
    x, y = (grid.origin_mm[k] + grid.spacing_mm * np.arange(grid.values.shape[k]) for k in range(2))
    inside: NDArray[np.bool_] = np.ones((len(x), len(y)), dtype=bool)
    for a, b, c in hull:
        inside &= a * x[:, None] + b * y[None, :] + c < 0.2
    return inside


def disk(radius_mm: float, *, spacing_mm: float = SPACING_MM) -> NDArray[np.bool_]:
    """The voxels of a disk, as a footprint for filters."""
    cells = int(np.ceil(radius_mm / spacing_mm))
    across = spacing_mm * np.arange(-cells, cells + 1)
    inside: NDArray[np.bool_] = np.hypot(across[:, None], across[None, :]) <= radius_mm + 1e-9
    return inside


def cervical_level(cervical_line_mm: FloatArray, x: FloatArray, y: FloatArray) -> FloatArray:
    """Height of the cervical line seen from each point: the line itself on the wall, smooth across the tooth.

    Notes
    -----
    The harmonic function in the disk whose rim takes the line's heights by azimuth: term m falls off as the m-th power
    of the distance from the axis, so nothing is torn at the axis, where azimuths meet.
    """
    azimuth = np.arctan2(cervical_line_mm[:, 0], cervical_line_mm[:, 1])
    order = np.argsort(azimuth)
    even = np.linspace(-np.pi, np.pi, 128, endpoint=False)

    def by_azimuth(values: FloatArray, at: FloatArray) -> FloatArray:
        return np.interp(at, azimuth[order], values[order], period=2 * np.pi)

    terms = np.fft.rfft(by_azimuth(cervical_line_mm[:, 2], even)) / len(even)
    turn = np.arctan2(x, y)
    rim = by_azimuth(np.hypot(cervical_line_mm[:, 0], cervical_line_mm[:, 1]), turn)
    share = np.minimum(np.hypot(x, y) / rim, 1.0)
    level = np.full(turn.shape, terms[0].real)
    for m in range(1, 9):
        level += 2.0 * (terms[m] * np.exp(1j * m * (turn + np.pi))).real * share**m
    return level


def _deepened(grid: Grid, distance: FloatArray, known: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Distances beyond the known voxels: to the foot, on the surface, of the nearest known voxel."""
    from scipy.ndimage import distance_transform_edt

    slope = np.stack([*np.gradient(distance, grid.spacing_mm)], axis=-1)
    slope /= np.maximum(np.linalg.norm(slope, axis=-1, keepdims=True), 1e-9)
    index = np.indices(distance.shape, dtype=float)
    feet = grid.spacing_mm * np.moveaxis(index, 0, -1) - distance[..., None] * slope
    nearest = distance_transform_edt(~known, return_distances=False, return_indices=True)
    unknown = np.nonzero(~known)
    foot = feet[tuple(axis[unknown] for axis in nearest)]
    found = distance.copy()
    points = grid.spacing_mm * np.column_stack(unknown)
    found[unknown] = np.sign(distance[unknown]) * np.linalg.norm(points - foot, axis=1)
    return found.astype(np.float32)


def _topmost(distance: FloatArray, z: FloatArray, *, above_mm: float) -> FloatArray:
    """Height of the topmost crossing of each column, by linear interpolation; −inf where there is none above a level."""
    inside = distance < 0
    last = distance.shape[2] - 1 - np.argmax(inside[:, :, ::-1], axis=2)
    last = np.minimum(last, distance.shape[2] - 2)
    below = np.take_along_axis(distance, last[:, :, None], axis=2)[:, :, 0]
    over = np.take_along_axis(distance, last[:, :, None] + 1, axis=2)[:, :, 0]
    height = z[last] + (z[1] - z[0]) * below / np.minimum(below - over, -1e-9)
    return np.where(inside.any(axis=2) & (height > above_mm), height, -np.inf)


def _closed(top: FloatArray, radius_mm: float) -> FloatArray:
    """The heights closed over hollows narrower than a disk; columns that miss the tooth stay missed."""
    from scipy.ndimage import grey_closing

    hit = np.isfinite(top)
    floor = float(top[hit].min()) - 3.0
    closed = grey_closing(np.where(hit, top, floor), footprint=disk(radius_mm))
    return np.where(hit, np.maximum(closed, top), -np.inf)


def _filled(grid: Grid, z: FloatArray, top: FloatArray, basin: FloatArray) -> FloatArray:
    """Distances of the tooth with the space under `basin` filled: the band of both together, then deepened again."""
    lift = np.where(np.isfinite(top), basin, 0.0) - np.where(np.isfinite(top), top, 0.0)
    raised = lift > 0.15
    over = z[None, None, :] - np.where(raised, basin, 0.0)[:, :, None]
    column = raised[:, :, None] & (z[None, None, :] > (np.where(raised, top, 0.0) - 2.5)[:, :, None])
    distance = np.where(column, np.clip(over, -BAND_MM, BAND_MM), np.clip(grid.values, -BAND_MM, BAND_MM))
    known = np.abs(distance) < 0.7 * BAND_MM
    return _deepened(grid, distance, known).astype(float)
