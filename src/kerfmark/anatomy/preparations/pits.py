"""Pits: solids with a flat floor, plane or drafted walls and a rounded angle between, to be cut out of a tooth."""

from __future__ import annotations

import numpy as np

from kerfmark.geometry.solids import Solid, loft
from kerfmark.records import FloatArray

__all__ = ["floor_at", "pit"]

ARC_STEPS = 7


def floor_at(floor: FloatArray, points: FloatArray) -> FloatArray:
    """Heights of the plane z = floor[0] + floor[1] · x + floor[2] · y at points (n, 2)."""
    return np.asarray(floor[0] + points @ floor[1:])


def pit(
    corners_mm: FloatArray,
    normals: FloatArray,
    *,
    floor: FloatArray,
    lean_deg: FloatArray,
    radius_mm: float,
    top_mm: float,
) -> Solid:
    """What a pit takes away, from its floor up to a level.

    Parameters
    ----------
    corners_mm, normals : (k, 2) float arrays
        Where walls and floor would meet if their angle were not rounded, counter-clockwise, and the outward normals there.
    floor : (3,) float array
        The floor's plane, see `floor_at`.
    lean_deg : (k,) float array
        Of each wall from upright, + outwards towards the opening.
    radius_mm : float
        Of the internal line angle.
    top_mm : float
        The level up to which it reaches.
    """
    lean = np.radians(lean_deg)
    level = floor_at(floor, corners_mm)
    inset = radius_mm / np.tan(0.5 * (0.5 * np.pi + lean))
    rings = []
    for share in np.linspace(0.0, 1.0, ARC_STEPS):
        turn = share * (0.5 * np.pi - lean)
        moved = corners_mm + (radius_mm * np.sin(turn) - inset)[:, None] * normals
        base = (1.0 - share) * floor_at(floor, moved) + share * level  # begins on the floor's plane, ends on the wall's
        rings.append(np.column_stack([moved, base + radius_mm * (1.0 - np.cos(turn))]))
    high = top_mm - level
    rings.append(np.column_stack([corners_mm + (np.tan(lean) * high)[:, None] * normals, np.full(len(level), top_mm)]))
    return loft(np.stack(rings))
