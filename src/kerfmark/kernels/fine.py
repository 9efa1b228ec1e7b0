"""The inner loops of the fine fit: points laid on a distance grid, those that face its surface, their normal equations."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop
from kerfmark.kernels.distance import trilinear
from kerfmark.records import FloatArray, IntArray

__all__ = ["facing", "lay_on_grid", "normal_equations"]


@loop
def lay_on_grid(
    points: FloatArray,
    matrix: FloatArray,
    values: NDArray[np.float32],
    origin: FloatArray,
    spacing: float,
    far: float,
    moved: FloatArray,
    distance: FloatArray,
    gradient: FloatArray,
) -> None:
    """Points carried by `matrix` (4, 4) into `moved`, and the grid's trilinear value and slope there.

    A value of smaller size than what `distance` (n,) holds replaces it, with its slope in `gradient` (n, 3); outside the grid
    it is `far` and slopes nowhere.
    """
    nx, ny, nz = values.shape
    scale = 1.0 / spacing
    for p in range(points.shape[0]):
        for c in range(3):
            moved[p, c] = (
                points[p, 0] * matrix[c, 0] + points[p, 1] * matrix[c, 1] + points[p, 2] * matrix[c, 2] + matrix[c, 3]
            )
        u, v = (moved[p, 0] - origin[0]) * scale, (moved[p, 1] - origin[1]) * scale
        w = (moved[p, 2] - origin[2]) * scale
        here, du, dv, dw = far, 0.0, 0.0, 0.0
        if 0.0 <= u <= nx - 1 and 0.0 <= v <= ny - 1 and 0.0 <= w <= nz - 1:
            here, du, dv, dw = trilinear(values, u, v, w)
        if abs(here) < abs(distance[p]):
            distance[p] = here
            gradient[p, 0], gradient[p, 1], gradient[p, 2] = du * scale, dv * scale, dw * scale


@loop
def facing(
    distance: FloatArray, gradient: FloatArray, normals: FloatArray, matrix: FloatArray, reach: float, cosine: float
) -> IntArray:
    """Rows nearer than `reach` whose normal, turned by `matrix`, makes with the slope a product above `cosine`."""
    kept, count = np.empty(distance.shape[0], np.int32), 0
    for p in range(distance.shape[0]):
        if abs(distance[p]) >= reach:
            continue
        along = 0.0
        for c in range(3):
            turned = normals[p, 0] * matrix[c, 0] + normals[p, 1] * matrix[c, 1] + normals[p, 2] * matrix[c, 2]
            along += turned * gradient[p, c]
        if along > cosine:
            kept[count] = p
            count += 1
    return kept[:count]


@loop
def normal_equations(
    moved: FloatArray, distance: FloatArray, gradient: FloatArray, width: float
) -> tuple[FloatArray, FloatArray]:
    """Hessian (6, 6) and right side (6,) of a small motion about the origin, with Tukey's biweight of a width."""
    hessian, right, jacobian = np.zeros((6, 6)), np.zeros(6), np.empty(6)
    for p in range(moved.shape[0]):
        ratio = distance[p] / width
        weight = max(1.0 - ratio * ratio, 0.0) ** 2
        if weight == 0.0:
            continue
        x, y, z = moved[p, 0], moved[p, 1], moved[p, 2]
        gx, gy, gz = gradient[p, 0], gradient[p, 1], gradient[p, 2]
        jacobian[0], jacobian[1], jacobian[2] = y * gz - z * gy, z * gx - x * gz, x * gy - y * gx
        jacobian[3], jacobian[4], jacobian[5] = gx, gy, gz
        for i in range(6):
            right[i] -= weight * distance[p] * jacobian[i]
            for j in range(i + 1):
                hessian[i, j] += weight * jacobian[i] * jacobian[j]
    for i in range(6):
        for j in range(i):
            hessian[j, i] = hessian[i, j]
    return hessian, right
