"""Outlines of planned shapes in a cutting plane: an implant, a canal."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from kerfmark.geometry.cylinders import Cylinder
from kerfmark.records import FloatArray, SectionPlane
from kerfmark.reports.canvas import CHAIN_DOUBLE, DASHED, path
from kerfmark.reports.contours import contour_chains

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared
    from kerfmark.reports.sections.dimensions import Frame2

__all__ = ["Window", "planned_svg", "rod_outline", "tube_outline"]

RASTER_MM = 0.1
FINE_LINE_MM = 0.1

Window = tuple[float, float, float, float]
"""Left, right, foot and top in the plane's own mm."""


def rod_outline(rod: Cylinder, plane: SectionPlane, window: Window) -> list[FloatArray]:
    """Where a plane meets a cylinder: polylines (n, 2), across and up, mm."""
    points, axes = _raster(plane, window)
    return _contours(rod.distance_mm(points), axes)


def tube_outline(line_mm: FloatArray, radius_mm: float, plane: SectionPlane, window: Window) -> list[FloatArray]:
    """Where a plane meets a tube about a line."""
    from scipy.spatial import cKDTree

    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(line_mm, axis=0), axis=1))]
    at = np.linspace(0.0, along[-1], max(2, int(along[-1] / FINE_LINE_MM)))
    fine = np.column_stack([np.interp(at, along, line_mm[:, k]) for k in range(3)])
    points, axes = _raster(plane, window)
    distance, _ = cKDTree(fine).query(points, distance_upper_bound=radius_mm + 1.0)
    return _contours(np.minimum(np.asarray(distance), radius_mm + 1.0) - radius_mm, axes)


def _raster(plane: SectionPlane, window: Window) -> tuple[FloatArray, tuple[FloatArray, FloatArray]]:
    across, up = np.arange(window[0], window[1], RASTER_MM), np.arange(window[2], window[3], RASTER_MM)
    spots = plane.origin_mm + across[None, :, None] * plane.across + up[:, None, None] * plane.up
    return spots.reshape(-1, 3), (across, up)


def _contours(distance: FloatArray, axes: tuple[FloatArray, FloatArray]) -> list[FloatArray]:
    across, up = axes
    field = distance.reshape(len(up), len(across)).astype(np.float32)
    low = np.array([across[0], up[0]])
    return [low + RASTER_MM * chain for chain in contour_chains(field, 0.0, tolerance=0.15)]


def planned_svg(plane: SectionPlane, frame: Frame2, prepared: Prepared, *, low: FloatArray, high: FloatArray) -> str:
    """The planned implant dashed and the canal double-dotted, within a section's bounds (mm); empty where none is planned."""
    if prepared.implant is None:
        return ""
    target, canal = prepared.exercise.target.implant, prepared.exercise.structures.canal
    assert target is not None
    window = (float(low[0]) - 1.0, float(high[0]) + 1.0, float(low[1]) - 2.0, float(high[1]) + 3.0)
    rod = Cylinder(prepared.implant[0], prepared.implant[1], 0.5 * target.diameter_mm)
    body = path(
        [frame.px(c) for c in rod_outline(rod, plane, window)], stroke="@ink", stroke_width=1.1, stroke_dasharray=DASHED
    )
    if canal is None or prepared.canal is None:
        return body
    rings = tube_outline(prepared.canal, 0.5 * canal.diameter_mm, plane, window)
    return body + path(
        [frame.px(c) for c in rings], fill="@sheet", stroke="@ink2", stroke_width=1.1, stroke_dasharray=CHAIN_DOUBLE
    )
