"""A tree of boxes over triangles: complete, balanced and without pointers, so that building it is cheap.

Node i has the children 2 i + 1 and 2 i + 2. On level l the i-th node holds the triangles from `count * i >> l` to
`count * (i + 1) >> l` of the sorted order, which the build makes by splitting at the middle of the longest side.
"""

from __future__ import annotations

import numpy as np

from kerfmark.kernels.compiled import loop
from kerfmark.records import FloatArray, IntArray

__all__ = ["corners_in_order", "fit_boxes", "sort_range", "triangle_centres"]


@loop
def triangle_centres(vertices: FloatArray, faces: IntArray) -> FloatArray:
    """Three times the centroid of each face (the factor does not matter for sorting)."""
    out = np.empty((faces.shape[0], 3))
    for f in range(faces.shape[0]):
        for k in range(3):
            out[f, k] = vertices[faces[f, 0], k] + vertices[faces[f, 1], k] + vertices[faces[f, 2], k]
    return out


@loop
def _longest_axis(centres: FloatArray, order: IntArray, low: int, high: int) -> int:
    a = order[low]
    x0, y0, z0 = centres[a, 0], centres[a, 1], centres[a, 2]
    x1, y1, z1 = x0, y0, z0
    for i in range(low + 1, high):
        a = order[i]
        x, y, z = centres[a, 0], centres[a, 1], centres[a, 2]
        x0, x1 = min(x0, x), max(x1, x)
        y0, y1 = min(y0, y), max(y1, y)
        z0, z1 = min(z0, z), max(z1, z)
    dx, dy, dz = x1 - x0, y1 - y0, z1 - z0
    if dx >= dy and dx >= dz:
        return 0
    return 1 if dy >= dz else 2


@loop
def _select(centres: FloatArray, order: IntArray, low: int, high: int, middle: int, axis: int) -> None:
    """Rearrange order[low:high] so that what lies before `middle` is not above what lies after (Hoare's selection)."""
    left, right = low, high - 1
    while left < right:
        a, b, c = centres[order[left], axis], centres[order[(left + right) // 2], axis], centres[order[right], axis]
        pivot = max(min(a, b), min(max(a, b), c))
        i, j = left, right
        while i <= j:
            while centres[order[i], axis] < pivot:
                i += 1
            while centres[order[j], axis] > pivot:
                j -= 1
            if i <= j:
                order[i], order[j] = order[j], order[i]
                i += 1
                j -= 1
        if middle <= j:
            right = j
        elif middle >= i:
            left = i
        else:
            return


@loop
def sort_range(centres: FloatArray, order: IntArray, count: int, levels: int, top: int, node: int) -> None:
    """Sort the triangles under the `node`-th box of level `top` (in place), down to the leaves of level `levels`."""
    for level in range(top, levels):
        first = node << (level - top)
        for i in range(first, first + (1 << (level - top))):
            low, high = count * i >> level, count * (i + 1) >> level
            middle = count * (2 * i + 1) >> (level + 1)
            if high - low > 1:
                _select(centres, order, low, high, middle, _longest_axis(centres, order, low, high))


@loop
def corners_in_order(vertices: FloatArray, faces: IntArray, order: IntArray) -> FloatArray:
    """The corners of the faces (m, 9) in sorted order, so that a leaf's triangles lie side by side."""
    out = np.empty((order.shape[0], 9))
    for i in range(order.shape[0]):
        for k in range(3):
            v = faces[order[i], k]
            for c in range(3):
                out[i, 3 * k + c] = vertices[v, c]
    return out


@loop
def fit_boxes(corners: FloatArray, levels: int) -> FloatArray:
    """Boxes (nodes, 6: low x y z, high x y z) from the leaves up; an empty leaf's box is turned inside out."""
    count = corners.shape[0]
    leaves = 1 << levels
    boxes = np.empty((2 * leaves - 1, 6))
    boxes[:, :3] = np.inf
    boxes[:, 3:] = -np.inf
    for i in range(leaves):
        node = leaves - 1 + i
        for t in range(count * i >> levels, count * (i + 1) >> levels):
            for k in range(9):
                c = k % 3
                boxes[node, c] = min(boxes[node, c], corners[t, k])
                boxes[node, 3 + c] = max(boxes[node, 3 + c], corners[t, k])
    for node in range(leaves - 2, -1, -1):
        for c in range(3):
            boxes[node, c] = min(boxes[2 * node + 1, c], boxes[2 * node + 2, c])
            boxes[node, 3 + c] = max(boxes[2 * node + 1, 3 + c], boxes[2 * node + 2, 3 + c])
    return boxes
