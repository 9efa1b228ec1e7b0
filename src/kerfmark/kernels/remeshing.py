"""Evening out a triangle mesh without moving a point: short edges collapsed, edges turned inside flat quadrangles.

Each pass works on places that do not touch one another, and says which vertices it stirred: a place none of whose vertices was
stirred since it was last looked at would be refused again, so the next pass leaves it out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop
from kerfmark.records import FloatArray, IntArray

__all__ = ["collapse_pass", "faces_round", "short_edges", "turn_pass"]

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
def _x(vertices: FloatArray, a: int, b: int, c: int) -> float:
    """Along x: the vector along the normal of a triangle whose length is twice its area."""
    return (vertices[b, 1] - vertices[a, 1]) * (vertices[c, 2] - vertices[a, 2]) - (vertices[b, 2] - vertices[a, 2]) * (
        vertices[c, 1] - vertices[a, 1]
    )


@loop
def _y(vertices: FloatArray, a: int, b: int, c: int) -> float:
    return (vertices[b, 2] - vertices[a, 2]) * (vertices[c, 0] - vertices[a, 0]) - (vertices[b, 0] - vertices[a, 0]) * (
        vertices[c, 2] - vertices[a, 2]
    )


@loop
def _z(vertices: FloatArray, a: int, b: int, c: int) -> float:
    return (vertices[b, 0] - vertices[a, 0]) * (vertices[c, 1] - vertices[a, 1]) - (vertices[b, 1] - vertices[a, 1]) * (
        vertices[c, 0] - vertices[a, 0]
    )


@loop
def _square(vertices: FloatArray, a: int, b: int) -> float:
    return (
        (vertices[a, 0] - vertices[b, 0]) ** 2
        + (vertices[a, 1] - vertices[b, 1]) ** 2
        + (vertices[a, 2] - vertices[b, 2]) ** 2
    )


@loop
def _edges_up(
    faces: IntArray, start: IntArray, held: IntArray, low: int, last: IntArray, high: IntArray, count: IntArray, two: IntArray
) -> int:  # fmt: skip
    """The edges from a vertex to higher ones: how many; of each the other end, its faces' number and the first two of them."""
    edges = 0
    for s in range(start[low], start[low + 1]):
        f = held[s]
        for k in range(3):
            a, b = faces[f, k], faces[f, (k + 1) % 3]
            if min(a, b) != low:
                continue
            end = max(a, b)
            e = last[end]
            if e < 0 or e >= edges or high[e] != end:
                e = edges
                edges += 1
                last[end], high[e], count[e] = e, end, 0
            if count[e] < 2:
                two[e, count[e]] = f
            count[e] += 1
    return edges


@loop
def _most_faces(start: IntArray) -> int:
    most = 0
    for v in range(start.shape[0] - 1):
        most = max(most, start[v + 1] - start[v])
    return most


@loop
def _beside(faces: IntArray, stirred: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which vertices are stirred or share a face with one that is."""
    near = np.zeros(stirred.shape[0], np.bool_)
    for f in range(faces.shape[0]):
        if stirred[faces[f, 0]] or stirred[faces[f, 1]] or stirred[faces[f, 2]]:
            for k in range(3):
                near[faces[f, k]] = True
    return near


@loop
def short_edges(
    vertices: FloatArray, faces: IntArray, start: IntArray, held: IntArray, stirred: NDArray[np.bool_], shorter: float,
    border: NDArray[np.bool_],
) -> tuple[IntArray, FloatArray]:  # fmt: skip
    """Edges shorter than `shorter` with a face at either end that has a stirred vertex.

    Returns their lower and higher vertex (k, 2) and their lengths (k,), and marks in `border` (n,) the vertices that lie on a border
    or where the surface branches, among those looked at.
    """
    n = vertices.shape[0]
    room = 2 * _most_faces(start)
    last, high, count = np.full(n, -1, np.int32), np.empty(room, np.int32), np.empty(room, np.int32)
    two = np.empty((room, 2), np.int32)
    near = _beside(faces, stirred)
    round_near = _beside(faces, near)
    ends, lengths, found = np.empty((3 * faces.shape[0], 2), np.int32), np.empty(3 * faces.shape[0]), 0
    for low in range(n):
        if not round_near[low]:
            continue
        for e in range(_edges_up(faces, start, held, low, last, high, count, two)):
            if count[e] != 2:
                border[low] = border[high[e]] = True
            if not (near[low] or near[high[e]]):
                continue
            length = np.sqrt(_square(vertices, high[e], low))
            if length < shorter:
                ends[found, 0], ends[found, 1], lengths[found] = low, high[e], length
                found += 1
    return ends[:found].copy(), lengths[:found].copy()


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
def _against_normal(
    vertices: FloatArray, faces: IntArray, start: IntArray, held: IntArray, v: int, x: float, y: float, z: float
) -> bool:
    """Whether a vector leans less than 0.2 of its length along a vertex's normal, its faces' weighted by their angles there."""
    sx = sy = sz = 0.0
    for s in range(start[v], start[v + 1]):
        f = held[s]
        k = 0 if faces[f, 0] == v else (1 if faces[f, 1] == v else 2)
        p, q = faces[f, (k + 1) % 3], faces[f, (k + 2) % 3]
        nx, ny, nz = _x(vertices, v, p, q), _y(vertices, v, p, q), _z(vertices, v, p, q)
        size = np.sqrt(nx * nx + ny * ny + nz * nz)
        if size == 0.0:
            continue
        along = 0.0
        for c in range(3):
            along += (vertices[p, c] - vertices[v, c]) * (vertices[q, c] - vertices[v, c])
        weight = np.arctan2(size, along) / size
        sx, sy, sz = sx + weight * nx, sy + weight * ny, sz + weight * nz
    size = np.sqrt(sx * sx + sy * sy + sz * sz) * np.sqrt(x * x + y * y + z * z)
    return sx * x + sy * y + sz * z < 0.2 * size


@loop
def _may_collapse(
    vertices: FloatArray, faces: IntArray, start: IntArray, held: IntArray, locked: NDArray[np.bool_], gone: int, kept: int,
    longest: float, tolerance: float,
) -> bool:  # fmt: skip
    """Whether the faces round `gone` can be drawn to `kept` without turning, and with `gone` still on them."""
    wx, wy, wz = (
        vertices[gone, 0] - vertices[kept, 0],
        vertices[gone, 1] - vertices[kept, 1],
        vertices[gone, 2] - vertices[kept, 2],
    )
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
        nx, ny, nz = _x(vertices, kept, p, q), _y(vertices, kept, p, q), _z(vertices, kept, p, q)
        after = np.sqrt(nx * nx + ny * ny + nz * nz)
        if after <= THIN_MM2 or abs(wx * nx + wy * ny + wz * nz) > tolerance * after:
            return False
        ox, oy, oz = _x(vertices, gone, p, q), _y(vertices, gone, p, q), _z(vertices, gone, p, q)
        before = np.sqrt(ox * ox + oy * oy + oz * oz)
        if before > THIN_MM2 and ox * nx + oy * ny + oz * nz < STRAIGHT * before * after:
            return False
        if before <= THIN_MM2 and _against_normal(vertices, faces, start, held, gone, nx, ny, nz):
            return False
    return True


@loop
def collapse_pass(
    vertices: FloatArray, faces: IntArray, start: IntArray, held: IntArray, ends: IntArray, border: NDArray[np.bool_],
    longest: float, tolerance: float,
) -> tuple[IntArray, NDArray[np.bool_], int]:  # fmt: skip
    """The faces after drawing ends of short edges into one another, which vertices (n,) that stirred, and how many faces went.

    `ends` lists the edges to collapse, the shortest first. Vertices on a border stay. No vertex is taken out of the list.
    """
    n = vertices.shape[0]
    to, locked, mark = np.arange(n).astype(np.int32), np.zeros(n, np.bool_), np.zeros(n, np.int32)
    for e in range(ends.shape[0]):
        for turn in range(2):
            gone, kept = ends[e, 1 - turn], ends[e, turn]
            if locked[gone] or locked[kept] or border[gone]:
                continue
            if _shared_neighbours(faces, start, held, gone, kept, mark) != 2:
                continue
            if not _may_collapse(vertices, faces, start, held, locked, gone, kept, longest, tolerance):
                continue
            to[gone] = kept
            for s in range(start[gone], start[gone + 1]):
                for k in range(3):
                    locked[faces[held[s], k]] = True
            break
    out, left = np.empty_like(faces), 0
    for f in range(faces.shape[0]):
        a, b, c = to[faces[f, 0]], to[faces[f, 1]], to[faces[f, 2]]
        if a != b and b != c and c != a:
            out[left, 0], out[left, 1], out[left, 2] = a, b, c
            left += 1
    return out[:left].copy(), locked, faces.shape[0] - left


@loop
def _opens_up(vertices: FloatArray, a: int, b: int, c: int, d: int) -> bool:
    """Whether the angles at c and d over the edge a–b sum to more than 180°."""
    cos_c = cos_d = 0.0
    for k in range(3):
        cos_c += (vertices[a, k] - vertices[c, k]) * (vertices[b, k] - vertices[c, k])
        cos_d += (vertices[a, k] - vertices[d, k]) * (vertices[b, k] - vertices[d, k])
    if cos_c >= 0.0 and cos_d >= 0.0:
        return False
    x, y, z = _x(vertices, d, a, b), _y(vertices, d, a, b), _z(vertices, d, a, b)
    at_d = np.sqrt(x * x + y * y + z * z)
    x, y, z = _x(vertices, c, a, b), _y(vertices, c, a, b), _z(vertices, c, a, b)
    return cos_c * at_d + cos_d * np.sqrt(x * x + y * y + z * z) < -1e-12


@loop
def _joined(faces: IntArray, start: IntArray, held: IntArray, c: int, d: int) -> bool:
    for s in range(start[c], start[c + 1]):
        f = held[s]
        if faces[f, 0] == d or faces[f, 1] == d or faces[f, 2] == d:
            return True
    return False


@loop
def _off(vertices: FloatArray, a: int, p: int, x: float, y: float, z: float) -> float:
    return abs(
        (vertices[p, 0] - vertices[a, 0]) * x
        + (vertices[p, 1] - vertices[a, 1]) * y
        + (vertices[p, 2] - vertices[a, 2]) * z
    )


@loop
def _flat(vertices: FloatArray, a: int, b: int, c: int, d: int, tolerance: float) -> bool:
    """Whether turning edge a–b into c–d keeps the surface: the two pass within the tolerance and no face turns over."""
    x = _x(vertices, a, b, c) + _x(vertices, b, a, d)
    y = _y(vertices, a, b, c) + _y(vertices, b, a, d)
    z = _z(vertices, a, b, c) + _z(vertices, b, a, d)
    size = np.sqrt(x * x + y * y + z * z)
    off = max(_off(vertices, a, b, x, y, z), _off(vertices, a, c, x, y, z), _off(vertices, a, d, x, y, z))
    if size <= THIN_MM2 or off > tolerance * size:
        return False
    fx, fy, fz = _x(vertices, c, a, d), _y(vertices, c, a, d), _z(vertices, c, a, d)
    sx, sy, sz = _x(vertices, c, d, b), _y(vertices, c, d, b), _z(vertices, c, d, b)
    left, right = np.sqrt(fx * fx + fy * fy + fz * fz), np.sqrt(sx * sx + sy * sy + sz * sz)
    return (
        fx * x + fy * y + fz * z > 0.5 * left * size
        and sx * x + sy * y + sz * z > 0.5 * right * size
        and min(left, right) > THIN_MM2
    )


@loop
def turn_pass(
    vertices: FloatArray, faces: IntArray, stirred: NDArray[np.bool_], tolerance: float
) -> tuple[IntArray, NDArray[np.bool_], int]:
    """The faces after turning edges whose opposite angles sum to more than 180°, which vertices (n,) that stirred, how many turned.

    Only edges with a stirred vertex on the two faces beside them are looked at. Source: the edge test of Delaunay, in flat
    quadrangles only.
    """
    n, out, turned = vertices.shape[0], faces.copy(), 0
    start, held = faces_round(faces, n)
    room = 2 * _most_faces(start)
    last, high, count = np.full(n, -1, np.int32), np.empty(room, np.int32), np.empty(room, np.int32)
    two = np.empty((room, 2), np.int32)
    locked, near = np.zeros(n, np.bool_), _beside(faces, stirred)
    for a in range(n):
        if not near[a]:
            continue
        for e in range(_edges_up(faces, start, held, a, last, high, count, two)):
            if count[e] != 2:
                continue
            b, f, g = high[e], two[e, 0], two[e, 1]
            c = faces[f, 0] + faces[f, 1] + faces[f, 2] - a - b
            d = faces[g, 0] + faces[g, 1] + faces[g, 2] - a - b
            if not (stirred[a] or stirred[b] or stirred[c] or stirred[d]):
                continue
            if c == d or locked[a] or locked[b] or locked[c] or locked[d]:
                continue
            for k in range(3):
                if faces[f, k] == b and faces[f, (k + 1) % 3] == a:
                    c, d, f, g = d, c, g, f
                    break
            if not _opens_up(vertices, a, b, c, d) or not _flat(vertices, a, b, c, d, tolerance):
                continue
            if _joined(faces, start, held, c, d):
                continue
            out[f, 0], out[f, 1], out[f, 2] = c, a, d
            out[g, 0], out[g, 1], out[g, 2] = c, d, b
            locked[a] = locked[b] = locked[c] = locked[d] = True
            turned += 1
    return out, locked, turned
