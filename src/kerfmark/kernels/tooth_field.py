"""The outer surface of a tooth as a field, and surfaces out of fields: loops over plain arrays.

A tooth is handed over as maps on even grids, each read with Catmull-Rom cubics: its sections along z (centre, half
widths, shear), its outline radius over (z, angle) in units of those half widths, its occlusal height over (x, y), and one
table along z for each root. Everything is in one frame, in one unit of length.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from kerfmark.kernels.compiled import loop

__all__ = ["field_at", "nets_faces", "nets_vertices", "settle_signs"]

Array = Any

SHOULDER, FLOOR, FLOOR_ROUNDING, ROOT_ROUNDING, APEX_ROUNDING, ARCH = 0, 1, 2, 3, 4, 5
CENTRE_X, CENTRE_Y, HALF_X, HALF_Y, SHEAR = 0, 1, 2, 3, 4
FORK_REACH = 1.0
FAR = 1.5  # half widths beyond which a taper no longer counts: the first-order distance would collapse far out
ROOT_WAIST, ROOT_COS, ROOT_SIN, ROOT_TOP, ROOT_APEX = 4, 5, 6, 7, 8


@loop(inline="always")
def _smooth_max(a: float, b: float, k: float) -> float:
    overlap = k - abs(a - b)
    return max(a, b) + (overlap * overlap / (4.0 * k) if overlap > 0.0 else 0.0)


@loop(inline="always")
def _cell(position: float, count: int) -> tuple[int, float]:
    """Cell and fraction within it, clamped so that one neighbour on either side exists."""
    bounded = min(max(position, 1.0), count - 2.001)
    cell = int(bounded)
    return cell, bounded - cell


@loop(inline="always")
def _weights(t: float) -> tuple[float, float, float, float]:
    t2 = t * t
    t3 = t2 * t
    return (
        0.5 * (-t3 + 2.0 * t2 - t),
        0.5 * (3.0 * t3 - 5.0 * t2 + 2.0),
        0.5 * (-3.0 * t3 + 4.0 * t2 + t),
        0.5 * (t3 - t2),
    )


@loop(inline="always")
def _slopes(t: float) -> tuple[float, float, float, float]:
    t2 = t * t
    return (
        0.5 * (-3.0 * t2 + 4.0 * t - 1.0),
        0.5 * (9.0 * t2 - 10.0 * t),
        0.5 * (-9.0 * t2 + 8.0 * t + 1.0),
        0.5 * (3.0 * t2 - 2.0 * t),
    )


@loop
def _surface_map(values: Array, i: int, s: float, j: int, t: float, wrap: bool) -> tuple[float, float, float]:
    """Value and both slopes (per cell) of a map at cell (i + s, j + t); the second axis may wrap round."""
    wi, di, wj, dj = _weights(s), _slopes(s), _weights(t), _slopes(t)
    count = values.shape[1]
    value = along_i = along_j = 0.0
    for b in range(4):
        column = j - 1 + b
        if wrap:
            column %= count
        v0, v1, v2, v3 = values[i - 1, column], values[i, column], values[i + 1, column], values[i + 2, column]
        line = wi[0] * v0 + wi[1] * v1 + wi[2] * v2 + wi[3] * v3
        value += wj[b] * line
        along_j += dj[b] * line
        along_i += wj[b] * (di[0] * v0 + di[1] * v1 + di[2] * v2 + di[3] * v3)
    return value, along_i, along_j


@loop(inline="always")
def _along(table: Array, column: int, i: int, w: tuple[float, float, float, float]) -> float:
    return (
        w[0] * table[i - 1, column]
        + w[1] * table[i, column]
        + w[2] * table[i + 1, column]
        + w[3] * table[i + 2, column]
    )


@loop
def _body(x: float, y: float, i: int, s: float, dz: float, sections: Array, radius: Array) -> float:
    """Distance from the lofted body, to first order: the level function over the length of its gradient."""
    w, d = _weights(s), _slopes(s)
    half_x, half_y, shear = (
        _along(sections, HALF_X, i, w),
        _along(sections, HALF_Y, i, w),
        _along(sections, SHEAR, i, w),
    )
    dx = x - _along(sections, CENTRE_X, i, w)
    u = dx / half_x
    v = (y - _along(sections, CENTRE_Y, i, w) - shear * dx) / half_y
    rho = max(np.sqrt(u * u + v * v), 1e-9)
    turns = radius.shape[1] / (2.0 * np.pi)
    position = (np.arctan2(u, v) % (2.0 * np.pi)) * turns
    j = int(position)
    r, r_z, r_angle = _surface_map(radius, i, s, j, position - j, True)
    turn_arm = r_angle * turns / max(rho, 0.5) ** 2
    g_u, g_v = u / rho - turn_arm * v, v / rho + turn_arm * u
    x_z, y_z = _along(sections, CENTRE_X, i, d), _along(sections, CENTRE_Y, i, d)
    near = min(1.0, FAR / rho)
    u_z = -(x_z + near * u * _along(sections, HALF_X, i, d)) / half_x
    v_z = (
        -(y_z - shear * x_z + near * (_along(sections, SHEAR, i, d) * dx + v * _along(sections, HALF_Y, i, d))) / half_y
    )
    g_x, g_y, g_z = g_u / half_x - g_v * shear / half_y, g_v / half_y, (g_u * u_z + g_v * v_z - r_z) / dz
    return (rho - r) / np.sqrt(g_x * g_x + g_y * g_y + g_z * g_z + 1e-9)


@loop
def _table_top(x: float, y: float, z: float, grid: Array, heights: Array) -> float:
    """Distance above the occlusal height map, to first order; `grid` is its origin x, origin y, step."""
    i, s = _cell((x - grid[0]) / grid[2], heights.shape[0])
    j, t = _cell((y - grid[1]) / grid[2], heights.shape[1])
    height, along_x, along_y = _surface_map(heights, i, s, j, t, False)
    return (z - height) / np.sqrt(1.0 + (along_x * along_x + along_y * along_y) / (grid[2] * grid[2]))


@loop
def _root(
    x: float, y: float, z: float, i: int, s: float, dz: float, root: Array, rounding: float
) -> tuple[float, float]:
    """Distance from one root, to first order, and how far out the point lies in units of the root's half widths."""
    w, d = _weights(s), _slopes(s)
    cos, sin = root[0, ROOT_COS], root[0, ROOT_SIN]
    dx, dy = x - _along(root, CENTRE_X, i, w), y - _along(root, CENTRE_Y, i, w)
    half_x, half_y = _along(root, HALF_X, i, w), _along(root, HALF_Y, i, w)
    u, v = (dx * cos + dy * sin) / half_x, (dy * cos - dx * sin) / half_y
    rho = max(np.sqrt(u * u + v * v), 1e-9)
    across = u * u / (rho * rho)
    level = rho - 1.0 + _along(root, ROOT_WAIST, i, w) * across * across * across
    x_z, y_z = _along(root, CENTRE_X, i, d), _along(root, CENTRE_Y, i, d)
    near = min(1.0, FAR / rho)
    u_z = -((x_z * cos + y_z * sin) + near * u * _along(root, HALF_X, i, d)) / half_x
    v_z = -((y_z * cos - x_z * sin) + near * v * _along(root, HALF_Y, i, d)) / half_y
    g_u, g_v, g_z = u / (rho * half_x), v / (rho * half_y), (u * u_z + v * v_z) / (rho * dz)
    tube = level / np.sqrt(g_u * g_u + g_v * g_v + g_z * g_z + 1e-9)
    return _smooth_max(_smooth_max(tube, root[0, ROOT_APEX] - z, rounding), z - root[0, ROOT_TOP], 0.8), rho


@loop
def _with_roots(
    x: float, y: float, z: float, i: int, s: float, dz: float, body: float, roots: Array, shape: Array
) -> float:
    """The body closed below by the furcation's arch, which runs down along each root, and joined to the roots."""
    nearest, joined = 10.0, 10.0
    for k in range(roots.shape[0]):
        tube, rho = _root(x, y, z, i, s, dz, roots[k], shape[APEX_ROUNDING])
        nearest = -_smooth_max(-nearest, -rho, 0.4)
        joined = -_smooth_max(-joined, -tube, shape[ROOT_ROUNDING])
    arch = shape[ARCH] * min(max(1.6 - nearest, -0.5), 1.6)
    body = _smooth_max(body, (shape[FLOOR] - arch - z) / 1.6, shape[FLOOR_ROUNDING])
    return -_smooth_max(-body, -joined, shape[ROOT_ROUNDING])


@loop
def field_at(
    points: Array,
    x_sign: float,
    shift: Array,
    z_grid: Array,
    sections: Array,
    radius: Array,
    occlusal_grid: Array,
    heights: Array,
    roots: Array,
    shape: Array,
    out: Array,
) -> None:
    """Signed distance to first order of each point from the tooth, negative inside, written into `out`.

    `z_grid` is origin and step of every table along z; `roots` (k, nz, 9) may be empty; `shape` holds, in order, the
    rounding between walls and table, the level at which the body ends, the rounding there, between body and roots, and at apices.
    """
    for p in range(points.shape[0]):
        x, y, z = x_sign * points[p, 0] + shift[0], points[p, 1] + shift[1], points[p, 2] + shift[2]
        i, s = _cell((z - z_grid[0]) / z_grid[1], sections.shape[0])
        f = _body(x, y, i, s, z_grid[1], sections, radius)
        f = _smooth_max(f, _table_top(x, y, z, occlusal_grid, heights), shape[SHOULDER])
        if roots.shape[0] == 0:
            f = _smooth_max(f, shape[FLOOR] - z, shape[APEX_ROUNDING])
        elif z < FORK_REACH:
            f = _with_roots(x, y, z, i, s, z_grid[1], f, roots, shape)
        out[p] = f


@loop
def settle_signs(values: Array, tangled: Array) -> int:
    """Turn the least outside corner of each tangled cell inside until no cell is tangled; returns how many were turned.

    `tangled` (256,) says of each pattern of inside corners (bit 1 along x, 2 along y, 4 along z) whether one sheet cannot
    pass through it. Nets over such cells meet along an edge or at a point.
    """
    nx, ny, nz = values.shape
    turned, before = 0, -1
    while turned != before:
        before = turned
        for i in range(nx - 1):
            for j in range(ny - 1):
                for k in range(nz - 1):
                    pattern, least, at = 0, np.inf, 0
                    for c in range(8):
                        value = values[i + (c & 1), j + (c >> 1 & 1), k + (c >> 2)]
                        if value < 0.0:
                            pattern |= 1 << c
                        elif value < least:
                            least, at = value, c
                    if tangled[pattern]:
                        values[i + (at & 1), j + (at >> 1 & 1), k + (at >> 2)] = -1e-6
                        turned += 1
    return turned


@loop
def nets_vertices(values: Array, index: Array) -> tuple[Array, Array]:
    """One vertex in each cell whose corners differ in sign: the mean of its edges' crossings, in cells, and the gradient.

    `index` (of the shape of `values`) receives the vertex number of each such cell, −1 elsewhere.
    """
    nx, ny, nz = values.shape
    count = 0
    for i in range(nx - 1):
        for j in range(ny - 1):
            for k in range(nz - 1):
                inside = 0
                for c in range(8):
                    inside += values[i + (c & 1), j + (c >> 1 & 1), k + (c >> 2)] < 0.0
                index[i, j, k] = count if 0 < inside < 8 else -1
                count += 0 < inside < 8
    vertices, gradients = np.empty((count, 3)), np.empty((count, 3))
    for i in range(nx - 1):
        for j in range(ny - 1):
            for k in range(nz - 1):
                if index[i, j, k] >= 0:
                    _place(values, i, j, k, vertices[index[i, j, k]], gradients[index[i, j, k]])
    return vertices, gradients


@loop
def _place(values: Array, i: int, j: int, k: int, vertex: Array, gradient: Array) -> None:
    vertex[:] = 0.0
    gradient[:] = 0.0
    crossings = 0
    for a in range(8):
        at = (a & 1, a >> 1 & 1, a >> 2)
        value = values[i + at[0], j + at[1], k + at[2]]
        for axis in range(3):
            gradient[axis] += value * (0.25 if at[axis] else -0.25)
            if at[axis] == 0:
                b = a | (1 << axis)
                other = values[i + (b & 1), j + (b >> 1 & 1), k + (b >> 2)]
                if (value < 0.0) != (other < 0.0):
                    for m in range(3):
                        vertex[m] += at[m]
                    vertex[axis] += value / (value - other)
                    crossings += 1
    for m in range(3):
        vertex[m] /= crossings
    vertex[0] += i
    vertex[1] += j
    vertex[2] += k


@loop
def nets_faces(values: Array, index: Array) -> Array:
    """Two triangles around each grid edge whose ends differ in sign, counter-clockwise seen from outside."""
    nx, ny, nz = values.shape
    vertices = 0  # the largest index is the last one given
    for i in range(nx):
        for j in range(ny):
            for k in range(nz):
                vertices = max(vertices, index[i, j, k] + 1)
    faces = np.empty((6 * vertices + 6, 3), np.int32)
    n = 0
    for i in range(1, nx - 1):
        for j in range(1, ny - 1):
            for k in range(1, nz - 1):
                here = values[i, j, k] < 0.0
                for axis in range(3):
                    b, c = (axis + 1) % 3, (axis + 2) % 3
                    there = values[i + (axis == 0), j + (axis == 1), k + (axis == 2)] < 0.0
                    if here == there:
                        continue
                    p = index[i - (b == 0) - (c == 0), j - (b == 1) - (c == 1), k - (b == 2) - (c == 2)]
                    q = index[i - (c == 0), j - (c == 1), k - (c == 2)]
                    r = index[i, j, k]
                    t = index[i - (b == 0), j - (b == 1), k - (b == 2)]
                    if here:
                        faces[n, 0], faces[n, 1], faces[n, 2] = p, q, r
                        faces[n + 1, 0], faces[n + 1, 1], faces[n + 1, 2] = p, r, t
                    else:
                        faces[n, 0], faces[n, 1], faces[n, 2] = p, r, q
                        faces[n + 1, 0], faces[n + 1, 1], faces[n + 1, 2] = p, t, r
                    n += 2
    return faces[:n]
