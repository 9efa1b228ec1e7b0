"""Loops over the faces of a triangle mesh: normals, edges, connected parts, consistent turning, equal vertices."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop
from kerfmark.records import FloatArray, IntArray

__all__ = [
    "border_loops",
    "corner_angle_normals",
    "edges_of_faces",
    "face_areas",
    "first_of_equal",
    "label_faces",
    "middles_of",
    "part_sums",
    "signed_volume",
    "turn_consistently",
    "unit_normals",
]


@loop
def face_areas(vertices: FloatArray, faces: IntArray) -> FloatArray:
    """Per face its area."""
    out = np.empty(faces.shape[0])
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ux, uy, uz = vertices[b, 0] - vertices[a, 0], vertices[b, 1] - vertices[a, 1], vertices[b, 2] - vertices[a, 2]
        vx, vy, vz = vertices[c, 0] - vertices[a, 0], vertices[c, 1] - vertices[a, 1], vertices[c, 2] - vertices[a, 2]
        x, y, z = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        out[f] = 0.5 * np.sqrt(x * x + y * y + z * z)
    return out


@loop
def unit_normals(vertices: FloatArray, faces: IntArray) -> FloatArray:
    """Per face its unit normal, 0 where it has no area."""
    out = np.empty((faces.shape[0], 3))
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ux, uy, uz = vertices[b, 0] - vertices[a, 0], vertices[b, 1] - vertices[a, 1], vertices[b, 2] - vertices[a, 2]
        vx, vy, vz = vertices[c, 0] - vertices[a, 0], vertices[c, 1] - vertices[a, 1], vertices[c, 2] - vertices[a, 2]
        x, y, z = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        length = np.sqrt(x * x + y * y + z * z)
        scale = 1.0 / length if length > 0.0 else 0.0
        out[f, 0], out[f, 1], out[f, 2] = x * scale, y * scale, z * scale
    return out


@loop
def middles_of(
    vertices: FloatArray, faces: IntArray, chosen: NDArray[np.int64]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Middles (k, 3), unit normals (k, 3) and areas (k,) of those of the chosen faces that have an area."""
    middles, normals, areas = np.empty((chosen.size, 3)), np.empty((chosen.size, 3)), np.empty(chosen.size)
    count = 0
    for n in range(chosen.size):
        f = chosen[n]
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ux, uy, uz = vertices[b, 0] - vertices[a, 0], vertices[b, 1] - vertices[a, 1], vertices[b, 2] - vertices[a, 2]
        vx, vy, vz = vertices[c, 0] - vertices[a, 0], vertices[c, 1] - vertices[a, 1], vertices[c, 2] - vertices[a, 2]
        x, y, z = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        length = np.sqrt(x * x + y * y + z * z)
        if length == 0.0:
            continue
        normals[count, 0], normals[count, 1], normals[count, 2] = x / length, y / length, z / length
        for k in range(3):
            middles[count, k] = (vertices[a, k] + vertices[b, k] + vertices[c, k]) / 3.0
        areas[count] = 0.5 * length
        count += 1
    return middles[:count], normals[:count], areas[:count]


@loop
def part_sums(
    vertices: FloatArray,
    faces: IntArray,
    areas: FloatArray,
    edge_of: IntArray,
    count: IntArray,
    label: IntArray,
    parts: int,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Per part its area, the volume it encloses (closed towards the middle of its border) and its box (6)."""
    area, volume, box = np.zeros(parts), np.zeros(parts), np.empty((parts, 6))
    box[:, :3], box[:, 3:] = np.inf, -np.inf
    middle, sides = np.zeros((parts, 3)), np.zeros(parts)
    for f in range(faces.shape[0]):
        p = label[f]
        area[p] += areas[f]
        for k in range(3):
            v = faces[f, k]
            for c in range(3):
                box[p, c] = min(box[p, c], vertices[v, c])
                box[p, 3 + c] = max(box[p, 3 + c], vertices[v, c])
            if count[edge_of[f, k]] == 1:
                sides[p] += 1.0
                for c in range(3):
                    middle[p, c] += vertices[v, c]
    for p in range(parts):
        for c in range(3):
            middle[p, c] = middle[p, c] / sides[p] if sides[p] > 0.0 else 0.5 * (box[p, c] + box[p, 3 + c])
    for f in range(faces.shape[0]):
        a, b, c, m = faces[f, 0], faces[f, 1], faces[f, 2], middle[label[f]]
        ax, ay, az = vertices[a, 0] - m[0], vertices[a, 1] - m[1], vertices[a, 2] - m[2]
        bx, by, bz = vertices[b, 0] - m[0], vertices[b, 1] - m[1], vertices[b, 2] - m[2]
        cx, cy, cz = vertices[c, 0] - m[0], vertices[c, 1] - m[1], vertices[c, 2] - m[2]
        volume[label[f]] += ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)
    return area, volume / 6.0, box


@loop
def signed_volume(vertices: FloatArray, faces: IntArray, origin: FloatArray) -> float:
    """Sum of the signed tetrahedra between `origin` and the faces."""
    total = 0.0
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, ay, az = vertices[a, 0] - origin[0], vertices[a, 1] - origin[1], vertices[a, 2] - origin[2]
        bx, by, bz = vertices[b, 0] - origin[0], vertices[b, 1] - origin[1], vertices[b, 2] - origin[2]
        cx, cy, cz = vertices[c, 0] - origin[0], vertices[c, 1] - origin[1], vertices[c, 2] - origin[2]
        total += ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)
    return total / 6.0


@loop
def corner_angle_normals(vertices: FloatArray, faces: IntArray, units: FloatArray) -> FloatArray:
    """Per vertex the sum of its faces' unit normals, each weighted by the face's angle there (not yet unit)."""
    out = np.zeros((vertices.shape[0], 3))
    for f in range(faces.shape[0]):
        for k in range(3):
            v, p, q = faces[f, k], faces[f, (k + 1) % 3], faces[f, (k + 2) % 3]
            ux, uy, uz = (
                vertices[p, 0] - vertices[v, 0],
                vertices[p, 1] - vertices[v, 1],
                vertices[p, 2] - vertices[v, 2],
            )
            wx, wy, wz = (
                vertices[q, 0] - vertices[v, 0],
                vertices[q, 1] - vertices[v, 1],
                vertices[q, 2] - vertices[v, 2],
            )
            sx, sy, sz = uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx
            angle = np.arctan2(np.sqrt(sx * sx + sy * sy + sz * sz), ux * wx + uy * wy + uz * wz)
            for c in range(3):
                out[v, c] += angle * units[f, c]
    return out


@loop
def edges_of_faces(faces: IntArray, vertex_count: int) -> tuple[IntArray, IntArray, IntArray, IntArray, IntArray]:
    """Edges, found by bucketing the faces' sides by their lower vertex.

    Returns the edge of each side (m, 3; side k runs from corner k to corner k + 1), and per edge its lower and higher
    vertex (e, 2), the number of faces on it (e,), how many more faces run up than down it (e,), the first two faces (e, 2).
    """
    m = faces.shape[0]
    start = np.zeros(vertex_count + 1, np.int64)
    for f in range(m):
        for k in range(3):
            start[min(faces[f, k], faces[f, (k + 1) % 3]) + 1] += 1
    for v in range(vertex_count):
        start[v + 1] += start[v]
    sides = np.empty(3 * m, np.int32)
    fill = start[:-1].copy()
    for f in range(m):
        for k in range(3):
            low = min(faces[f, k], faces[f, (k + 1) % 3])
            sides[fill[low]] = 3 * f + k
            fill[low] += 1
    edge_of = np.empty((m, 3), np.int32)
    ends = np.empty((3 * m, 2), np.int32)
    count = np.zeros(3 * m, np.int32)
    balance = np.zeros(3 * m, np.int32)
    first_two = np.full((3 * m, 2), -1, np.int32)
    last = np.full(vertex_count, -1, np.int32)
    edges = 0
    for low in range(vertex_count):
        for s in range(start[low], start[low + 1]):
            f, k = sides[s] // 3, sides[s] % 3
            a, b = faces[f, k], faces[f, (k + 1) % 3]
            high = max(a, b)
            e = last[high]
            if e < 0 or ends[e, 0] != low:
                e = edges
                last[high] = e
                ends[e, 0] = low
                ends[e, 1] = high
                edges += 1
            if count[e] < 2:
                first_two[e, count[e]] = f
            count[e] += 1
            balance[e] += 1 if a < b else -1
            edge_of[f, k] = e
    return edge_of, ends[:edges].copy(), count[:edges].copy(), balance[:edges].copy(), first_two[:edges].copy()


@loop
def _root(parent: IntArray, item: int) -> int:
    while parent[item] != item:
        parent[item] = parent[parent[item]]
        item = parent[item]
    return item


@loop
def label_faces(edge_of: IntArray, edge_count: int) -> tuple[IntArray, int]:
    """Number the connected parts (faces that share an edge); the label of each face and how many there are."""
    m = edge_of.shape[0]
    parent = np.arange(m).astype(np.int32)
    seen = np.full(edge_count, -1, np.int32)
    for f in range(m):
        for k in range(3):
            e = edge_of[f, k]
            if seen[e] < 0:
                seen[e] = f
            else:
                a, b = _root(parent, f), _root(parent, seen[e])
                if a != b:
                    parent[max(a, b)] = min(a, b)
    label = np.empty(m, np.int32)
    parts = 0
    for f in range(m):
        r = _root(parent, f)
        if r == f:
            label[f] = parts
            parts += 1
        else:
            label[f] = label[r]
    return label, parts


@loop
def turn_consistently(
    faces: IntArray, edge_of: IntArray, count: IntArray, first_two: IntArray, areas: FloatArray
) -> NDArray[np.bool_]:
    """Which faces to turn so that neighbours agree; in each part the side with less area turns."""
    m = faces.shape[0]
    state = np.full(m, -1, np.int8)
    queue = np.empty(m, np.int32)
    turn = np.zeros(m, np.bool_)
    for seed in range(m):
        if state[seed] >= 0:
            continue
        state[seed] = 0
        queue[0] = seed
        head, tail = 0, 1
        area = np.zeros(2)
        while head < tail:
            f = queue[head]
            head += 1
            area[state[f]] += areas[f]
            for k in range(3):
                e = edge_of[f, k]
                if count[e] != 2:
                    continue
                g = first_two[e, 0] if first_two[e, 0] != f else first_two[e, 1]
                if state[g] >= 0:
                    continue
                j = 0
                while edge_of[g, j] != e:
                    j += 1
                same_way = (faces[f, k] < faces[f, (k + 1) % 3]) == (faces[g, j] < faces[g, (j + 1) % 3])
                state[g] = 1 - state[f] if same_way else state[f]
                queue[tail] = g
                tail += 1
        minority = 1 if area[1] <= area[0] else 0
        for i in range(tail):
            turn[queue[i]] = state[queue[i]] == minority
    return turn


@loop
def first_of_equal(words: NDArray[np.uint64]) -> tuple[IntArray, int]:
    """Number equal rows of `words` (n, 3) in order of first appearance; the number of each row and how many differ."""
    n = words.shape[0]
    size = 16
    while size < 2 * n:
        size *= 2
    mask = np.uint64(size - 1)
    table = np.full(size, -1, np.int32)
    first = np.empty(n, np.int32)
    number = np.empty(n, np.int32)
    found = 0
    for i in range(n):
        h = words[i, 0] * np.uint64(0x9E3779B97F4A7C15)
        h = (h ^ (h >> np.uint64(29)) ^ words[i, 1]) * np.uint64(0xBF58476D1CE4E5B9)
        h = (h ^ (h >> np.uint64(32)) ^ words[i, 2]) * np.uint64(0x94D049BB133111EB)
        slot = (h ^ (h >> np.uint64(31))) & mask
        while True:
            e = table[slot]
            if e < 0:
                table[slot] = found
                first[found] = i
                number[i] = found
                found += 1
                break
            r = first[e]
            if words[r, 0] == words[i, 0] and words[r, 1] == words[i, 1] and words[r, 2] == words[i, 2]:
                number[i] = e
                break
            slot = (slot + np.uint64(1)) & mask
    return number, found


@loop
def border_loops(begin: IntArray, end: IntArray, vertex_count: int) -> tuple[IntArray, IntArray]:
    """Chain border edges begin → end into closed loops; the vertices of all loops and where each starts (loops + 1,).

    What does not close (the mesh has faces turned against each other there) is left out.
    """
    n = begin.shape[0]
    head, after = np.full(vertex_count, -1, np.int32), np.empty(n, np.int32)
    for e in range(n - 1, -1, -1):
        after[e] = head[begin[e]]
        head[begin[e]] = e
    loops, starts = np.empty(n, np.int32), np.empty(n + 1, np.int32)
    length, count = 0, 0
    for seed in range(n):
        if head[begin[seed]] != seed:
            continue
        first, e, size = begin[seed], seed, 0
        while e >= 0:
            head[begin[e]] = after[e]
            loops[length + size] = begin[e]
            size += 1
            if end[e] == first:
                starts[count] = length
                count += 1
                length += size
                break
            e = head[end[e]]
    starts[count] = length
    return loops[:length].copy(), starts[: count + 1].copy()
