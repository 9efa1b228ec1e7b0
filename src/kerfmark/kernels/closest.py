"""The point of a triangle mesh closest to a point, by descending a tree of boxes (`kernels.tree`)."""

from __future__ import annotations

import numpy as np

from kerfmark.kernels.compiled import loop
from kerfmark.records import FloatArray, IntArray

__all__ = ["closest_in_tree", "closest_on_triangle", "closest_points", "discs_around"]


@loop
def closest_on_triangle(corners: FloatArray, t: int, x: float, y: float, z: float) -> tuple[float, float, float, int]:
    """Closest point of triangle `t` and the feature it lies on: corner 0–2, side 3–5 (from corner k − 3), inside 6.

    Source: Ericson, Real-Time Collision Detection (2005), 5.1.5.
    """
    ax, ay, az = corners[t, 0], corners[t, 1], corners[t, 2]
    bx, by, bz = corners[t, 3], corners[t, 4], corners[t, 5]
    cx, cy, cz = corners[t, 6], corners[t, 7], corners[t, 8]
    ux, uy, uz = bx - ax, by - ay, bz - az
    vx, vy, vz = cx - ax, cy - ay, cz - az
    px, py, pz = x - ax, y - ay, z - az
    d1, d2 = ux * px + uy * py + uz * pz, vx * px + vy * py + vz * pz
    if d1 <= 0.0 and d2 <= 0.0:
        return ax, ay, az, 0
    px, py, pz = x - bx, y - by, z - bz
    d3, d4 = ux * px + uy * py + uz * pz, vx * px + vy * py + vz * pz
    if d3 >= 0.0 and d4 <= d3:
        return bx, by, bz, 1
    vc = d1 * d4 - d3 * d2
    if vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0 and d1 > d3:
        s = d1 / (d1 - d3)
        return ax + s * ux, ay + s * uy, az + s * uz, 3
    px, py, pz = x - cx, y - cy, z - cz
    d5, d6 = ux * px + uy * py + uz * pz, vx * px + vy * py + vz * pz
    if d6 >= 0.0 and d5 <= d6:
        return cx, cy, cz, 2
    vb = d5 * d2 - d1 * d6
    if vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0 and d2 > d6:
        s = d2 / (d2 - d6)
        return ax + s * vx, ay + s * vy, az + s * vz, 5
    va = d3 * d6 - d5 * d4
    length = (d4 - d3) + (d5 - d6)
    if va <= 0.0 and d4 - d3 >= 0.0 and d5 - d6 >= 0.0 and length > 0.0:
        s = (d4 - d3) / length
        return bx + s * (cx - bx), by + s * (cy - by), bz + s * (cz - bz), 4
    if va + vb + vc <= 0.0:
        return ax, ay, az, 0
    scale = 1.0 / (va + vb + vc)
    s, r = vb * scale, vc * scale
    return ax + s * ux + r * vx, ay + s * uy + r * vy, az + s * uz + r * vz, 6


@loop
def _box_square(boxes: FloatArray, node: int, x: float, y: float, z: float) -> float:
    dx = max(boxes[node, 0] - x, 0.0, x - boxes[node, 3])
    dy = max(boxes[node, 1] - y, 0.0, y - boxes[node, 4])
    dz = max(boxes[node, 2] - z, 0.0, z - boxes[node, 5])
    return dx * dx + dy * dy + dz * dz


@loop
def discs_around(corners: FloatArray) -> FloatArray:
    """Per triangle the disc in its plane that holds it: centre, unit normal (0 without area), squared radius (m, 7)."""
    out = np.empty((corners.shape[0], 7))
    for t in range(corners.shape[0]):
        ux, uy, uz = corners[t, 3] - corners[t, 0], corners[t, 4] - corners[t, 1], corners[t, 5] - corners[t, 2]
        vx, vy, vz = corners[t, 6] - corners[t, 0], corners[t, 7] - corners[t, 1], corners[t, 8] - corners[t, 2]
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        length = np.sqrt(nx * nx + ny * ny + nz * nz)
        scale = 1.0 / length if length > 1e-12 else 0.0
        out[t, 3], out[t, 4], out[t, 5] = nx * scale, ny * scale, nz * scale
        square = 0.0
        for c in range(3):
            out[t, c] = (corners[t, c] + corners[t, 3 + c] + corners[t, 6 + c]) / 3.0
        for k in range(3):
            dx, dy, dz = (
                corners[t, 3 * k] - out[t, 0],
                corners[t, 3 * k + 1] - out[t, 1],
                corners[t, 3 * k + 2] - out[t, 2],
            )
            square = max(square, dx * dx + dy * dy + dz * dz)
        out[t, 6] = square * (1.0 + 1e-9) + 1e-18
    return out


@loop
def _beyond_disc(discs: FloatArray, t: int, x: float, y: float, z: float, best: float) -> bool:
    """Whether the disc around triangle `t` is surely farther away than the root of `best`.

    A disc of radius r at height h and centre distance d is farther than s if d² − r² − s² > 2 r √(s² − h²).
    """
    dx, dy, dz = x - discs[t, 0], y - discs[t, 1], z - discs[t, 2]
    excess = dx * dx + dy * dy + dz * dz - discs[t, 6] - best
    if not excess > 0.0:
        return False
    height = dx * discs[t, 3] + dy * discs[t, 4] + dz * discs[t, 5]
    return excess * excess > 4.0 * discs[t, 6] * (best - height * height) * (1.0 + 1e-9)


@loop
def closest_in_tree(
    boxes: FloatArray,
    levels: int,
    corners: FloatArray,
    discs: FloatArray,
    stack: IntArray,
    stack_square: FloatArray,
    x: float,
    y: float,
    z: float,
    limit_square: float,
    start: int,
) -> tuple[int, int, float, float, float, float]:
    """Closest triangle nearer than the limit (−1: none), its feature, the squared distance, the point.

    `start` is a triangle tried first (−1: none); a good guess cuts the search short and changes no answer.
    """
    found, feature, best = -1, 0, limit_square
    fx, fy, fz = 0.0, 0.0, 0.0
    if start >= 0:
        qx, qy, qz, feature = closest_on_triangle(corners, start, x, y, z)
        square = (x - qx) ** 2 + (y - qy) ** 2 + (z - qz) ** 2
        if square < best:
            found, best, fx, fy, fz = start, square, qx, qy, qz
    count = corners.shape[0]
    first_leaf = (1 << levels) - 1
    top = 0
    stack[0] = 0
    stack_square[0] = _box_square(boxes, 0, x, y, z)
    while top >= 0:
        node, square = stack[top], stack_square[top]
        top -= 1
        if not square < best:
            continue
        if node >= first_leaf:
            i = node - first_leaf
            for t in range(count * i >> levels, count * (i + 1) >> levels):
                if _beyond_disc(discs, t, x, y, z, best):
                    continue
                qx, qy, qz, where = closest_on_triangle(corners, t, x, y, z)
                square = (x - qx) ** 2 + (y - qy) ** 2 + (z - qz) ** 2
                if square < best:
                    found, feature, best, fx, fy, fz = t, where, square, qx, qy, qz
            continue
        near, far = 2 * node + 1, 2 * node + 2
        near_square, far_square = _box_square(boxes, near, x, y, z), _box_square(boxes, far, x, y, z)
        if far_square < near_square:
            near, far = far, near
            near_square, far_square = far_square, near_square
        if far_square < best:
            top += 1
            stack[top] = far
            stack_square[top] = far_square
        if near_square < best:
            top += 1
            stack[top] = near
            stack_square[top] = near_square
    return found, feature, best, fx, fy, fz


@loop
def closest_points(
    boxes: FloatArray,
    levels: int,
    corners: FloatArray,
    discs: FloatArray,
    order: IntArray,
    points: FloatArray,
    limit: float,
    closest: FloatArray,
    distance: FloatArray,
    face: IntArray,
    first: int,
    end: int,
) -> None:
    """Fill `closest` (n, 3), `distance` (n,) and `face` (n,) for the points from `first` to `end`."""
    stack = np.empty(128, np.int32)
    stack_square = np.empty(128)
    last = -1
    for i in range(first, end):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        t, _, square, qx, qy, qz = closest_in_tree(
            boxes, levels, corners, discs, stack, stack_square, x, y, z, limit * limit, last
        )
        if t < 0:
            closest[i] = np.nan
            distance[i] = np.inf
            face[i] = -1
            continue
        last = t
        closest[i, 0], closest[i, 1], closest[i, 2] = qx, qy, qz
        distance[i] = np.sqrt(square)
        face[i] = order[t]
