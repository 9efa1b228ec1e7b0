"""Cuts of a triangle mesh by planes, chained through the edges that the plane crosses."""

from __future__ import annotations

import numpy as np

from kerfmark.kernels.compiled import loop
from kerfmark.records import FloatArray, IntArray

__all__ = ["slice_by_planes", "slice_by_values"]


@loop
def _crossed_sides(faces: IntArray, above: IntArray, low: IntArray, high: IntArray) -> int:
    """Write, per crossed face, its two crossed sides as low and high vertex: the one going up, then the one going down."""
    found = 0
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        total = above[a] + above[b] + above[c]
        if total == 0 or total == 3:
            continue
        for k in range(3):
            p, q = faces[f, k], faces[f, (k + 1) % 3]
            if above[p] != above[q]:
                end = found + (0 if above[q] == 1 else 1)
                low[end] = min(p, q)
                high[end] = max(p, q)
        found += 2
    return found


@loop
def _mates(low: IntArray, high: IntArray, ends: int) -> IntArray:
    """For each end the other end on the same edge (−1 where the mesh stops); a third face on an edge starts anew."""
    size = 16
    while size < 2 * ends:
        size *= 2
    table = np.full(size, -1, np.int32)
    mate = np.full(ends, -1, np.int32)
    for i in range(ends):
        h = np.uint64(low[i]) * np.uint64(0x9E3779B97F4A7C15) ^ np.uint64(high[i]) * np.uint64(0xBF58476D1CE4E5B9)
        slot = np.int64((h ^ (h >> np.uint64(31))) & np.uint64(size - 1))
        while table[slot] >= 0:
            j = table[slot]
            if low[j] == low[i] and high[j] == high[i] and mate[j] < 0:
                mate[i] = j
                mate[j] = i
                break
            slot = (slot + 1) & (size - 1)
        if mate[i] < 0:
            table[slot] = i
    return mate


@loop
def _walk(mate: IntArray, ends: int) -> tuple[IntArray, IntArray]:
    """Order the ends into chains: the end at each point, and where each chain starts. Open chains come first."""
    sequence = np.empty(ends + ends // 2 + 1, np.int32)
    starts = np.empty(ends // 2 + 2, np.int32)
    used = np.zeros(ends, np.bool_)
    length, chains = 0, 0
    for turn in range(3):
        for seed in range(ends):
            if used[seed] or (turn == 0 and (mate[seed] >= 0 or seed % 2 == 1)) or (turn == 1 and mate[seed] >= 0):
                continue
            starts[chains] = length
            chains += 1
            sequence[length] = seed
            length += 1
            here = seed
            while True:
                across = here ^ 1
                used[here] = True
                used[across] = True
                sequence[length] = across
                length += 1
                here = mate[across]
                if here < 0 or used[here]:
                    break
    starts[chains] = length
    return sequence[:length].copy(), starts[: chains + 1].copy()


@loop
def slice_by_planes(
    vertices: FloatArray, faces: IntArray, normals: FloatArray, offsets: FloatArray
) -> tuple[FloatArray, IntArray, IntArray]:
    """Cut by the planes normal · x = offset.

    Returns the points of all chains, one after the other (k, 3), where each chain starts (chains + 1,), and the plane
    of each chain (chains,). A closed chain ends with the point it begins with. A vertex on a plane counts as above it.
    """
    n = vertices.shape[0]
    height, above = np.empty(n), np.empty(n, np.int32)
    low, high = np.empty(2 * faces.shape[0], np.int32), np.empty(2 * faces.shape[0], np.int32)
    points, starts, planes = np.empty((1024, 3)), np.empty(64, np.int32), np.empty(64, np.int32)
    length, chains = 0, 0
    for plane in range(normals.shape[0]):
        a, b, c = normals[plane, 0], normals[plane, 1], normals[plane, 2]
        for v in range(n):
            height[v] = vertices[v, 0] * a + vertices[v, 1] * b + vertices[v, 2] * c - offsets[plane]
            above[v] = 1 if height[v] >= 0.0 else 0
        ends = _crossed_sides(faces, above, low, high)
        sequence, chain_starts = _walk(_mates(low, high, ends), ends)
        while length + sequence.shape[0] > points.shape[0]:
            points = np.concatenate((points, np.empty_like(points)))
        while chains + chain_starts.shape[0] > starts.shape[0]:
            starts = np.concatenate((starts, np.empty_like(starts)))
            planes = np.concatenate((planes, np.empty_like(planes)))
        for s in range(chain_starts.shape[0] - 1):
            starts[chains] = length + chain_starts[s]
            planes[chains] = plane
            chains += 1
        for s in range(sequence.shape[0]):
            p, q = low[sequence[s]], high[sequence[s]]
            at = height[p] / (height[p] - height[q])
            for k in range(3):
                points[length + s, k] = vertices[p, k] + at * (vertices[q, k] - vertices[p, k])
        length += sequence.shape[0]
    out_starts = np.empty(chains + 1, np.int32)
    out_starts[:chains] = starts[:chains]
    out_starts[chains] = length
    return points[:length].copy(), out_starts, planes[:chains].copy()


@loop
def slice_by_values(vertices: FloatArray, faces: IntArray, values: FloatArray) -> tuple[FloatArray, IntArray]:
    """Where a field given at the vertices is 0: the points of all chains (k, 3), and where each starts (chains + 1,).

    A closed chain ends with the point it begins with. A vertex at 0 counts as above.
    """
    above = np.empty(vertices.shape[0], np.int32)
    for v in range(vertices.shape[0]):
        above[v] = 1 if values[v] >= 0.0 else 0
    low, high = np.empty(2 * faces.shape[0], np.int32), np.empty(2 * faces.shape[0], np.int32)
    ends = _crossed_sides(faces, above, low, high)
    sequence, starts = _walk(_mates(low, high, ends), ends)
    points = np.empty((sequence.shape[0], 3))
    for s in range(sequence.shape[0]):
        p, q = low[sequence[s]], high[sequence[s]]
        at = values[p] / (values[p] - values[q])
        for k in range(3):
            points[s, k] = vertices[p, k] + at * (vertices[q, k] - vertices[p, k])
    return points, starts
