"""Pairs of faces of one mesh that cut through each other, found with a tree of boxes (`kernels.tree`)."""

from __future__ import annotations

import numpy as np

from kerfmark.kernels.compiled import loop
from kerfmark.records import FloatArray, IntArray

__all__ = ["count_crossings", "triangles_cross"]


@loop
def _side(corners: FloatArray, t: int, u: int, k: int) -> float:
    """Six times the volume between triangle `t` and corner `k` of triangle `u`."""
    ox, oy, oz = corners[u, 3 * k], corners[u, 3 * k + 1], corners[u, 3 * k + 2]
    ax, ay, az = corners[t, 0] - ox, corners[t, 1] - oy, corners[t, 2] - oz
    bx, by, bz = corners[t, 3] - ox, corners[t, 4] - oy, corners[t, 5] - oz
    cx, cy, cz = corners[t, 6] - ox, corners[t, 7] - oy, corners[t, 8] - oz
    return ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)


@loop
def _turn(corners: FloatArray, u: int, p: int, q: int, t: int, a: int, b: int) -> float:
    """Six times the volume between side p–q of triangle `u` and side a–b of triangle `t`."""
    ox, oy, oz = corners[u, 3 * p], corners[u, 3 * p + 1], corners[u, 3 * p + 2]
    dx, dy, dz = corners[u, 3 * q] - ox, corners[u, 3 * q + 1] - oy, corners[u, 3 * q + 2] - oz
    ax, ay, az = corners[t, 3 * a] - ox, corners[t, 3 * a + 1] - oy, corners[t, 3 * a + 2] - oz
    bx, by, bz = corners[t, 3 * b] - ox, corners[t, 3 * b + 1] - oy, corners[t, 3 * b + 2] - oz
    return dx * (ay * bz - az * by) + dy * (az * bx - ax * bz) + dz * (ax * by - ay * bx)


@loop
def _side_pierces(corners: FloatArray, u: int, t: int) -> bool:
    """Whether a side of triangle `u` passes through the inside of triangle `t`."""
    heights = (_side(corners, t, u, 0), _side(corners, t, u, 1), _side(corners, t, u, 2))
    for p in range(3):
        q = (p + 1) % 3
        if not ((heights[p] > 0.0 and heights[q] < 0.0) or (heights[p] < 0.0 and heights[q] > 0.0)):
            continue
        x, y, z = _turn(corners, u, p, q, t, 0, 1), _turn(corners, u, p, q, t, 1, 2), _turn(corners, u, p, q, t, 2, 0)
        if (x > 0.0 and y > 0.0 and z > 0.0) or (x < 0.0 and y < 0.0 and z < 0.0):
            return True
    return False


@loop
def triangles_cross(corners: FloatArray, t: int, u: int) -> bool:
    """Whether two triangles cut through each other; touching and lying in one plane do not count."""
    return _side_pierces(corners, t, u) or _side_pierces(corners, u, t)


@loop
def _share_corner(faces: IntArray, f: int, g: int) -> bool:
    for i in range(3):
        for j in range(3):
            if faces[f, i] == faces[g, j]:
                return True
    return False


@loop
def count_crossings(
    boxes: FloatArray, levels: int, corners: FloatArray, order: IntArray, faces: IntArray, budget: int
) -> int:
    """Pairs of faces without a common corner that cut through each other; −1 if more than `budget` pairs were tried."""
    count = corners.shape[0]
    first_leaf = (1 << levels) - 1
    stack = np.empty(128, np.int32)
    low, high = np.empty(3), np.empty(3)
    found = 0
    for t in range(count):
        for c in range(3):
            low[c] = min(corners[t, c], corners[t, 3 + c], corners[t, 6 + c])
            high[c] = max(corners[t, c], corners[t, 3 + c], corners[t, 6 + c])
        top = 0
        stack[0] = 0
        while top >= 0:
            node = stack[top]
            top -= 1
            apart = False
            for c in range(3):
                apart = apart or boxes[node, c] > high[c] or boxes[node, 3 + c] < low[c]
            if apart:
                continue
            if node < first_leaf:
                stack[top + 1], stack[top + 2] = 2 * node + 1, 2 * node + 2
                top += 2
                continue
            i = node - first_leaf
            for u in range(max(count * i >> levels, t + 1), count * (i + 1) >> levels):
                if _share_corner(faces, order[t], order[u]):
                    continue
                budget -= 1
                if budget < 0:
                    return -1
                if triangles_cross(corners, t, u):
                    found += 1
    return found
