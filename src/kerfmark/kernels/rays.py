"""Where rays meet a triangle mesh, by descending a tree of boxes (`kernels.tree`)."""

from __future__ import annotations

import numpy as np

from kerfmark.kernels.compiled import loop
from kerfmark.records import FloatArray, IntArray

__all__ = ["all_hits", "first_hits"]


@loop
def _enters(boxes: FloatArray, node: int, o: FloatArray, d: FloatArray, far: float) -> float:
    """How far along the ray its box begins (0 when inside it), or inf where the ray passes by."""
    near = 0.0
    for c in range(3):
        low, high = boxes[node, c] - o[c], boxes[node, 3 + c] - o[c]
        if d[c] == 0.0:
            if low > 0.0 or high < 0.0:
                return np.inf
            continue
        a, b = low / d[c], high / d[c]
        if a > b:
            a, b = b, a
        near = max(near, a - 1e-12 * abs(a))
        far = min(far, b + 1e-12 * abs(b))
    return near if near <= far else np.inf


@loop
def _hit(corners: FloatArray, t: int, o: FloatArray, shear: FloatArray, axes: IntArray) -> float:
    """Distance along the ray (in lengths of its direction) to triangle `t`, nan where missed; sides belong to both.

    Source: Woop, Benthin, Wald, Watertight ray/triangle intersection, JCGT 2 (2013).
    """
    x, y, z = axes[0], axes[1], axes[2]
    az, bz, cz = corners[t, z] - o[z], corners[t, 3 + z] - o[z], corners[t, 6 + z] - o[z]
    ax, ay = corners[t, x] - o[x] - shear[0] * az, corners[t, y] - o[y] - shear[1] * az
    bx, by = corners[t, 3 + x] - o[x] - shear[0] * bz, corners[t, 3 + y] - o[y] - shear[1] * bz
    cx, cy = corners[t, 6 + x] - o[x] - shear[0] * cz, corners[t, 6 + y] - o[y] - shear[1] * cz
    u, v, w = cx * by - cy * bx, ax * cy - ay * cx, bx * ay - by * ax
    if (u < 0.0 or v < 0.0 or w < 0.0) and (u > 0.0 or v > 0.0 or w > 0.0):
        return np.nan
    total = u + v + w
    if total == 0.0:
        return np.nan
    return shear[2] * (u * az + v * bz + w * cz) / total


@loop
def _prepare(d: FloatArray, shear: FloatArray, axes: IntArray) -> None:
    """The axis the ray mostly runs along and the shear that lays the ray on it."""
    z = 0
    for c in range(1, 3):
        if abs(d[c]) > abs(d[z]):
            z = c
    axes[0], axes[1], axes[2] = (z + 1) % 3, (z + 2) % 3, z
    shear[0], shear[1], shear[2] = d[axes[0]] / d[z], d[axes[1]] / d[z], 1.0 / d[z]


@loop
def first_hits(
    boxes: FloatArray,
    levels: int,
    corners: FloatArray,
    order: IntArray,
    origins: FloatArray,
    directions: FloatArray,
    limit: float,
) -> tuple[FloatArray, IntArray]:
    """Per ray the distance to the first face it meets (nan: none up to the limit) and that face (−1)."""
    n, count = origins.shape[0], corners.shape[0]
    distance = np.full(n, np.nan)
    face = np.full(n, -1, np.int32)
    stack = np.empty(128, np.int32)
    stack_near = np.empty(128)
    shear, axes = np.empty(3), np.empty(3, np.int32)
    first_leaf = (1 << levels) - 1
    for r in range(n):
        o, d = origins[r], directions[r]
        _prepare(d, shear, axes)
        best, found, top = limit, -1, 0
        stack[0] = 0
        stack_near[0] = _enters(boxes, 0, o, d, best)
        while top >= 0:
            node, near = stack[top], stack_near[top]
            top -= 1
            if not near <= best or near == np.inf:
                continue
            if node >= first_leaf:
                i = node - first_leaf
                for t in range(count * i >> levels, count * (i + 1) >> levels):
                    at = _hit(corners, t, o, shear, axes)
                    if at >= 0.0 and (at < best or (at == best and found < 0)):
                        best, found = at, t
                continue
            a, b = 2 * node + 1, 2 * node + 2
            near_a, near_b = _enters(boxes, a, o, d, best), _enters(boxes, b, o, d, best)
            if near_b < near_a:
                a, b = b, a
                near_a, near_b = near_b, near_a
            if near_b != np.inf:
                top += 1
                stack[top], stack_near[top] = b, near_b
            if near_a != np.inf:
                top += 1
                stack[top], stack_near[top] = a, near_a
        if found >= 0:
            distance[r] = best
            face[r] = order[found]
    return distance, face


@loop
def all_hits(
    boxes: FloatArray, levels: int, corners: FloatArray, order: IntArray, o: FloatArray, d: FloatArray
) -> tuple[FloatArray, IntArray]:
    """Every distance at which one ray meets a face, and the face, unsorted; a side shared by two faces counts twice."""
    count = corners.shape[0]
    distance, face = np.empty(16), np.empty(16, np.int32)
    stack = np.empty(128, np.int32)
    shear, axes = np.empty(3), np.empty(3, np.int32)
    _prepare(d, shear, axes)
    first_leaf = (1 << levels) - 1
    stack[0] = 0
    top, found = 0, 0
    while top >= 0:
        node = stack[top]
        top -= 1
        if _enters(boxes, node, o, d, np.inf) == np.inf:
            continue
        if node < first_leaf:
            stack[top + 1], stack[top + 2] = 2 * node + 1, 2 * node + 2
            top += 2
            continue
        i = node - first_leaf
        for t in range(count * i >> levels, count * (i + 1) >> levels):
            at = _hit(corners, t, o, shear, axes)
            if not at >= 0.0:
                continue
            if found == distance.shape[0]:
                distance = np.append(distance, np.empty(found))
                face = np.append(face, np.empty(found, np.int32))
            distance[found] = at
            face[found] = order[t]
            found += 1
    return distance[:found].copy(), face[:found].copy()
