"""Points sorted into cubes, so that the nearest one within a cube's width is found by looking at 27 cubes."""

from __future__ import annotations

import numpy as np

from kerfmark.kernels.compiled import loop
from kerfmark.records import FloatArray, IntArray

__all__ = ["area_vectors_in_cells", "directions_at", "nearest_sorted", "sort_into_cells", "systematic_samples"]


@loop
def _cell(value: float, low: float, width: float, count: int) -> int:
    return min(max(int((value - low) / width), 0), count - 1)


@loop
def sort_into_cells(points: FloatArray, low: FloatArray, width: float, shape: IntArray) -> tuple[IntArray, IntArray]:
    """`starts` (cells + 1,) and `order`: the points of cell c are order[starts[c]:starts[c + 1]]."""
    ny, nz = shape[1], shape[2]
    cell = np.empty(points.shape[0], np.int32)
    starts = np.zeros(shape[0] * ny * nz + 1, np.int32)
    for p in range(points.shape[0]):
        i = _cell(points[p, 0], low[0], width, shape[0])
        j = _cell(points[p, 1], low[1], width, ny)
        cell[p] = (i * ny + j) * nz + _cell(points[p, 2], low[2], width, nz)
        starts[cell[p] + 1] += 1
    for c in range(starts.size - 1):
        starts[c + 1] += starts[c]
    used, order = starts[:-1].copy(), np.empty(points.shape[0], np.int32)
    for p in range(points.shape[0]):
        order[used[cell[p]]] = p
        used[cell[p]] += 1
    return starts, order


@loop
def nearest_sorted(
    queries: FloatArray,
    points: FloatArray,
    starts: IntArray,
    order: IntArray,
    low: FloatArray,
    width: float,
    shape: IntArray,
) -> IntArray:
    """Index of the nearest point no farther than `width`, −1 where there is none."""
    ny, nz = shape[1], shape[2]
    nearest = np.full(queries.shape[0], -1, np.int32)
    for q in range(queries.shape[0]):
        x, y, z = queries[q, 0], queries[q, 1], queries[q, 2]
        i, j, k = (
            int(np.floor((x - low[0]) / width)),
            int(np.floor((y - low[1]) / width)),
            int(np.floor((z - low[2]) / width)),
        )
        best = width * width
        for u in range(max(i - 1, 0), min(i + 2, shape[0])):
            for v in range(max(j - 1, 0), min(j + 2, ny)):
                for w in range(max(k - 1, 0), min(k + 2, nz)):
                    c = (u * ny + v) * nz + w
                    for s in range(starts[c], starts[c + 1]):
                        p = order[s]
                        square = (points[p, 0] - x) ** 2 + (points[p, 1] - y) ** 2 + (points[p, 2] - z) ** 2
                        if square <= best:
                            best, nearest[q] = square, p
    return nearest


@loop
def area_vectors_in_cells(
    vertices: FloatArray, faces: IntArray, low: FloatArray, width: float, shape: IntArray
) -> FloatArray:
    """Per cell the sum of area × normal of the faces whose first corner lies in it."""
    ny, nz = shape[1], shape[2]
    sums = np.zeros((shape[0] * ny * nz, 3))
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        i, j = _cell(vertices[a, 0], low[0], width, shape[0]), _cell(vertices[a, 1], low[1], width, ny)
        cell = (i * ny + j) * nz + _cell(vertices[a, 2], low[2], width, nz)
        ux, uy, uz = vertices[b, 0] - vertices[a, 0], vertices[b, 1] - vertices[a, 1], vertices[b, 2] - vertices[a, 2]
        vx, vy, vz = vertices[c, 0] - vertices[a, 0], vertices[c, 1] - vertices[a, 1], vertices[c, 2] - vertices[a, 2]
        sums[cell, 0] += 0.5 * (uy * vz - uz * vy)
        sums[cell, 1] += 0.5 * (uz * vx - ux * vz)
        sums[cell, 2] += 0.5 * (ux * vy - uy * vx)
    return sums


@loop
def directions_at(
    queries: FloatArray, vectors: FloatArray, low: FloatArray, width: float, shape: IntArray
) -> FloatArray:
    """The unit vector of the cell each query lies in, 0 where the cell has none."""
    ny, nz = shape[1], shape[2]
    out = np.zeros((queries.shape[0], 3))
    for q in range(queries.shape[0]):
        i, j = _cell(queries[q, 0], low[0], width, shape[0]), _cell(queries[q, 1], low[1], width, ny)
        c = (i * ny + j) * nz + _cell(queries[q, 2], low[2], width, nz)
        length = np.sqrt(vectors[c, 0] ** 2 + vectors[c, 1] ** 2 + vectors[c, 2] ** 2)
        if length > 0.0:
            for a in range(3):
                out[q, a] = vectors[c, a] / length
    return out


@loop
def systematic_samples(vertices: FloatArray, faces: IntArray, areas: FloatArray, count: int) -> FloatArray:
    """`count` points, one every so much area in the order of the faces.

    Where in its triangle a point lies follows the two-dimensional golden ratio sequence, so the same mesh gives the same points.
    """
    total = 0.0
    for f in range(areas.size):
        total += areas[f]
    points = np.empty((count, 3))
    passed, f = areas[0], 0
    for n in range(count):
        mark = (n + 0.5) * total / count
        while passed < mark and f < areas.size - 1:
            f += 1
            passed += areas[f]
        u, v = (n * 0.7548776662466927) % 1.0, (n * 0.5698402909980532) % 1.0
        if u + v > 1.0:
            u, v = 1.0 - u, 1.0 - v
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        for x in range(3):
            points[n, x] = (1.0 - u - v) * vertices[a, x] + u * vertices[b, x] + v * vertices[c, x]
    return points
