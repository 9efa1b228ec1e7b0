"""A bevel round the opening of a cavity."""

from __future__ import annotations

import numpy as np

from kerfmark.geometry.grids import distance_grid, surface_of
from kerfmark.geometry.mesh import bounds_mm
from kerfmark.geometry.solids import Solid
from kerfmark.records import Grid, Surface

__all__ = ["bevel_solid"]

SPACING_MM = 0.06
FACING_COSINE = 0.55


def bevel_solid(seen: Surface, tool: Solid, *, width_mm: float, angle_deg: float) -> Solid:
    """What a bevel takes away: beside the cavity, less deep the farther from it.

    Parameters
    ----------
    seen : Surface
        The tooth in the frame looked at; the bevel is laid where it faces the viewer within some 55°.
    tool : Solid
        The cavity before it was bevelled, standing proud of the tooth.
    width_mm, angle_deg : float
        Along the bevel's face, and between it and the old surface.

    Notes
    -----
    With t the depth below the old surface and s the distance from the cavity, the face is t = tan β · (w cos β − s): at the
    wall it lies w sin β deep, and it meets the old surface w cos β away from it.
    """
    angle = np.radians(angle_deg)
    out = width_mm * np.cos(angle)
    body = tool.surface()
    low, high = bounds_mm(body)
    top = float(bounds_mm(seen)[1, 2])
    seen_low = bounds_mm(seen)[0]
    box = np.array(
        [
            np.maximum(low - out - 0.4, seen_low - 0.6),
            [*np.minimum(high[:2] + out + 0.4, bounds_mm(seen)[1, :2] + 0.6), top + 0.6],
        ]
    )
    reach = max(width_mm, out) + 0.6
    depth = distance_grid(seen, spacing_mm=SPACING_MM, band_mm=reach, bounds_mm=box)
    beside = distance_grid(body, spacing_mm=SPACING_MM, band_mm=reach, bounds_mm=box)
    t, s = -np.asarray(depth.values, float), np.asarray(beside.values, float)
    slope = np.stack(np.gradient(-t, SPACING_MM), axis=-1)
    facing = slope[..., 2] / np.maximum(np.linalg.norm(slope, axis=-1), 1e-6)
    field = np.maximum((t - np.tan(angle) * (out - s)) * np.cos(angle), -0.5 - t)
    field = np.maximum(field, -0.15 - s)
    field = np.where(facing > FACING_COSINE, field, np.maximum(field, 0.05))
    walled = np.pad(field, 1, constant_values=1.0).astype(np.float32)
    return Solid.from_surface(surface_of(Grid(depth.origin_mm - SPACING_MM, SPACING_MM, walled)))
