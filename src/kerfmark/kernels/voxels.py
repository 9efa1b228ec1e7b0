"""Reading a volume of any kind of number at points given in voxel indices."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop
from kerfmark.records import FloatArray

__all__ = ["read_voxels"]


@loop
def read_voxels(values: NDArray[Any], inverse: FloatArray, points: FloatArray, outside: float) -> FloatArray:
    """Trilinear value at each point; `inverse` (3, 4) carries points to voxel indices; `outside` beyond the outermost centres."""
    nx, ny, nz = values.shape
    out = np.full(points.shape[0], outside)
    for p in range(points.shape[0]):
        x, y, z = points[p, 0], points[p, 1], points[p, 2]
        u = inverse[0, 0] * x + inverse[0, 1] * y + inverse[0, 2] * z + inverse[0, 3]
        v = inverse[1, 0] * x + inverse[1, 1] * y + inverse[1, 2] * z + inverse[1, 3]
        w = inverse[2, 0] * x + inverse[2, 1] * y + inverse[2, 2] * z + inverse[2, 3]
        if not (0.0 <= u <= nx - 1 and 0.0 <= v <= ny - 1 and 0.0 <= w <= nz - 1):
            continue
        i, j, k = min(int(u), nx - 2), min(int(v), ny - 2), min(int(w), nz - 2)
        a, b, c = u - i, v - j, w - k
        low = float(values[i, j, k]) * (1.0 - a) + float(values[i + 1, j, k]) * a
        near = float(values[i, j + 1, k]) * (1.0 - a) + float(values[i + 1, j + 1, k]) * a
        floor = low * (1.0 - b) + near * b
        low = float(values[i, j, k + 1]) * (1.0 - a) + float(values[i + 1, j, k + 1]) * a
        near = float(values[i, j + 1, k + 1]) * (1.0 - a) + float(values[i + 1, j + 1, k + 1]) * a
        out[p] = floor * (1.0 - c) + (low * (1.0 - b) + near * b) * c
    return out
