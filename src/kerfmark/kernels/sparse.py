"""Blocks of 8 × 8 × 8 voxels read from a dense grid, their common surface, and the volume missing from them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["count_surface", "fill_faces", "fill_vertices", "read_blocks", "removed"]

_Floats = NDArray[np.float32]
_Ints = NDArray[np.int32]
EDGE, SIDE = 8, 9
LEAST = 1e-4


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True, inline="always")
def _slot(index: _Ints, x: int, y: int, z: int) -> int:
    """Where block (x, y, z) is held, −1 where it is not or lies outside."""
    if x >= index.shape[0] or y >= index.shape[1] or z >= index.shape[2]:
        return -1
    return index[x, y, z]


@njit(cache=True, nogil=True)
def _gather(values: _Floats, blocks: _Ints, index: _Ints, b: int, fallback: Any, room: _Floats) -> None:
    """A block and the first layer of the blocks after it, (9, 9, 9); `fallback` where one is not held."""
    for i in range(SIDE):
        for j in range(SIDE):
            for k in range(SIDE):
                if i < EDGE and j < EDGE and k < EDGE:
                    room[i, j, k] = values[b, i, j, k]
                    continue
                s = _slot(index, blocks[b, 0] + i // EDGE, blocks[b, 1] + j // EDGE, blocks[b, 2] + k // EDGE)
                room[i, j, k] = fallback if s < 0 else values[s, i % EDGE, j % EDGE, k % EDGE]


@njit(cache=True, nogil=True, inline="always")
def _inside(before: _Floats, cut: _Floats, i: int, j: int, k: int) -> bool:
    return before[i, j, k] < 0.0 and cut[i, j, k] > 0.0


@njit(cache=True, nogil=True, inline="always")
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


@njit(cache=True, nogil=True)
def count_surface(
    before: _Floats, cut: _Floats, blocks: _Ints, index: _Ints, band: float, table: NDArray[np.int8], first: int, end: int,
    vertices: _Ints, faces: _Ints, lines: NDArray[np.int16],
) -> None:  # fmt: skip
    """Count each block's vertices and faces; `lines` (n, 1536) numbers a block's vertices by voxel and axis, −1 where none.

    Material is where `before` < 0 and `cut` > 0, both (n, 8, 8, 8).
    """
    b_room, c_room = np.empty((SIDE, SIDE, SIDE), np.float32), np.empty((SIDE, SIDE, SIDE), np.float32)
    for b in range(first, end):
        _gather(before, blocks, index, b, np.float32(np.nan), b_room)
        _gather(cut, blocks, index, b, np.float32(band), c_room)
        found, triangles = 0, 0
        for i in range(EDGE):
            for j in range(EDGE):
                for k in range(EDGE):
                    at = 3 * ((i * EDGE + j) * EDGE + k)
                    here = _inside(b_room, c_room, i, j, k)
                    for axis in range(3):
                        lines[b, at + axis] = -1
                        x, y, z = i + (axis == 0), j + (axis == 1), k + (axis == 2)
                        if not np.isnan(b_room[x, y, z]) and here != _inside(b_room, c_room, x, y, z):
                            lines[b, at + axis] = found
                            found += 1
                    case = _case(b_room, c_room, i, j, k)
                    if case != 0 and case != 255:
                        n = 0
                        while n < 16 and table[case, n] >= 0:
                            n += 3
                        triangles += n // 3
        vertices[b], faces[b] = found, triangles


@njit(cache=True, nogil=True)
def fill_vertices(
    before: _Floats, cut: _Floats, time: _Floats, blocks: _Ints, index: _Ints, band: float, spacing: float,
    lines: NDArray[np.int16], starts: _Ints, first: int, end: int, points: NDArray[np.float64], when: _Floats,
) -> None:  # fmt: skip
    """Write each vertex where the first of the two surfaces crosses its edge, and the time of the cut there (NaN on `before`)."""
    b_room, c_room = np.empty((SIDE, SIDE, SIDE), np.float32), np.empty((SIDE, SIDE, SIDE), np.float32)
    t_room = np.empty((SIDE, SIDE, SIDE), np.float32)
    for b in range(first, end):
        if starts[b + 1] == starts[b]:
            continue
        _gather(before, blocks, index, b, np.float32(np.nan), b_room)
        _gather(cut, blocks, index, b, np.float32(band), c_room)
        _gather(time, blocks, index, b, np.float32(np.inf), t_room)
        for at in range(3 * EDGE * EDGE * EDGE):
            if lines[b, at] < 0:
                continue
            axis, k, j, i = at % 3, at // 3 % EDGE, at // (3 * EDGE) % EDGE, at // (3 * EDGE * EDGE)
            u, v, w = i + (axis == 0), j + (axis == 1), k + (axis == 2)
            out = not _inside(b_room, c_room, i, j, k)
            if out:
                i, j, k, u, v, w = u, v, w, i, j, k
            share, dated = 2.0, False
            if b_room[u, v, w] >= 0.0:
                share = b_room[i, j, k] / (b_room[i, j, k] - b_room[u, v, w])
            if c_room[u, v, w] <= 0.0:
                by_cut = c_room[i, j, k] / (c_room[i, j, k] - c_room[u, v, w])
                if by_cut < share:
                    share, dated = by_cut, True
            share = min(max(share, LEAST), 1.0 - LEAST)
            n = starts[b] + lines[b, at]
            points[n, 0] = spacing * (EDGE * blocks[b, 0] + i + share * (u - i))
            points[n, 1] = spacing * (EDGE * blocks[b, 1] + j + share * (v - j))
            points[n, 2] = spacing * (EDGE * blocks[b, 2] + k + share * (w - k))
            when[n] = t_room[i, j, k] if dated else np.nan


@njit(cache=True, nogil=True)
def fill_faces(
    before: _Floats, cut: _Floats, blocks: _Ints, index: _Ints, band: float, table: NDArray[np.int8],
    lines: NDArray[np.int16], starts: _Ints, face_starts: _Ints, first: int, end: int, faces: _Ints,
) -> None:  # fmt: skip
    """Write each block's faces."""
    b_room, c_room = np.empty((SIDE, SIDE, SIDE), np.float32), np.empty((SIDE, SIDE, SIDE), np.float32)
    for b in range(first, end):
        if face_starts[b + 1] == face_starts[b]:
            continue
        _gather(before, blocks, index, b, np.float32(np.nan), b_room)
        _gather(cut, blocks, index, b, np.float32(band), c_room)
        at = face_starts[b]
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
                        faces[at + n // 3, n % 3] = starts[s] + lines[s, line]
                        n += 1
                    at += n // 3


@njit(cache=True, nogil=True)
def removed(
    distance: _Floats, time: _Floats, before: _Floats, layers: _Floats, spacing: float, bin_s: float,
    by_time: NDArray[np.float64], ends: NDArray[np.float64],
) -> None:  # fmt: skip
    """Add what is missing of some blocks to `by_time` (layers + 1, bins), and widen the first and last times `ends`.

    A voxel's share inside a surface is clip(1/2 − distance / spacing, 0, 1). `layers` (l, n, 8, 8, 8): the later wins.
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
                    gone = min(max(0.5 - s * scale, 0.0), 1.0) - min(max(0.5 - left * scale, 0.0), 1.0)
                    if gone <= 0.0:
                        continue
                    rest = 1.0
                    for n in range(count - 1, -1, -1):
                        within = min(max(0.5 - layers[n, b, i, j, k] * scale, 0.0), 1.0)
                        shares[n] = rest * within
                        rest -= shares[n]
                    shares[count] = rest
                    slot = min(int(t / bin_s), by_time.shape[1] - 1)
                    for n in range(count + 1):
                        by_time[n, slot] += shares[n] * gone * cube
                        if shares[n] > 0.5:
                            ends[n, 0] = min(ends[n, 0], t)
                            ends[n, 1] = max(ends[n, 1], t)
