"""The lowered top of a crown preparation as a height field over the plane square to its path."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from kerfmark.geometry.mesh import bounds_mm
from kerfmark.geometry.rays import RayCaster
from kerfmark.records import FloatArray, Surface

__all__ = ["HeightField", "Lowering"]

STEP_MM = 0.15


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


class Lowering:
    """A tooth's top ready to be lowered by any depths, smooth between sites.

    Parameters
    ----------
    subject : Surface
        The whole tooth, z along the preparation's path.
    sites : name → (3,) point
        Those that lose a stated depth.

    Notes
    -----
    The tooth's height over each column (smoothed by 0.45 mm) is lowered straight down by depths blended between the sites. What a
    site then loses along its normals is for the caller to read off and correct; lowering slopes further would dig out the sides.
    """

    def __init__(self, subject: Surface, *, sites: Mapping[str, FloatArray]) -> None:
        low, high = bounds_mm(subject)
        self._corner, self._x, self._y = x_y = _raster(low, high)
        self._weights = _blend(*x_y[1:], sites)
        self._highest = float(high[2])
        self._heights = _smoothed_heights(subject, *x_y[1:], above_mm=self._highest + 1.0)

    def top(self, depth_mm: Mapping[str, float], *, flat_mm: float | None) -> HeightField:
        """The top after each site has lost its depth, and the highest point `flat_mm` straight across (None: not)."""
        blended = np.full_like(self._heights, 0.0 if depth_mm else 1.0)
        for name, depth in depth_mm.items():
            blended += self._weights[name] * depth
        if flat_mm is None:
            return HeightField(self._corner, self._heights - blended)
        lowered = self._heights - blended * self._behind_the_edge()
        return HeightField(self._corner, np.minimum(lowered, self._highest - flat_mm))

    def _behind_the_edge(self) -> FloatArray:
        """1 in the lingual fossa; 0 facial of the incisal edge, where the facial wall reduces, and less towards the proximal walls and the cingulum."""
        columns = np.argmax(self._heights, axis=1)
        edge = np.median(self._y[0, columns[np.abs(self._x[:, 0] - np.median(self._x)) < 1.5]])
        middle, half = np.median(self._x), 0.5 * np.ptp(self._x)
        cingulum = np.clip((self._heights - self._highest + 7.5) / 3.0, 0.3, 1.0)
        aside = np.clip((np.abs(self._x - middle) / half - 0.35) / 0.35, 0.0, 1.0)
        return np.asarray(
            cingulum * (1.0 - 0.9 * aside**2 * (3.0 - 2.0 * aside)) / (1.0 + np.exp((self._y - edge) / 0.2))
        )


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


def _smoothed_heights(subject: Surface, x: FloatArray, y: FloatArray, *, above_mm: float) -> FloatArray:
    """Greatest z of the subject in each column; empty columns take their nearest neighbour's, so that the rim is not pulled down."""
    from scipy.ndimage import distance_transform_edt, gaussian_filter

    origins = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, above_mm)])
    down = np.broadcast_to([0.0, 0.0, -1.0], origins.shape)
    distance, _face = RayCaster(subject).first_hit(origins, np.ascontiguousarray(down), max_mm=100.0)
    heights = above_mm - distance.reshape(x.shape)
    nearest = distance_transform_edt(np.isnan(heights), return_distances=False, return_indices=True)
    return np.asarray(gaussian_filter(heights[tuple(nearest)], 0.45 / STEP_MM, mode="nearest"))
