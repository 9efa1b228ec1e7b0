"""Signed distance on a grid around a closed triangle mesh, and reading such a grid between its voxels."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.closest import closest_in_tree
from kerfmark.kernels.compiled import loop
from kerfmark.records import FloatArray, IntArray

__all__ = [
    "fill_blocks",
    "flood_sign",
    "mark_blocks",
    "read_grid",
    "read_grid_and_slope",
    "side_of_surface",
    "trilinear",
]

BLOCK = 4


@loop
def mark_blocks(
    corners: FloatArray, origin: FloatArray, spacing: float, shape: IntArray, band: float
) -> NDArray[np.bool_]:
    """Which blocks of 4 × 4 × 4 voxels may hold a voxel within `band` of a triangle's box."""
    nx, ny, nz = (shape[0] + BLOCK - 1) // BLOCK, (shape[1] + BLOCK - 1) // BLOCK, (shape[2] + BLOCK - 1) // BLOCK
    marked = np.zeros((nx, ny, nz), np.bool_)
    low, high = np.empty(3, np.int64), np.empty(3, np.int64)
    for t in range(corners.shape[0]):
        for c in range(3):
            a = min(corners[t, c], corners[t, 3 + c], corners[t, 6 + c]) - band - origin[c]
            b = max(corners[t, c], corners[t, 3 + c], corners[t, 6 + c]) + band - origin[c]
            low[c] = max(0, int(np.ceil(a / spacing)))
            high[c] = min(shape[c] - 1, int(np.floor(b / spacing)))
        for i in range(low[0] // BLOCK, high[0] // BLOCK + 1):
            for j in range(low[1] // BLOCK, high[1] // BLOCK + 1):
                for k in range(low[2] // BLOCK, high[2] // BLOCK + 1):
                    marked[i, j, k] = True
    return marked


@loop
def side_of_surface(
    t: int, feature: int, order: IntArray, faces: IntArray, edge_of: IntArray, units: FloatArray,
    edge_normals: FloatArray, corner_normals: FloatArray, dx: float, dy: float, dz: float,
) -> float:  # fmt: skip
    """Positive outside: the way from the closest point against the angle-weighted normal of the feature it lies on.

    Source: Bærentzen & Aanæs, Signed distance computation using the angle weighted pseudonormal (2005).
    """
    f = order[t]
    if feature == 6:
        return dx * units[f, 0] + dy * units[f, 1] + dz * units[f, 2]
    if feature >= 3:
        e = edge_of[f, feature - 3]
        return dx * edge_normals[e, 0] + dy * edge_normals[e, 1] + dz * edge_normals[e, 2]
    v = faces[f, feature]
    return dx * corner_normals[v, 0] + dy * corner_normals[v, 1] + dz * corner_normals[v, 2]


@loop
def fill_blocks(
    values: NDArray[np.float32], blocks: IntArray, first: int, end: int, origin: FloatArray, spacing: float,
    band: float, boxes: FloatArray, levels: int, corners: FloatArray, discs: FloatArray, order: IntArray, faces: IntArray,
    edge_of: IntArray, units: FloatArray, edge_normals: FloatArray, corner_normals: FloatArray,
) -> None:  # fmt: skip
    """Write the signed distance into the voxels of the blocks from `first` to `end`; voxels beyond the band stay."""
    stack, stack_square = np.empty(128, np.int32), np.empty(128)
    last, sign = -1, 1.0
    for b in range(first, end):
        i0, j0, k0 = BLOCK * blocks[b, 0], BLOCK * blocks[b, 1], BLOCK * blocks[b, 2]
        for i in range(i0, min(i0 + BLOCK, values.shape[0])):
            for j in range(j0, min(j0 + BLOCK, values.shape[1])):
                for k in range(k0, min(k0 + BLOCK, values.shape[2])):
                    x, y, z = origin[0] + spacing * i, origin[1] + spacing * j, origin[2] + spacing * k
                    t, feature, square, qx, qy, qz = closest_in_tree(
                        boxes, levels, corners, discs, stack, stack_square, x, y, z, band * band, last
                    )
                    if t < 0:
                        continue
                    last = t
                    side = side_of_surface(
                        t, feature, order, faces, edge_of, units, edge_normals, corner_normals, x - qx, y - qy, z - qz
                    )
                    if side != 0.0:
                        sign = 1.0 if side > 0.0 else -1.0
                    values[i, j, k] = sign * np.sqrt(square)


@loop
def flood_sign(values: NDArray[np.float32], band: float, first_sign: float) -> None:
    """Set every nan to ± `band` with the sign of a neighbour; `first_sign` is that of voxel (0, 0, 0).

    A voxel beyond the band is farther from the surface than its neighbour is from it, so no surface lies between.
    """
    nx, ny, nz = values.shape
    for i in range(nx):
        for j in range(ny):
            if j > 0:
                sign = values[i, j - 1, 0]
            elif i > 0:
                sign = values[i - 1, 0, 0]
            else:
                sign = first_sign
            for k in range(nz):
                if np.isnan(values[i, j, k]):
                    values[i, j, k] = band if sign > 0.0 else -band
                else:
                    sign = values[i, j, k]


@loop
def trilinear(values: NDArray[np.float32], u: float, v: float, w: float) -> tuple[float, float, float, float]:
    """Trilinear value at voxel coordinates inside the grid, and its slopes per voxel."""
    nx, ny, nz = values.shape
    i, j, k = min(int(u), nx - 2), min(int(v), ny - 2), min(int(w), nz - 2)
    x, y, z = u - i, v - j, w - k
    v000, v001 = float(values[i, j, k]), float(values[i, j, k + 1])
    v010, v011 = float(values[i, j + 1, k]), float(values[i, j + 1, k + 1])
    v100, v101 = float(values[i + 1, j, k]), float(values[i + 1, j, k + 1])
    v110, v111 = float(values[i + 1, j + 1, k]), float(values[i + 1, j + 1, k + 1])
    a, b = v000 + (v001 - v000) * z, v010 + (v011 - v010) * z
    c, d = v100 + (v101 - v100) * z, v110 + (v111 - v110) * z
    e, f = a + (b - a) * y, c + (d - c) * y
    low = (v001 - v000) + ((v011 - v010) - (v001 - v000)) * y
    high = (v101 - v100) + ((v111 - v110) - (v101 - v100)) * y
    return e + (f - e) * x, f - e, (b - a) + ((d - c) - (b - a)) * x, low + (high - low) * x


@loop
def read_grid(values: NDArray[np.float32], origin: FloatArray, spacing: float, points: FloatArray) -> FloatArray:
    """Trilinear value at each point, nan outside the grid."""
    out = np.full(points.shape[0], np.nan)
    nx, ny, nz = values.shape
    scale = 1.0 / spacing
    for p in range(points.shape[0]):
        u, v = (points[p, 0] - origin[0]) * scale, (points[p, 1] - origin[1]) * scale
        w = (points[p, 2] - origin[2]) * scale
        if 0.0 <= u <= nx - 1 and 0.0 <= v <= ny - 1 and 0.0 <= w <= nz - 1:
            out[p] = trilinear(values, u, v, w)[0]
    return out


@loop
def read_grid_and_slope(
    values: NDArray[np.float32], origin: FloatArray, spacing: float, points: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Trilinear value and its gradient at each point; nan and 0 outside the grid."""
    out = np.full(points.shape[0], np.nan)
    slope = np.zeros((points.shape[0], 3))
    nx, ny, nz = values.shape
    scale = 1.0 / spacing
    for p in range(points.shape[0]):
        u, v = (points[p, 0] - origin[0]) * scale, (points[p, 1] - origin[1]) * scale
        w = (points[p, 2] - origin[2]) * scale
        if 0.0 <= u <= nx - 1 and 0.0 <= v <= ny - 1 and 0.0 <= w <= nz - 1:
            out[p], du, dv, dw = trilinear(values, u, v, w)
            slope[p, 0], slope[p, 1], slope[p, 2] = du * scale, dv * scale, dw * scale
    return out, slope
