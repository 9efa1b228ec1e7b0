"""What a stump hides from itself along a direction: rays through a map of its outer radius, not normals alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop

__all__ = ["hidden_depths", "overhang_depths", "radius_map"]


@loop
def radius_map(
    points: NDArray[np.float64], starts: NDArray[np.int64], lowest: float, step: float, levels: int
) -> NDArray[np.float64]:
    """Largest radius (profiles, levels) at which each profile crosses each height; NaN where it does not.

    `points` (n, 2) holds radius and height of all profiles one after the other, profile a from starts[a] to starts[a + 1].
    """
    count = starts.shape[0] - 1
    widest = np.full((count, levels), np.nan)
    for a in range(count):
        for i in range(starts[a], starts[a + 1] - 1):
            low, high = points[i, 1], points[i + 1, 1]
            if low == high:
                continue
            first = int(np.ceil((min(low, high) - lowest) / step))
            last = int(np.floor((max(low, high) - lowest) / step))
            for h in range(max(first, 0), min(last, levels - 1) + 1):
                part = (lowest + h * step - low) / (high - low)
                radius = points[i, 0] + part * (points[i + 1, 0] - points[i, 0])
                if np.isnan(widest[a, h]) or radius > widest[a, h]:
                    widest[a, h] = radius
    return widest


@loop
def hidden_depths(
    radius: NDArray[np.float64], height_step: float, lean_x: float, lean_y: float, depths: NDArray[np.float64]
) -> None:
    """How deep each cell of a radius map lies under the rest of the map, seen along (lean_x, lean_y, 1).

    `radius` is (a, h): a azimuths evenly round from the x axis towards y, h heights; NaN where there is no surface.
    `depths` (a, h) takes the largest excess of the map's radius over the ray's, 0 where nothing lies above. Radii
    between azimuths are interpolated.
    """
    azimuths, heights = radius.shape
    turn = 2.0 * np.pi / azimuths
    for a in range(azimuths):
        cos_a, sin_a = np.cos(a * turn), np.sin(a * turn)
        outward, sideways = lean_x * cos_a + lean_y * sin_a, lean_y * cos_a - lean_x * sin_a
        for h in range(heights):
            depths[a, h] = 0.0
            here = radius[a, h]
            if np.isnan(here):
                continue
            deepest = 0.0
            for above in range(h + 1, heights):
                rise = (above - h) * height_step
                along, across = here + outward * rise, sideways * rise
                if along <= 0.0:
                    break
                place = np.arctan(across / along) / turn if abs(across) > 1e-12 else 0.0
                left = int(np.floor(place))
                part = place - left
                left = (a + left) % azimuths
                seen = radius[left, above]
                if part > 1e-9:
                    seen = (1.0 - part) * seen + part * radius[(left + 1) % azimuths, above]
                excess = seen - np.sqrt(along * along + across * across)
                if excess > deepest:
                    deepest = excess
            depths[a, h] = deepest


@loop
def overhang_depths(radius: NDArray[np.float64], depths: NDArray[np.float64]) -> None:
    """The same straight up the map: `depths` (a, h) = largest radius above each cell less its own, 0 where none."""
    azimuths, heights = radius.shape
    for a in range(azimuths):
        widest = -np.inf
        for h in range(heights - 1, -1, -1):
            here = radius[a, h]
            depths[a, h] = 0.0
            if np.isnan(here):
                continue
            depths[a, h] = max(0.0, widest - here)
            widest = max(widest, here)
