"""The lowered top of a crown preparation as a height field over the plane square to its path."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.grids import distance_grid
from kerfmark.geometry.mesh import bounds_mm, vertex_normals
from kerfmark.records import FloatArray, Surface

__all__ = ["HeightField", "lowered_top"]

STEP_MM = 0.15
ROUNDS = 6


@dataclass(frozen=True, slots=True, eq=False)
class HeightField:
    """Heights at `corner_mm + STEP_MM * (i, j)`; called with x, y it interpolates linearly and holds the border's value outside."""

    corner_mm: FloatArray
    heights_mm: FloatArray

    def __call__(self, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
        """Height over each point (n,), mm."""
        from scipy.ndimage import map_coordinates

        at = np.stack([np.asarray(x_mm) - self.corner_mm[0], np.asarray(y_mm) - self.corner_mm[1]]) / STEP_MM
        return np.asarray(map_coordinates(self.heights_mm, at, order=1, mode="nearest"), dtype=float)


def lowered_top(
    subject: Surface, *, sites: Mapping[str, FloatArray], reduction_mm: Mapping[str, float], flat_mm: float | None
) -> tuple[HeightField, dict[str, float]]:
    """The subject's top moved inwards so that each site loses its reduction, smooth between sites.

    Parameters
    ----------
    subject : Surface
        The whole tooth, z along the preparation's path.
    sites : name → (3,) point
        At least those that `reduction_mm` names.
    reduction_mm : name → mm
        Wanted median removal along the inward normals of the subject within 0.5 mm of the site.
    flat_mm : float or None
        Taken off the highest point straight across as well.

    Returns
    -------
    top : HeightField
    reached_mm : name → mm
        The medians the finished top gives, before the edge is rounded.

    Notes
    -----
    The top is the highest point of each column at least the blended depth inside the subject (so that steep lingual
    faces are offset too), smoothed by 0.25 mm. Depths are corrected a few times by the medians reached.
    """
    from scipy.ndimage import gaussian_filter

    low, high = bounds_mm(subject)
    deepest = max([*reduction_mm.values(), 1.0]) + 1.5
    lowest = min([float(sites[name][2]) for name in reduction_mm], default=float(high[2])) - deepest
    depth_grid = distance_grid(
        subject, spacing_mm=0.25, band_mm=deepest, bounds_mm=[[*(low[:2] - 0.5), lowest], high + 0.5]
    )
    corner, x, y = _raster(low, high)
    weights = _blend(x, y, {name: sites[name] for name in reduction_mm})
    patches = {name: _patch(subject, sites[name]) for name in reduction_mm}
    depth = dict(reduction_mm)
    top, reached = HeightField(corner, np.zeros_like(x)), dict(reduction_mm)
    for _ in range(ROUNDS):
        blended = (
            sum((weights[name] * depth[name] for name in depth), start=np.zeros_like(x))
            if depth
            else np.full_like(x, 1.0)
        )
        heights = gaussian_filter(
            _offset_top(depth_grid.values, depth_grid.origin_mm, depth_grid.spacing_mm, x, y, blended),
            0.25 / STEP_MM,
            mode="nearest",
        )
        if flat_mm is not None:
            heights = np.minimum(heights, high[2] - flat_mm)
        top = HeightField(corner, heights)
        reached = {
            name: float(np.median(depth_below(top, points, inward))) for name, (points, inward) in patches.items()
        }
        depth = {name: max(0.05, depth[name] + reduction_mm[name] - reached[name]) for name in depth}
    return top, reached


def depth_below(top: HeightField, points_mm: FloatArray, inward: FloatArray, *, longest_mm: float = 5.0) -> FloatArray:
    """Way from each point along its inward normal until it is under the top, mm (n,); linear between steps of 0.02 mm."""
    steps = np.arange(0.0, longest_mm, 0.02)
    path = points_mm[:, None, :] + steps[None, :, None] * inward[:, None, :]
    above = path[..., 2] - top(path[..., 0].ravel(), path[..., 1].ravel()).reshape(path.shape[:2])
    below = above <= 0.0
    first = np.where(below.any(axis=1), np.argmax(below, axis=1), len(steps) - 1)
    row = np.arange(len(first))
    earlier = np.maximum(first - 1, 0)
    gap = above[row, earlier] - above[row, first]
    share = np.where(gap > 0, above[row, earlier] / np.where(gap > 0, gap, 1.0), 0.0)
    return np.where(first == 0, 0.0, steps[earlier] + np.clip(share, 0.0, 1.0) * 0.02)


def _raster(low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    corner = low[:2] - 3 * STEP_MM
    count = np.ceil((high[:2] - low[:2]) / STEP_MM).astype(int) + 7
    x, y = np.meshgrid(
        corner[0] + STEP_MM * np.arange(count[0]), corner[1] + STEP_MM * np.arange(count[1]), indexing="ij"
    )
    return corner, x, y


def _blend(x: FloatArray, y: FloatArray, sites: Mapping[str, FloatArray]) -> dict[str, FloatArray]:
    """Weights that sum to one, each flat and near one round its own site (inverse fourth power of the distance)."""
    raw = {name: 1.0 / ((x - point[0]) ** 2 + (y - point[1]) ** 2 + 0.3) ** 2 for name, point in sites.items()}
    total = sum(raw.values(), start=np.zeros_like(x))
    return {name: weight / total for name, weight in raw.items()}


def _patch(subject: Surface, point: FloatArray) -> tuple[FloatArray, FloatArray]:
    near = np.linalg.norm(subject.vertices_mm - point, axis=1) <= 0.5
    return subject.vertices_mm[near], -vertex_normals(subject)[near]


def _offset_top(
    values: NDArray[np.float32], origin: FloatArray, spacing: float, x: FloatArray, y: FloatArray, depth: FloatArray
) -> FloatArray:
    """Per column the greatest z whose signed distance is at most −depth; far below where there is none."""
    from scipy.ndimage import map_coordinates

    count = values.shape[2]
    at_x, at_y = (x - origin[0]) / spacing, (y - origin[1]) / spacing
    layers = np.stack(
        [map_coordinates(values[:, :, k], [at_x, at_y], order=1, mode="nearest") for k in range(count)], axis=-1
    )
    inside = layers <= -depth[..., None]
    highest = count - 1 - np.argmax(inside[..., ::-1], axis=-1)
    none = np.asarray(~inside.any(axis=-1))
    above = np.minimum(highest + 1, count - 1)
    low_value = np.take_along_axis(layers, highest[..., None], axis=-1)[..., 0]
    high_value = np.take_along_axis(layers, above[..., None], axis=-1)[..., 0]
    share = np.clip((-depth - low_value) / np.maximum(high_value - low_value, 1e-9), 0.0, 1.0)
    heights = origin[2] + spacing * (highest + share)
    return _filled(heights, none)


def _filled(heights: FloatArray, none: NDArray[np.bool_]) -> FloatArray:
    """Empty columns take the nearest full column's height, so that smoothing does not pull the rim down; all empty: far down."""
    from scipy.ndimage import distance_transform_edt

    if none.all():
        return np.full_like(heights, -100.0)
    nearest = distance_transform_edt(none, return_distances=False, return_indices=True)
    return np.asarray(heights[tuple(nearest)], dtype=float)
