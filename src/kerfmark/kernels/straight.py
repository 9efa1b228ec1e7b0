"""How thick a straight rod may be that leaves a point in a direction and touches nothing on its way out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop

__all__ = ["rod_clearances"]


@loop
def rod_clearances(
    points: NDArray[np.float64], directions: NDArray[np.float64], start: float, widest: float
) -> NDArray[np.float64]:
    """For each unit direction (m, 3) the distance of the nearest point (n, 3) from the ray out of the origin, up to `widest`.

    Only what lies farther along the ray than `start` counts.
    """
    clear = np.full(directions.shape[0], widest)
    for d in range(directions.shape[0]):
        x, y, z = directions[d, 0], directions[d, 1], directions[d, 2]
        least = widest * widest
        for i in range(points.shape[0]):
            px, py, pz = points[i, 0], points[i, 1], points[i, 2]
            along = px * x + py * y + pz * z
            if along < start:
                continue
            square = px * px + py * py + pz * pz - along * along
            if square < least:
                least = square
        clear[d] = np.sqrt(max(least, 0.0))
    return clear
