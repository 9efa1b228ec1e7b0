"""Where a rotating tool can stand, and what it takes away there, on a lattice of points."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["BEFORE_TIP_MM", "take_away"]

BEFORE_TIP_MM = 1.0
"""Where a depth table begins, ahead of the tip."""

NDF32 = NDArray[np.float32]
NDF64 = NDArray[np.float64]
NDI32 = NDArray[np.int32]


@njit(cache=True, nogil=True)
def _read(field: NDF32, x: float, y: float, z: float, far: float) -> float:
    """Trilinear value at lattice coordinates, `far` outside."""
    i, j, k = int(np.floor(x)), int(np.floor(y)), int(np.floor(z))
    if i < 0 or j < 0 or k < 0 or i + 1 >= field.shape[0] or j + 1 >= field.shape[1] or k + 1 >= field.shape[2]:
        return far
    u, v, w = x - i, y - j, z - k
    near = (field[i, j, k] * (1 - u) + field[i + 1, j, k] * u) * (1 - v)
    near += (field[i, j + 1, k] * (1 - u) + field[i + 1, j + 1, k] * u) * v
    high = (field[i, j, k + 1] * (1 - u) + field[i + 1, j, k + 1] * u) * (1 - v)
    high += (field[i, j + 1, k + 1] * (1 - u) + field[i + 1, j + 1, k + 1] * u) * v
    return near * (1 - w) + high * w


@njit(cache=True, nogil=True)
def _closest_probe(field: NDF32, x: float, y: float, z: float, probes: NDF64, far: float) -> tuple[float, int]:
    """Least distance between the tool, its tip at (x, y, z), and the obstacle, and which probe has it."""
    least, which = far, -1
    for n in range(probes.shape[0]):
        value = _read(field, x + probes[n, 0], y + probes[n, 1], z + probes[n, 2], far) - probes[n, 3]
        if value < least:
            least, which = value, n
    return least, which


@njit(cache=True, nogil=True)
def _stand(
    field: NDF32, i: int, j: int, k: int, probes: NDF64, far: float, allowance: float, step: float, shift: NDF64
) -> bool:
    """Whether a tip at (i, j, k) finds room within one `step` (mm) of there; `shift` (3,) mm is the way to it.

    Each try moves the tip off the place it hits by as much as it is too close, along the field's slope.
    """
    shift[:] = 0.0
    for _ in range(6):
        x, y, z = i + shift[0] / step, j + shift[1] / step, k + shift[2] / step
        room, n = _closest_probe(field, x, y, z, probes, far)
        room += allowance
        if room >= -0.002:
            return True
        if room < -1.5 * step:
            return False
        x, y, z = x + probes[n, 0], y + probes[n, 1], z + probes[n, 2]
        gx = _read(field, x + 0.5, y, z, far) - _read(field, x - 0.5, y, z, far)
        gy = _read(field, x, y + 0.5, z, far) - _read(field, x, y - 0.5, z, far)
        gz = _read(field, x, y, z + 0.5, far) - _read(field, x, y, z - 0.5, far)
        length = np.sqrt(gx * gx + gy * gy + gz * gz)
        if length < 1e-9:
            return False
        shift[0] -= room * gx / length
        shift[1] -= room * gy / length
        shift[2] -= room * gz / length
        if shift[0] ** 2 + shift[1] ** 2 + shift[2] ** 2 > 2.25 * step * step:
            return False
    return False


@njit(cache=True, nogil=True)
def _depth(table: NDF64, cell: float, axis: NDF64, x: float, y: float, z: float) -> float:
    """How deep a point (mm from the tip) lies in the head, bilinear in `table`; far below 0 beyond it."""
    along = x * axis[0] + y * axis[1] + z * axis[2]
    radius = np.sqrt(max(0.0, x * x + y * y + z * z - along * along))
    u, v = (along + BEFORE_TIP_MM) / cell, radius / cell
    i, j = int(np.floor(u)), int(np.floor(v))
    if i < 0 or i + 1 >= table.shape[0] or j + 1 >= table.shape[1]:
        return -1e9
    u, v = u - i, v - j
    near = table[i, j] * (1 - u) + table[i + 1, j] * u
    return near * (1 - v) + (table[i, j + 1] * (1 - u) + table[i + 1, j + 1] * u) * v


@njit(cache=True, nogil=True)
def take_away(
    best: NDF64,
    places: NDI32,
    beside: NDF64,
    field: NDF32,
    standing: NDF32,
    probes: NDF64,
    offsets: NDI32,
    depths: NDF64,
    table: NDF64,
    cell: float,
    axis: NDF64,
    far: float,
    allowance: float,
    step: float,
    enough: float,
) -> None:
    """Raise `best` (m,) to how deep inside the tool each place can come to lie; from `enough` on it is left alone.

    A place is a lattice point `places` (m, 3) and the way from there, `beside` (m, 3) mm, at most half a step. `field` is the distance to what must not be cut; `standing` (shape of field, 4) holds nan where not yet asked, else 1 or 0
    for room or none and the way to it. The tool is balls `probes` (n, 4: lattice offset from the tip, radius) for collisions,
    and places `offsets` (h, 3) from the tip at `depths` (h,) inside its head, likeliest
    first. `table` holds that depth by distance along the `axis` (from `BEFORE_TIP_MM` ahead of the tip on) and from it.
    """
    shift = np.zeros(3)
    for m in range(places.shape[0]):
        if best[m] >= enough:
            continue
        for h in range(offsets.shape[0]):
            if depths[h] + 2.0 * step <= best[m]:
                continue
            i, j, k = places[m, 0] - offsets[h, 0], places[m, 1] - offsets[h, 1], places[m, 2] - offsets[h, 2]
            if i < 0 or j < 0 or k < 0 or i >= field.shape[0] or j >= field.shape[1] or k >= field.shape[2]:
                continue
            if np.isnan(standing[i, j, k, 0]):
                standing[i, j, k, 0] = 1.0 if _stand(field, i, j, k, probes, far, allowance, step, shift) else 0.0
                standing[i, j, k, 1], standing[i, j, k, 2], standing[i, j, k, 3] = shift[0], shift[1], shift[2]
            if standing[i, j, k, 0] == 0.0:
                continue
            x = offsets[h, 0] * step + beside[m, 0] - standing[i, j, k, 1]
            y = offsets[h, 1] * step + beside[m, 1] - standing[i, j, k, 2]
            z = offsets[h, 2] * step + beside[m, 2] - standing[i, j, k, 3]
            value = _depth(table, cell, axis, x, y, z)
            if value > best[m]:
                best[m] = value
                if value >= enough:
                    break
