"""What is read off a finished layered tooth: enamel by region, the junction under the fissure, the chamber's distances.

Everything here looks at surfaces alone, so it reads our teeth and anyone's alike: +z occlusal, +y facial, millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kerfmark.anatomy.depth import FISSURE_MM, disk
from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.mesh import vertex_normals
from kerfmark.geometry.rays import RayCaster
from kerfmark.records import FloatArray, Surface

__all__ = [
    "ChamberDistances",
    "Fissure",
    "chamber_distances",
    "cusp_tips",
    "enamel_thickness",
    "fissure",
    "wall_thirds",
]

STEP_MM = 0.1


@dataclass(frozen=True, slots=True)
class Fissure:
    """Under the central fissure, along the long axis: entry to dentine, and the enamel left at its floor, mm."""

    junction_depth_mm: float
    floor_enamel_mm: float


@dataclass(frozen=True, slots=True)
class ChamberDistances:
    """Landmarks of a molar's chamber along the long axis, mm, as Deutsch & Musikant (2004) name them."""

    floor_to_furcation: float
    ceiling_to_furcation: float
    cusp_to_furcation: float
    cusp_to_floor: float
    cusp_to_ceiling: float
    height: float


def enamel_thickness(points_mm: FloatArray, dentine: Surface) -> FloatArray:
    """Least distance from points on the outside of enamel to dentine; (n, 3) in, (n,) mm out."""
    return ClosestPoint(dentine).query(points_mm, max_distance_mm=6.0)[1]


def cusp_tips(enamel: Surface, *, apart_mm: float = 2.2, within_mm: float = 2.5) -> FloatArray:
    """Cusp tips: points of enamel higher than all others within `apart_mm`, not far under the highest; (k, 3)."""
    from scipy.spatial import cKDTree

    points = enamel.vertices_mm[enamel.vertices_mm[:, 2] > enamel.vertices_mm[:, 2].max() - within_mm]
    around = cKDTree(points[:, :2]).query_ball_point(points[:, :2], r=apart_mm)
    top = np.array([points[near, 2].max() for near in around])
    tips = points[points[:, 2] >= top]
    outer: FloatArray = tips[np.argsort(-tips[:, 2])]
    return outer


def wall_thirds(enamel: Surface, dentine: Surface) -> dict[str, tuple[float, float, float]]:
    """Median enamel of each side wall by cervical, middle and occlusal third of its height.

    Walls are points of the outside that look within 60° of level; a side spans 45° to either side of its middle.
    """
    points, normals = enamel.vertices_mm, vertex_normals(enamel)
    reach = enamel_thickness(points, dentine)
    centre = 0.5 * (points.min(axis=0) + points.max(axis=0))
    outward = np.einsum("ij,ij->i", normals[:, :2], (points - centre)[:, :2]) > 0
    wall = (reach > 0.05) & (np.abs(normals[:, 2]) < 0.5) & outward
    turn = np.degrees(np.arctan2(normals[:, 0], normals[:, 1]))
    found = {}
    for side, middle in (("facial", 0.0), ("+x", 90.0), ("lingual", 180.0), ("−x", -90.0)):
        here = wall & (np.abs((turn - middle + 180.0) % 360.0 - 180.0) <= 45.0)
        found[side] = _by_thirds(points[here, 2], reach[here])
    return found


def _by_thirds(height: FloatArray, reach: FloatArray) -> tuple[float, float, float]:
    low, high = np.percentile(height, [0.5, 99.5])
    share = np.clip((height - low) / (high - low), 0.0, 0.999)
    cervical, middle, occlusal = (float(np.median(reach[(3 * share).astype(int) == k])) for k in range(3))
    return cervical, middle, occlusal


def fissure(enamel: Surface, dentine: Surface, *, within_mm: float = 1.5) -> Fissure:
    """The junction under the deepest point of the fissure nearest the middle of the table.

    The entry is where a ball-ended probe 0.9 mm wide would rest: the surface closed over what is narrower. Not a number
    where the table has fewer than two cusps of like height: there is then no middle to look in.
    """
    from scipy.ndimage import grey_closing

    tips = cusp_tips(enamel)
    if len(tips) < 2:
        return Fissure(np.nan, np.nan)
    middle = 0.5 * (tips[:, :2].min(axis=0) + tips[:, :2].max(axis=0))
    steps = np.arange(-within_mm - 0.6, within_mm + 0.6 + STEP_MM / 2, STEP_MM)
    xy = np.stack(np.meshgrid(middle[0] + steps, middle[1] + steps, indexing="ij"), axis=-1)
    top, junction = (_first_from(surface, xy, above=True) for surface in (enamel, dentine))
    top = np.where(np.isfinite(top), top, np.nanmax(top))
    entry = grey_closing(top, footprint=disk(FISSURE_MM, spacing_mm=STEP_MM))
    inner = slice(6, -6)
    low = np.unravel_index(np.argmin(top[inner, inner]), top[inner, inner].shape)
    at = (low[0] + 6, low[1] + 6)
    return Fissure(float(entry[at] - junction[at]), float(top[at] - junction[at]))


def chamber_distances(body: Surface, pulp: Surface, *, cusp_mm: float, within_mm: float = 2.5) -> ChamberDistances:
    """Distances between a molar's cusp, chamber and furcation along its long axis.

    Parameters
    ----------
    body : Surface
        The tooth's outer surface, or its dentine.
    pulp : Surface
    cusp_mm : float, mm
        Height of the buccal cusp tip.
    within_mm : float, mm
        How far from the chamber's middle the roof between the roots is looked for.

    Notes
    -----
    Source: Deutsch & Musikant (2004). The furcation is the highest point of the body seen from below. Floor and ceiling are
    read over the pulp's columns within 1 mm of the chamber's middle, or the nearest such: the median of their tops, and
    their highest bottom, for between the canals the floor is highest.
    """
    middle = _chamber_middle(pulp)
    steps = np.arange(-within_mm, within_mm + STEP_MM / 2, STEP_MM)
    xy = np.stack(np.meshgrid(middle[0] + steps, middle[1] + steps, indexing="ij"), axis=-1)
    roof = np.where(
        np.hypot(*(xy - middle).transpose(2, 0, 1)) <= within_mm, _first_from(body, xy, above=False), np.nan
    )
    at = np.unravel_index(np.nanargmax(roof), roof.shape)
    ceiling, floor = (_first_from(pulp, xy, above=side) for side in (True, False))
    distance = np.where(np.isfinite(ceiling), np.hypot(*(xy - middle).transpose(2, 0, 1)), np.inf)
    near = distance <= max(1.0, float(distance.min()) + 0.3)
    furcation = float(roof[at])
    top, bottom = float(np.median(ceiling[near])), float(np.max(floor[near]))
    return ChamberDistances(
        bottom - furcation, top - furcation, cusp_mm - furcation, cusp_mm - bottom, cusp_mm - top, top - bottom
    )


def _chamber_middle(pulp: Surface) -> FloatArray:
    """The middle, in the plane, of the pulp's upper part: between a quarter and half of the way down to its ends."""
    points = pulp.vertices_mm
    low, high = points[:, 2].min(), points[:, 2].max()
    upper = points[points[:, 2] > high - 0.3 * (high - low), :2]
    middle: FloatArray = 0.5 * (upper.min(axis=0) + upper.max(axis=0))
    return middle


def _first_from(surface: Surface, xy: FloatArray, *, above: bool) -> FloatArray:
    """Height of the surface first met from above or below over each (x, y); nan where there is none."""
    low, high = surface.vertices_mm[:, 2].min() - 1.0, surface.vertices_mm[:, 2].max() + 1.0
    start, way = (high, -1.0) if above else (low, 1.0)
    flat = xy.reshape(-1, 2)
    origins = np.column_stack([flat, np.full(len(flat), start)])
    directions = np.tile([0.0, 0.0, way], (len(flat), 1))
    distance = RayCaster(surface).first_hit(origins, directions, max_mm=high - low)[0]
    height: FloatArray = (start + way * distance).reshape(xy.shape[:2])
    return height
