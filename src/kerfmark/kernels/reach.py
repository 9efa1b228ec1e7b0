"""Where a rotating tool can stand, and what it takes away there, on a lattice of points."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop

__all__ = ["BEFORE_TIP_MM", "take_away"]

BEFORE_TIP_MM = 1.0
"""Where a depth table begins, ahead of the tip."""

NDF32 = NDArray[np.float32]
NDF64 = NDArray[np.float64]
NDI32 = NDArray[np.int32]


@loop
def _read(field: NDF32, cell: float, x: float, y: float, z: float, far: float) -> float:
    """Trilinear value at (x, y, z) mm from the field's first voxel, `far` outside."""
    x, y, z = x / cell, y / cell, z / cell
    i, j, k = int(np.floor(x)), int(np.floor(y)), int(np.floor(z))
    if i < 0 or j < 0 or k < 0 or i + 1 >= field.shape[0] or j + 1 >= field.shape[1] or k + 1 >= field.shape[2]:
        return far
    u, v, w = x - i, y - j, z - k
    near = (field[i, j, k] * (1 - u) + field[i + 1, j, k] * u) * (1 - v)
    near += (field[i, j + 1, k] * (1 - u) + field[i + 1, j + 1, k] * u) * v
    high = (field[i, j, k + 1] * (1 - u) + field[i + 1, j, k + 1] * u) * (1 - v)
    high += (field[i, j + 1, k + 1] * (1 - u) + field[i + 1, j + 1, k + 1] * u) * v
    return near * (1 - w) + high * w


@loop
def _closest_probe(
    field: NDF32, cell: float, x: float, y: float, z: float, probes: NDF64, far: float
) -> tuple[float, int]:
    """Least distance between the tool, its tip at (x, y, z), and the obstacle, and which probe has it."""
    least, which = far, -1
    for n in range(probes.shape[0]):
        value = _read(field, cell, x + probes[n, 0], y + probes[n, 1], z + probes[n, 2], far) - probes[n, 3]
        if value < least:
            least, which = value, n
    return least, which


@loop
def _stand(
    field: NDF32, cell: float, start: NDF64, probes: NDF64, far: float, allowance: float, most: float, shift: NDF64
) -> bool:
    """Whether a tip at `start` finds room within `most` mm of there; `shift` (3,) mm is the way to it.

    Each try moves the tip off the place it hits by as much as it is too close, along the field's slope.
    """
    shift[:] = 0.0
    half = 0.5 * cell
    for _ in range(6):
        x, y, z = start[0] + shift[0], start[1] + shift[1], start[2] + shift[2]
        room, n = _closest_probe(field, cell, x, y, z, probes, far)
        room += allowance
        if room >= -0.002:
            return True
        if room < -most:
            return False
        x, y, z = x + probes[n, 0], y + probes[n, 1], z + probes[n, 2]
        gx = _read(field, cell, x + half, y, z, far) - _read(field, cell, x - half, y, z, far)
        gy = _read(field, cell, x, y + half, z, far) - _read(field, cell, x, y - half, z, far)
        gz = _read(field, cell, x, y, z + half, far) - _read(field, cell, x, y, z - half, far)
        length = np.sqrt(gx * gx + gy * gy + gz * gz)
        if length < 1e-9:
            return False
        shift[0] -= room * gx / length
        shift[1] -= room * gy / length
        shift[2] -= room * gz / length
        if shift[0] ** 2 + shift[1] ** 2 + shift[2] ** 2 > most * most:
            return False
    return False


@loop
def _depth(table: NDF64, mesh: float, axis: NDF64, x: float, y: float, z: float) -> float:
    """How deep a point (mm from the tip) lies in the head, bilinear in `table`; far below 0 beyond it."""
    along = x * axis[0] + y * axis[1] + z * axis[2]
    radius = np.sqrt(max(0.0, x * x + y * y + z * z - along * along))
    u, v = (along + BEFORE_TIP_MM) / mesh, radius / mesh
    i, j = int(np.floor(u)), int(np.floor(v))
    if i < 0 or i + 1 >= table.shape[0] or j + 1 >= table.shape[1]:
        return -1e9
    u, v = u - i, v - j
    near = table[i, j] * (1 - u) + table[i + 1, j] * u
    return near * (1 - v) + (table[i, j + 1] * (1 - u) + table[i + 1, j + 1] * u) * v


@loop
def take_away(
    best: NDF64,
    places: NDI32,
    beside: NDF64,
    field: NDF32,
    cell: float,
    standing: NDF32,
    probes: NDF64,
    offsets: NDI32,
    depths: NDF64,
    table: NDF64,
    mesh: float,
    axis: NDF64,
    far: float,
    allowance: float,
    step: float,
    enough: float,
) -> None:
    """Raise `best` (m,) to how deep inside the tool each place can come to lie; from `enough` on it is left alone.

    A place is a point `places` (m, 3) of a lattice of `step` mm and the way from there, `beside` (m, 3) mm, at most half a
    step. `field` is the distance to what must not be cut, in voxels of `cell` mm from the lattice's first point on.
    `standing` (lattice, 4) holds nan where not yet asked, else 1 or 0 for room or none and the way to it. The tool is
    balls `probes` (n, 4: mm from the tip, radius) for collisions, and lattice offsets `offsets` (h, 3) from the tip at
    `depths` (h,) inside its head, likeliest first. `table` holds that depth, every `mesh` mm, by distance along the `axis`
    (from `BEFORE_TIP_MM` ahead of the tip on) and from it.
    """
    shift, start, most = np.zeros(3), np.zeros(3), 1.5 * step
    point = np.zeros(3)
    for m in range(places.shape[0]):
        if best[m] >= enough:
            continue
        for axis_no in range(3):
            point[axis_no] = places[m, axis_no] * step + beside[m, axis_no]
        # A ball of that depth about the place lies in the tool, so it must not reach far into the obstacle.
        deepest = _read(field, cell, point[0], point[1], point[2], far) + allowance + 2.5 * step
        for h in range(offsets.shape[0]):
            if depths[h] + 2.0 * step <= best[m] or depths[h] > deepest:
                continue
            i, j, k = places[m, 0] - offsets[h, 0], places[m, 1] - offsets[h, 1], places[m, 2] - offsets[h, 2]
            if i < 0 or j < 0 or k < 0 or i >= standing.shape[0] or j >= standing.shape[1] or k >= standing.shape[2]:
                continue
            if np.isnan(standing[i, j, k, 0]):
                start[0], start[1], start[2] = i * step, j * step, k * step
                room = _stand(field, cell, start, probes, far, allowance, most, shift)
                standing[i, j, k, 0] = 1.0 if room else 0.0
                standing[i, j, k, 1], standing[i, j, k, 2], standing[i, j, k, 3] = shift[0], shift[1], shift[2]
            if standing[i, j, k, 0] == 0.0:
                continue
            x = offsets[h, 0] * step + beside[m, 0] - standing[i, j, k, 1]
            y = offsets[h, 1] * step + beside[m, 1] - standing[i, j, k, 2]
            z = offsets[h, 2] * step + beside[m, 2] - standing[i, j, k, 3]
            value = _depth(table, mesh, axis, x, y, z)
            if value > best[m]:
                best[m] = value
                if value >= enough:
                    break
