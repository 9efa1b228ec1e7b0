"""How much larger a surface is for its noise: a rough floor has more area than the level one under it."""

from __future__ import annotations

import numpy as np

from kerfmark.records import FloatArray, Surface

__all__ = ["larger_by_noise"]

MOST_ROUGH = 3.0
"""No scan is rougher."""


def larger_by_noise(surface: Surface, areas: FloatArray, noise_mm: float) -> float:
    """By how many times noise of its corners makes a surface larger; at least 1.

    Parameters
    ----------
    surface : Surface
    areas : (m,) float array, mm²
        Of its faces, as they are.
    noise_mm : float
        Standard deviation σ of each vertex along the surface's normal.

    Notes
    -----
    Corners moved by σ at right angles tilt a triangle of area A and sides e by a slope whose square, the sum of two normal
    squares, has the mean m = σ² Σ e² / (4 A²) and an exponential distribution; its area grows by √(1 + slope²). The sides
    themselves grow by 2 σ² each, which is taken off. A rule of Gauss and Laguerre gives the mean.
    """
    if not areas.any():
        return 1.0
    corners = surface.vertices_mm[surface.faces]
    sides = float(((corners - np.roll(corners, 1, axis=1)) ** 2).sum(axis=(1, 2)).mean())
    sides = max(sides - 6.0 * noise_mm**2, 0.3 * sides)
    at, weights = np.polynomial.laguerre.laggauss(8)
    larger = 1.0
    for _ in range(8):
        mean = noise_mm**2 * sides / (4.0 * (float(areas.mean()) / larger) ** 2)
        larger = min(float(weights @ np.sqrt(1.0 + mean * at)), MOST_ROUGH)
    return larger
