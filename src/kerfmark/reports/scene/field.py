"""The deviation as it is drawn on the surface itself: small loops dropped, isolines, and the patches beyond the corridor.

The same steps, the same smoothing and the same rules as the picture of the report (`reports/view/deviation.py`), which
works on pixels; here the contours run over the triangles.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.mesh import face_areas_mm2
from kerfmark.geometry.sections import level_curves
from kerfmark.records import FloatArray, Surface
from kerfmark.reports.view.deviation import LEAST_PATCH_MM2, STEPS_MM

__all__ = ["DeviationField", "SurfacePatch", "deviation_field"]

SHORTEST_LOOP_MM: Final = 1.0
"""The report drops loops under 26 px where a tooth fills its picture, at about 26 px a mm."""
JUST_INSIDE: Final = 1e-4
LABEL_PLACES: Final = 6


@dataclass(frozen=True, slots=True, eq=False)
class SurfacePatch:
    """A patch over 4 mm² beyond the corridor: its greatest value (mm), its area (mm²), and where its value may be written.

    `points_mm` (k, 3): its middle first, then places far from one another, so that one of them is seen from most sides.
    """

    points_mm: FloatArray
    value_mm: float
    area_mm2: float


@dataclass(frozen=True, slots=True, eq=False)
class DeviationField:
    """Deviation per vertex (mm) without what is too small to show; isolines by level (mm, signed); patches."""

    values_mm: NDArray[np.float32]
    isolines: dict[float, tuple[FloatArray, ...]]
    patches: tuple[SurfacePatch, ...]


def deviation_field(surface: Surface, deviation_mm: NDArray[np.float32], *, limit_mm: float) -> DeviationField:
    """What the view draws of a deviation.

    Parameters
    ----------
    surface : Surface
    deviation_mm : (n,) float array
        Already smoothed as for the pictures (`shade`); 0 where there is no map.
    limit_mm : float
        Half width of the corridor.
    """
    values = np.asarray(deviation_mm, dtype=float)
    for sign in (1.0, -1.0):
        for step in STEPS_MM:
            values = sign * _without_small(surface, sign * values, limit_mm + step)
    levels = [sign * (limit_mm + step) for sign in (1.0, -1.0) for step in STEPS_MM]
    isolines = {round(level, 6): level_curves(surface, values, level) for level in levels}
    return DeviationField(values.astype(np.float32), isolines, _patches(surface, values, limit_mm))


def _without_small(surface: Surface, values: FloatArray, level: float) -> FloatArray:
    """Values with every region above the level whose whole border is short brought down to it."""
    region = _regions(surface, values > level)
    if region.max(initial=-1) < 0:
        return values
    above = region[surface.faces] >= 0
    mixed = above.any(axis=1) & ~above.all(axis=1)
    faces, inside = surface.faces[mixed], above[mixed]
    lone = np.where(inside.sum(axis=1) == 1, inside.argmax(axis=1), inside.argmin(axis=1))
    rows = np.arange(len(faces))
    tip, one, two = (faces[rows, (lone + k) % 3] for k in range(3))
    border = np.linalg.norm(
        _on_edge(surface, values, tip, one, level) - _on_edge(surface, values, tip, two, level), axis=1
    )
    owner = np.where(inside[rows, lone], region[tip], region[one])
    lengths = np.bincount(owner, weights=border, minlength=int(region.max()) + 1)
    small = (region >= 0) & (lengths[np.maximum(region, 0)] < SHORTEST_LOOP_MM)
    return np.where(small, level - JUST_INSIDE, values)


def _on_edge(
    surface: Surface, values: FloatArray, a: NDArray[np.int32], b: NDArray[np.int32], level: float
) -> FloatArray:
    share = ((level - values[a]) / (values[b] - values[a]))[:, None]
    return np.asarray(surface.vertices_mm[a] + share * (surface.vertices_mm[b] - surface.vertices_mm[a]))


def _regions(surface: Surface, inside: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Connected parts of the chosen vertices: a number per vertex, −1 where it is not chosen."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    count = len(surface.vertices_mm)
    edges = surface.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    edges = edges[inside[edges].all(axis=1)]
    links = coo_array((np.ones(len(edges), np.int8), (edges[:, 0], edges[:, 1])), shape=(count, count))
    _, label = connected_components(links, directed=False)
    number = np.full(count, -1, dtype=np.int64)
    number[inside] = np.unique(label[inside], return_inverse=True)[1]
    return number


def _patches(surface: Surface, values: FloatArray, limit_mm: float) -> tuple[SurfacePatch, ...]:
    share = np.bincount(
        surface.faces.ravel(), weights=np.repeat(face_areas_mm2(surface) / 3.0, 3), minlength=len(values)
    )
    found = []
    for sign in (1.0, -1.0):
        region = _regions(surface, sign * values > limit_mm)
        chosen = region >= 0
        areas = np.bincount(region[chosen], weights=share[chosen])
        for number in np.flatnonzero(areas > LEAST_PATCH_MM2):
            mine = np.flatnonzero(region == number)
            worst = sign * float((sign * values[mine]).max())
            found.append(SurfacePatch(_apart(surface.vertices_mm[mine]), worst, float(areas[number])))
    return tuple(found)


def _apart(points: FloatArray) -> FloatArray:
    """The point nearest to the middle, then those farthest from all chosen before."""
    chosen = [int(np.argmin(((points - points.mean(axis=0)) ** 2).sum(axis=1)))]
    away = np.full(len(points), np.inf)
    while len(chosen) < min(LABEL_PLACES, len(points)):
        away = np.minimum(away, ((points - points[chosen[-1]]) ** 2).sum(axis=1))
        chosen.append(int(np.argmax(away)))
    return points[chosen]
