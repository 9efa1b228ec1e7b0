"""Evening out a triangle mesh without moving a point: short edges collapsed, edges turned inside flat quadrangles.

Each pass works on places that do not touch one another, so the caller can rebuild the edges between passes.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop
from kerfmark.records import FloatArray, IntArray

__all__ = ["collapse_pass", "faces_round", "turn_pass"]

STRAIGHT = np.cos(np.radians(15.0))
THIN_MM2 = 1e-9


@loop
def faces_round(faces: IntArray, vertex_count: int) -> tuple[IntArray, IntArray]:
    """The faces at each vertex: where each vertex's begin (n + 1,) and their numbers (3 m,)."""
    start = np.zeros(vertex_count + 1, np.int32)
    for f in range(faces.shape[0]):
        for k in range(3):
            start[faces[f, k] + 1] += 1
    for v in range(vertex_count):
        start[v + 1] += start[v]
    fill, held = start[:-1].copy(), np.empty(3 * faces.shape[0], np.int32)
    for f in range(faces.shape[0]):
        for k in range(3):
            held[fill[faces[f, k]]] = f
            fill[faces[f, k]] += 1
    return start, held


@loop
def _area_vector(vertices: FloatArray, a: int, b: int, c: int, out: FloatArray) -> float:
    """Write the vector along the normal whose length is twice the area; its length."""
    ux, uy, uz = vertices[b, 0] - vertices[a, 0], vertices[b, 1] - vertices[a, 1], vertices[b, 2] - vertices[a, 2]
    vx, vy, vz = vertices[c, 0] - vertices[a, 0], vertices[c, 1] - vertices[a, 1], vertices[c, 2] - vertices[a, 2]
    out[0], out[1], out[2] = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    return np.sqrt(out[0] ** 2 + out[1] ** 2 + out[2] ** 2)


@loop
def _dot(a: FloatArray, b: FloatArray) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@loop
def _square(vertices: FloatArray, a: int, b: int) -> float:
    return (
        (vertices[a, 0] - vertices[b, 0]) ** 2
        + (vertices[a, 1] - vertices[b, 1]) ** 2
        + (vertices[a, 2] - vertices[b, 2]) ** 2
    )


@loop
def _shared_neighbours(faces: IntArray, start: IntArray, held: IntArray, gone: int, kept: int, mark: IntArray) -> int:
    """How many vertices are joined to both; `mark` is left as it was."""
    for s in range(start[gone], start[gone + 1]):
        for k in range(3):
            mark[faces[held[s], k]] = 1
    mark[gone] = mark[kept] = 0
    shared = 0
    for s in range(start[kept], start[kept + 1]):
        for k in range(3):
            if mark[faces[held[s], k]] == 1:
                shared += 1
                mark[faces[held[s], k]] = 0
    for s in range(start[gone], start[gone + 1]):
        for k in range(3):
            mark[faces[held[s], k]] = 0
    return shared


@loop
def _may_collapse(
    vertices: FloatArray, faces: IntArray, start: IntArray, held: IntArray, normals: FloatArray, locked: NDArray[np.bool_],
    gone: int, kept: int, longest: float, tolerance: float, old: FloatArray, new: FloatArray,
) -> bool:  # fmt: skip
    """Whether the faces round `gone` can be drawn to `kept` without turning, and with `gone` still on them."""
    way = vertices[gone] - vertices[kept]
    for s in range(start[gone], start[gone + 1]):
        f = held[s]
        k = 0 if faces[f, 0] == gone else (1 if faces[f, 1] == gone else 2)
        p, q = faces[f, (k + 1) % 3], faces[f, (k + 2) % 3]
        if locked[p] or locked[q]:
            return False
        if kept in (p, q):
            continue
        if max(_square(vertices, kept, p), _square(vertices, kept, q)) > longest * longest:
            return False
        before, after = _area_vector(vertices, gone, p, q, old), _area_vector(vertices, kept, p, q, new)
        if after <= THIN_MM2 or abs(_dot(way, new)) > tolerance * after:
            return False
        if before > THIN_MM2 and _dot(old, new) < STRAIGHT * before * after:
            return False
        if before <= THIN_MM2 and _dot(normals[gone], new) < 0.2 * after:
            return False
    return True


@loop
def collapse_pass(
    vertices: FloatArray, faces: IntArray, ends: IntArray, short: IntArray, border: NDArray[np.bool_], normals: FloatArray,
    longest: float, tolerance: float,
) -> IntArray:  # fmt: skip
    """Where each vertex goes (n,): itself, or the other end of a short edge it is drawn into.

    `short` lists the edges to collapse, the shortest first. Vertices on a border stay.
    """
    n = vertices.shape[0]
    start, held = faces_round(faces, n)
    to, locked, mark = np.arange(n).astype(np.int32), np.zeros(n, np.bool_), np.zeros(n, np.int32)
    old, new = np.empty(3), np.empty(3)
    for e in short:
        for turn in range(2):
            gone, kept = ends[e, 1 - turn], ends[e, turn]
            if locked[gone] or locked[kept] or border[gone]:
                continue
            if _shared_neighbours(faces, start, held, gone, kept, mark) != 2:
                continue
            if not _may_collapse(
                vertices, faces, start, held, normals, locked, gone, kept, longest, tolerance, old, new
            ):
                continue
            to[gone] = kept
            for s in range(start[gone], start[gone + 1]):
                for k in range(3):
                    locked[faces[held[s], k]] = True
            break
    return to


@loop
def _sine_of_sum(vertices: FloatArray, a: int, b: int, c: int, d: int) -> float:
    """Sign of the sine of the angles at c and d over the edge a–b: negative where turning the edge would open them up."""
    cos_c = cos_d = 0.0
    for k in range(3):
        cos_c += (vertices[a, k] - vertices[c, k]) * (vertices[b, k] - vertices[c, k])
        cos_d += (vertices[a, k] - vertices[d, k]) * (vertices[b, k] - vertices[d, k])
    room = np.empty(3)
    return cos_c * _area_vector(vertices, d, a, b, room) + cos_d * _area_vector(vertices, c, a, b, room)


@loop
def _joined(faces: IntArray, start: IntArray, held: IntArray, c: int, d: int) -> bool:
    for s in range(start[c], start[c + 1]):
        f = held[s]
        if faces[f, 0] == d or faces[f, 1] == d or faces[f, 2] == d:
            return True
    return False


@loop
def _flat(vertices: FloatArray, a: int, b: int, c: int, d: int, tolerance: float) -> bool:
    """Whether turning edge a–b into c–d keeps the surface: the two pass within the tolerance and no face turns over."""
    one, other, first, second = np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    _area_vector(vertices, a, b, c, one)
    _area_vector(vertices, b, a, d, other)
    whole = one + other
    size = np.sqrt(_dot(whole, whole))
    if size <= THIN_MM2 or abs(_dot(vertices[c] - vertices[a], whole)) > tolerance * size:
        return False
    if (
        abs(_dot(vertices[d] - vertices[a], whole)) > tolerance * size
        or abs(_dot(vertices[b] - vertices[a], whole)) > tolerance * size
    ):
        return False
    left, right = _area_vector(vertices, c, a, d, first), _area_vector(vertices, c, d, b, second)
    return (
        _dot(first, whole) > 0.5 * left * size
        and _dot(second, whole) > 0.5 * right * size
        and min(left, right) > THIN_MM2
    )


@loop
def turn_pass(
    vertices: FloatArray, faces: IntArray, ends: IntArray, count: IntArray, first_two: IntArray, tolerance: float
) -> tuple[IntArray, int]:
    """The faces after turning edges whose opposite angles sum to more than 180°, and how many were turned.

    Source: the edge test of Delaunay, in flat quadrangles only.
    """
    n, out, turned = vertices.shape[0], faces.copy(), 0
    start, held = faces_round(faces, n)
    locked = np.zeros(n, np.bool_)
    for e in range(ends.shape[0]):
        if count[e] != 2:
            continue
        a, b, f, g = ends[e, 0], ends[e, 1], first_two[e, 0], first_two[e, 1]
        c = faces[f, 0] + faces[f, 1] + faces[f, 2] - a - b
        d = faces[g, 0] + faces[g, 1] + faces[g, 2] - a - b
        if c == d or locked[a] or locked[b] or locked[c] or locked[d]:
            continue
        for k in range(3):
            if faces[f, k] == b and faces[f, (k + 1) % 3] == a:
                c, d, f, g = d, c, g, f
                break
        if _sine_of_sum(vertices, a, b, c, d) >= -1e-12 or not _flat(vertices, a, b, c, d, tolerance):
            continue
        if _joined(faces, start, held, c, d):
            continue
        out[f, 0], out[f, 1], out[f, 2] = c, a, d
        out[g, 0], out[g, 1], out[g, 2] = c, d, b
        locked[a] = locked[b] = locked[c] = locked[d] = True
        turned += 1
    return out, turned
