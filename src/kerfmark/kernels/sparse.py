"""Blocks of 8 × 8 × 8 voxels read from a dense grid, their common surface, and the volume missing from them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop

__all__ = [
    "count_surface",
    "crossed",
    "fill_faces",
    "fill_vertices",
    "read_blocks",
    "removed",
    "shank_depths",
    "sides",
]

_Floats = NDArray[np.float32]
_Ints = NDArray[np.int32]
EDGE, SIDE = 8, 9
LEAST = 1e-4


@loop
def read_blocks(
    out: _Floats, blocks: _Ints, spacing: float, values: _Floats, shift: NDArray[np.float64], step: float
) -> None:
    """Trilinear values of a dense grid at the voxels of blocks (n, 3), into `out` (n, e, e, e).

    `shift` is the blocks' origin less the grid's, `step` the grid's spacing. Beyond the grid its nearest value and the way
    there are added up, so that a distance goes on growing.
    """
    nx, ny, nz = values.shape
    edge = out.shape[1]
    for b in range(blocks.shape[0]):
        for i in range(edge):
            px = (spacing * (blocks[b, 0] * edge + i) + shift[0]) / step
            x = min(max(px, 0.0), nx - 1.0)
            u = min(int(x), nx - 2)
            fx = x - u
            for j in range(edge):
                py = (spacing * (blocks[b, 1] * edge + j) + shift[1]) / step
                y = min(max(py, 0.0), ny - 1.0)
                v = min(int(y), ny - 2)
                fy = y - v
                for k in range(edge):
                    pz = (spacing * (blocks[b, 2] * edge + k) + shift[2]) / step
                    z = min(max(pz, 0.0), nz - 1.0)
                    w = min(int(z), nz - 2)
                    fz = z - w
                    a = values[u, v, w] * (1 - fz) + values[u, v, w + 1] * fz
                    c = values[u, v + 1, w] * (1 - fz) + values[u, v + 1, w + 1] * fz
                    d = values[u + 1, v, w] * (1 - fz) + values[u + 1, v, w + 1] * fz
                    e = values[u + 1, v + 1, w] * (1 - fz) + values[u + 1, v + 1, w + 1] * fz
                    away = (px - x) * (px - x) + (py - y) * (py - y) + (pz - z) * (pz - z)
                    beyond = step * np.sqrt(away) if away > 0.0 else 0.0
                    out[b, i, j, k] = (a * (1 - fy) + c * fy) * (1 - fx) + (d * (1 - fy) + e * fy) * fx + beyond


@loop(inline="always")
def _slot(index: _Ints, x: int, y: int, z: int) -> int:
    """Where block (x, y, z) is held, −1 where it is not or lies outside."""
    if x >= index.shape[0] or y >= index.shape[1] or z >= index.shape[2]:
        return -1
    return index[x, y, z]


@loop
def _gather(
    values: _Floats, slots: _Ints, blocks: _Ints, index: _Ints, b: int, fallback: Any, missing: Any, room: _Floats
) -> None:  # fmt: skip
    """A block and the first layer of the blocks after it, (9, 9, 9).

    Block n's values are `values[slots[n]]`, all `fallback` where that is −1; `missing` where a block is not listed.
    """
    for part in range(8):
        x, y, z = part >> 2 & 1, part >> 1 & 1, part & 1
        s = _slot(index, blocks[b, 0] + x, blocks[b, 1] + y, blocks[b, 2] + z)
        at = -1 if s < 0 else slots[s]
        plain = missing if s < 0 else fallback
        for i in range(EDGE if x == 0 else 1):
            for j in range(EDGE if y == 0 else 1):
                for k in range(EDGE if z == 0 else 1):
                    room[EDGE * x + i, EDGE * y + j, EDGE * z + k] = plain if at < 0 else values[at, i, j, k]


@loop(inline="always")
def _inside(before: _Floats, cut: _Floats, i: int, j: int, k: int) -> bool:
    return before[i, j, k] < 0.0 and cut[i, j, k] > 0.0


@loop
def sides(before: _Floats, cut: _Floats, slots: _Ints, first: int, end: int, out: NDArray[np.int8]) -> None:
    """1 where a whole block lies inside the material, 0 where it lies outside, 2 where it is mixed."""
    for b in range(first, end):
        inside = 0
        for i in range(EDGE):
            for j in range(EDGE):
                for k in range(EDGE):
                    inside += before[b, i, j, k] < 0.0 and (slots[b] < 0 or cut[slots[b], i, j, k] > 0.0)
        out[b] = 0 if inside == 0 else (1 if inside == EDGE * EDGE * EDGE else 2)


@loop
def crossed(blocks: _Ints, index: _Ints, side: NDArray[np.int8], out: NDArray[np.bool_]) -> None:
    """Which blocks the surface may cross, their last layer of cells included."""
    for b in range(blocks.shape[0]):
        for part in range(8):
            s = _slot(index, blocks[b, 0] + (part >> 2), blocks[b, 1] + (part >> 1 & 1), blocks[b, 2] + (part & 1))
            if s >= 0 and (side[s] == 2 or side[s] != side[b]):
                out[b] = True


@loop(inline="always")
def _case(before: _Floats, cut: _Floats, i: int, j: int, k: int) -> int:
    """Which of a cell's corners lie inside; 0 where one of them is not known (no surface passes there)."""
    case = 0
    for c in range(8):
        x, y, z = i + (c & 1), j + (c >> 1 & 1), k + (c >> 2 & 1)
        if np.isnan(before[x, y, z]):
            return 0
        if _inside(before, cut, x, y, z):
            case |= 1 << c
    return case


@loop
def count_surface(
    before: _Floats, cut: _Floats, own: _Ints, slots: _Ints, blocks: _Ints, index: _Ints, band: float, table: NDArray[np.int8],
    chosen: _Ints, first: int, end: int, vertices: _Ints, faces: _Ints, lines: NDArray[np.int16],
) -> None:  # fmt: skip
    """Count the vertices and faces of the blocks `chosen[first:end]`.

    `lines` (chosen, 1536) numbers a block's vertices by voxel and axis, −1 where none. Material is where `before` < 0 and
    `cut` > 0; block n's are `before[own[n]]` and `cut[slots[n]]`, the band where that is −1.
    """
    nan, wide = np.float32(np.nan), np.float32(band)
    b_room, c_room = np.empty((SIDE, SIDE, SIDE), np.float32), np.empty((SIDE, SIDE, SIDE), np.float32)
    for n in range(first, end):
        _gather(before, own, blocks, index, chosen[n], nan, nan, b_room)
        _gather(cut, slots, blocks, index, chosen[n], wide, wide, c_room)
        found, triangles = 0, 0
        for i in range(EDGE):
            for j in range(EDGE):
                for k in range(EDGE):
                    at = 3 * ((i * EDGE + j) * EDGE + k)
                    here = _inside(b_room, c_room, i, j, k)
                    for axis in range(3):
                        lines[n, at + axis] = -1
                        x, y, z = i + (axis == 0), j + (axis == 1), k + (axis == 2)
                        if not np.isnan(b_room[x, y, z]) and here != _inside(b_room, c_room, x, y, z):
                            lines[n, at + axis] = found
                            found += 1
                    case = _case(b_room, c_room, i, j, k)
                    if case != 0 and case != 255:
                        m = 0
                        while m < 16 and table[case, m] >= 0:
                            m += 3
                        triangles += m // 3
        vertices[n], faces[n] = found, triangles


@loop
def fill_vertices(
    before: _Floats, cut: _Floats, time: _Floats, own: _Ints, slots: _Ints, blocks: _Ints, index: _Ints, band: float,
    spacing: float, lines: NDArray[np.int16], starts: _Ints, chosen: _Ints, first: int, end: int,
    points: NDArray[np.float64], when: _Floats,
) -> None:  # fmt: skip
    """Write each vertex where the first of the two surfaces crosses its edge, and the time of the cut there (NaN on `before`)."""
    nan, wide, never = np.float32(np.nan), np.float32(band), np.float32(np.inf)
    b_room, c_room = np.empty((SIDE, SIDE, SIDE), np.float32), np.empty((SIDE, SIDE, SIDE), np.float32)
    t_room = np.empty((SIDE, SIDE, SIDE), np.float32)
    for m in range(first, end):
        if starts[m + 1] == starts[m]:
            continue
        b = chosen[m]
        _gather(before, own, blocks, index, b, nan, nan, b_room)
        _gather(cut, slots, blocks, index, b, wide, wide, c_room)
        _gather(time, slots, blocks, index, b, never, never, t_room)
        for at in range(3 * EDGE * EDGE * EDGE):
            if lines[m, at] < 0:
                continue
            axis, k, j, i = at % 3, at // 3 % EDGE, at // (3 * EDGE) % EDGE, at // (3 * EDGE * EDGE)
            u, v, w = i + (axis == 0), j + (axis == 1), k + (axis == 2)
            if not _inside(b_room, c_room, i, j, k):
                i, j, k, u, v, w = u, v, w, i, j, k
            share, dated = 2.0, False
            if b_room[u, v, w] >= 0.0:
                share = b_room[i, j, k] / (b_room[i, j, k] - b_room[u, v, w])
            if c_room[u, v, w] <= 0.0:
                by_cut = c_room[i, j, k] / (c_room[i, j, k] - c_room[u, v, w])
                if by_cut < share:
                    share, dated = by_cut, True
            share = min(max(share, LEAST), 1.0 - LEAST)
            n = starts[m] + lines[m, at]
            points[n, 0] = spacing * (EDGE * blocks[b, 0] + i + share * (u - i))
            points[n, 1] = spacing * (EDGE * blocks[b, 1] + j + share * (v - j))
            points[n, 2] = spacing * (EDGE * blocks[b, 2] + k + share * (w - k))
            when[n] = t_room[i, j, k] if dated else np.nan


@loop
def fill_faces(
    before: _Floats, cut: _Floats, own: _Ints, slots: _Ints, blocks: _Ints, index: _Ints, band: float,
    table: NDArray[np.int8], lines: NDArray[np.int16], line_of: _Ints, starts: _Ints, face_starts: _Ints, chosen: _Ints,
    first: int, end: int, faces: _Ints,
) -> None:  # fmt: skip
    """Write the faces of the blocks `chosen[first:end]`; `line_of` says which of `lines` a block has."""
    nan, wide = np.float32(np.nan), np.float32(band)
    b_room, c_room = np.empty((SIDE, SIDE, SIDE), np.float32), np.empty((SIDE, SIDE, SIDE), np.float32)
    for m in range(first, end):
        if face_starts[m + 1] == face_starts[m]:
            continue
        b = chosen[m]
        _gather(before, own, blocks, index, b, nan, nan, b_room)
        _gather(cut, slots, blocks, index, b, wide, wide, c_room)
        at = face_starts[m]
        for i in range(EDGE):
            for j in range(EDGE):
                for k in range(EDGE):
                    case = _case(b_room, c_room, i, j, k)
                    if case == 0 or case == 255:
                        continue
                    n = 0
                    while n < 16 and table[case, n] >= 0:
                        edge = table[case, n]
                        c, axis = edge // 3, edge % 3
                        x, y, z = i + (c & 1), j + (c >> 1 & 1), k + (c >> 2 & 1)
                        s = b
                        if x == EDGE or y == EDGE or z == EDGE:
                            s = _slot(
                                index, blocks[b, 0] + x // EDGE, blocks[b, 1] + y // EDGE, blocks[b, 2] + z // EDGE
                            )
                        line = 3 * (((x % EDGE) * EDGE + y % EDGE) * EDGE + z % EDGE) + axis
                        faces[at + n // 3, n % 3] = starts[line_of[s]] + lines[line_of[s], line]
                        n += 1
                    at += n // 3


@loop
def removed(
    distance: _Floats, time: _Floats, before: _Floats, layers: _Floats, spacing: float, bin_s: float,
    by_time: NDArray[np.float64], ends: NDArray[np.float64],
) -> None:  # fmt: skip
    """Add what is missing of some blocks to `by_time` (layers + 1, bins), and widen the first and last times `ends`.

    A voxel's share inside a surface is clip(1/2 − distance / spacing, 0, 1); a layer's is of what the subject has there, and
    layers that meet in a voxel fill it.
    `layers` (l, n, 8, 8, 8): the later wins.
    """
    count = layers.shape[0]
    shares = np.empty(count + 1)
    scale, cube = 1.0 / spacing, spacing**3
    for b in range(distance.shape[0]):
        for i in range(EDGE):
            for j in range(EDGE):
                for k in range(EDGE):
                    t = time[b, i, j, k]
                    s = before[b, i, j, k]
                    if not t < np.inf or s * scale >= 0.5:
                        continue
                    left = max(s, -distance[b, i, j, k])
                    whole = min(max(0.5 - s * scale, 0.0), 1.0)
                    gone = whole - min(max(0.5 - left * scale, 0.0), 1.0)
                    if gone <= 0.0:
                        continue
                    rest = 1.0
                    for n in range(count - 1, -1, -1):
                        within = min(max(0.5 - layers[n, b, i, j, k] * scale, 0.0) / whole, 1.0)
                        shares[n] = min(within, rest)
                        rest -= shares[n]
                    shares[count] = rest
                    slot = min(int(t / bin_s), by_time.shape[1] - 1)
                    for n in range(count + 1):
                        by_time[n, slot] += shares[n] * gone * cube
                        if shares[n] > 0.5:
                            ends[n, 0] = min(ends[n, 0], t)
                            ends[n, 1] = max(ends[n, 1], t)


@loop
def shank_depths(
    poses: _Floats, shape: NDArray[np.float64], values: _Floats, shift: NDArray[np.float64], step: float, distance: _Floats,
    time: _Floats, index: _Ints, spacing: float, depths: NDArray[np.float64], points: NDArray[np.float64],
) -> None:  # fmt: skip
    """How deep, at each pose, a shank stands in material that is there at the time, and where; 0 where it does not.

    `poses` (7, n) as in `kernels.sweep`; `shape` (m, 2) are heights along the axis and radii of the rings looked at, 12 points
    each. `values` is the subject's grid, `shift` the field's origin less that grid's, `step` its spacing. Material that the
    field has cut is there until its time.
    """
    nx, ny, nz = values.shape
    cosines, sines = np.cos(np.arange(12) * np.pi / 6), np.sin(np.arange(12) * np.pi / 6)
    for p in range(poses.shape[1]):
        ax, ay, az = poses[3, p], poses[4, p], poses[5, p]
        if abs(ax) < 0.9:
            length = np.sqrt(ay * ay + az * az)
            ux, uy, uz = 0.0, az / length, -ay / length
        else:
            length = np.sqrt(ax * ax + az * az)
            ux, uy, uz = -az / length, 0.0, ax / length
        vx, vy, vz = ay * uz - az * uy, az * ux - ax * uz, ax * uy - ay * ux
        for ring in range(shape.shape[0]):
            height, radius = shape[ring, 0], shape[ring, 1]
            cx, cy, cz = poses[0, p] + height * ax, poses[1, p] + height * ay, poses[2, p] + height * az
            i, j, k = (cx + shift[0]) / step, (cy + shift[1]) / step, (cz + shift[2]) / step
            room = radius / step
            if not (-room <= i < nx + room and -room <= j < ny + room and -room <= k < nz + room):
                continue
            known = 0 <= i < nx - 0.5 and 0 <= j < ny - 0.5 and 0 <= k < nz - 0.5
            if known and values[int(i + 0.5), int(j + 0.5), int(k + 0.5)] > radius + step:
                continue
            for turn in range(12):
                c, s = radius * cosines[turn], radius * sines[turn]
                x, y, z = cx + c * ux + s * vx, cy + c * uy + s * vy, cz + c * uz + s * vz
                i, j, k = (x + shift[0]) / step, (y + shift[1]) / step, (z + shift[2]) / step
                if not (0 <= i < nx - 0.5 and 0 <= j < ny - 0.5 and 0 <= k < nz - 0.5):
                    continue
                depth = -values[int(i + 0.5), int(j + 0.5), int(k + 0.5)]
                if depth <= spacing + depths[p]:
                    continue
                u, v, w = int(x / spacing + 0.5), int(y / spacing + 0.5), int(z / spacing + 0.5)
                b = _slot(index, u // EDGE, v // EDGE, w // EDGE) if x >= 0 and y >= 0 and z >= 0 else -1
                if b >= 0:
                    d, t = distance[b, u % EDGE, v % EDGE, w % EDGE], time[b, u % EDGE, v % EDGE, w % EDGE]
                    if d <= 0.0 and t <= poses[6, p]:
                        continue
                depths[p] = depth
                points[p, 0], points[p, 1], points[p, 2] = x, y, z
