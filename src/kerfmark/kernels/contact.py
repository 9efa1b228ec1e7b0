"""Touching what is left while it is being cut: forces on points of a head, and volumes by block, on plain arrays.

Cells, blocks and poses are those of `kerfmark.kernels.sweep`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop

__all__ = ["block_removed", "touch"]

_Floats = NDArray[np.float64]
_Singles = NDArray[np.float32]
_Ints = NDArray[np.int32]
_Bytes = NDArray[np.uint8]
OPTIONS: dict[str, Any] = {"_nrt": False}
EDGE, PLAIN = 8, 64


@loop(**OPTIONS)
def _grid_at(values: _Singles, x: float, y: float, z: float) -> float:
    """Trilinear value at a place in voxels; far outside where it lies beyond the grid."""
    nx, ny, nz = values.shape
    if not (0.0 <= x <= nx - 1 and 0.0 <= y <= ny - 1 and 0.0 <= z <= nz - 1):
        return 1e3
    i, j, k = min(int(x), nx - 2), min(int(y), ny - 2), min(int(z), nz - 2)
    u, v, w = x - i, y - j, z - k
    a = values[i, j, k] * (1 - w) + values[i, j, k + 1] * w
    b = values[i, j + 1, k] * (1 - w) + values[i, j + 1, k + 1] * w
    c = values[i + 1, j, k] * (1 - w) + values[i + 1, j, k + 1] * w
    d = values[i + 1, j + 1, k] * (1 - w) + values[i + 1, j + 1, k + 1] * w
    return (a * (1 - v) + b * v) * (1 - u) + (c * (1 - v) + d * v) * u


@loop(**OPTIONS)
def _cut_at(cells: _Singles, index: _Ints, band: float, i: int, j: int, k: int) -> float:
    """Distance of a voxel to all heads so far, + the band where no block is held."""
    x, y, z = i // EDGE, j // EDGE, k // EDGE
    if i < 0 or j < 0 or k < 0 or x >= index.shape[0] or y >= index.shape[1] or z >= index.shape[2]:
        return band
    b = index[x, y, z]
    if b < 0:
        return band
    i, j, k = i % EDGE, j % EDGE, k % EDGE
    cell = (i >> 2) * 4 + (j >> 2) * 2 + (k >> 2)
    return cells[(b * 8 + cell) * 2 * PLAIN + (i & 3) * 16 + (j & 3) * 4 + (k & 3)]


@loop(**OPTIONS)
def _cut_between(cells: _Singles, index: _Ints, band: float, x: float, y: float, z: float) -> float:
    i, j, k = int(np.floor(x)), int(np.floor(y)), int(np.floor(z))
    u, v, w = x - i, y - j, z - k
    total = 0.0
    for c in range(8):
        p, q, r = c >> 2 & 1, c >> 1 & 1, c & 1
        share = (u if p else 1.0 - u) * (v if q else 1.0 - v) * (w if r else 1.0 - w)
        total += share * _cut_at(cells, index, band, i + p, j + q, k + r)
    return total


@loop(**OPTIONS)
def touch(
    shell: _Floats, pose: _Floats, values: _Singles, labels: _Bytes, shift: _Floats, step: float, cells: _Singles,
    index: _Ints, spacing: float, band: float, stiffness: _Floats, coupling: float, offset: _Floats, out: _Floats,
) -> None:  # fmt: skip
    """Force on a device whose tool is held by a spring, from what is left of the subject.

    `shell` (n, 7) holds points, outward normals and weights about the head's own axis; `pose` (7,) the device's tip, relative to
    the cells' origin, and its unit quaternion. The tool stands at `offset` from the device; that is moved to where the spring
    (`coupling`) and the contact balance, by one Newton step. `values` and `labels` are the subject's distance and tissue on its
    own grid, `shift` the cells' origin less that grid's, `step` its spacing. A point as deep as p, the band at most, presses
    with stiffness · weight · p against its normal. `out` (5,) takes the force, the deepest p and its tissue.
    """
    out[3], out[4] = 0.0, 0.0
    w, u, v, t = pose[3], pose[4], pose[5], pose[6]
    r00, r01, r02 = 1 - 2 * (v * v + t * t), 2 * (u * v - w * t), 2 * (u * t + w * v)
    r10, r11, r12 = 2 * (u * v + w * t), 1 - 2 * (u * u + t * t), 2 * (v * t - w * u)
    r20, r21, r22 = 2 * (u * t - w * v), 2 * (v * t + w * u), 1 - 2 * (u * u + v * v)
    px, py, pz = pose[0] + offset[0], pose[1] + offset[1], pose[2] + offset[2]
    fx, fy, fz = 0.0, 0.0, 0.0
    xx, yy, zz, xy, xz, yz = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for n in range(shell.shape[0]):
        a, b, c = shell[n, 0], shell[n, 1], shell[n, 2]
        x, y, z = px + r00 * a + r01 * b + r02 * c, py + r10 * a + r11 * b + r12 * c, pz + r20 * a + r21 * b + r22 * c
        gx, gy, gz = (x + shift[0]) / step, (y + shift[1]) / step, (z + shift[2]) / step
        before = _grid_at(values, gx, gy, gz)
        if before >= 0.0:
            continue
        left = max(before, -_cut_between(cells, index, band, x / spacing, y / spacing, z / spacing))
        if left >= 0.0:
            continue
        tissue = labels[int(gx + 0.5), int(gy + 0.5), int(gz + 0.5)]
        k, depth = stiffness[tissue] * shell[n, 6], min(-left, band)
        a, b, c = shell[n, 3], shell[n, 4], shell[n, 5]
        nx, ny, nz = r00 * a + r01 * b + r02 * c, r10 * a + r11 * b + r12 * c, r20 * a + r21 * b + r22 * c
        fx -= k * depth * nx
        fy -= k * depth * ny
        fz -= k * depth * nz
        xx += k * nx * nx
        yy += k * ny * ny
        zz += k * nz * nz
        xy += k * nx * ny
        xz += k * nx * nz
        yz += k * ny * nz
        if depth > out[3]:
            out[3], out[4] = depth, tissue
    gx = fx + xx * offset[0] + xy * offset[1] + xz * offset[2]
    gy = fy + xy * offset[0] + yy * offset[1] + yz * offset[2]
    gz = fz + xz * offset[0] + yz * offset[1] + zz * offset[2]
    xx, yy, zz = xx + coupling, yy + coupling, zz + coupling
    ca, cb, cc = yy * zz - yz * yz, xz * yz - xy * zz, xy * yz - xz * yy
    scale = 1.0 / (xx * ca + xy * cb + xz * cc)
    offset[0] = scale * (ca * gx + cb * gy + cc * gz)
    offset[1] = scale * (cb * gx + (xx * zz - xz * xz) * gy + (xy * xz - xx * yz) * gz)
    offset[2] = scale * (cc * gx + (xy * xz - xx * yz) * gy + (xx * yy - xy * xy) * gz)
    out[0], out[1], out[2] = coupling * offset[0], coupling * offset[1], coupling * offset[2]


@loop(**OPTIONS)
def block_removed(
    cells: _Singles, places: _Ints, slots: _Ints, spacing: float, values: _Singles, labels: _Bytes, shift: _Floats,
    step: float, volumes: _Floats,
) -> None:  # fmt: skip
    """Volume missing from each of the blocks held at `slots`, by tissue, into `volumes` (slots, tissues)."""
    cube, scale = spacing**3, 1.0 / spacing
    for n in range(slots.shape[0]):
        b = slots[n]
        for tissue in range(volumes.shape[1]):
            volumes[n, tissue] = 0.0
        for c in range(8):
            for v in range(PLAIN):
                d = cells[(b * 8 + c) * 2 * PLAIN + v]
                if d * scale >= 0.5:
                    continue
                i = places[b, 0] * EDGE + (c >> 2 & 1) * 4 + (v >> 4)
                j = places[b, 1] * EDGE + (c >> 1 & 1) * 4 + (v >> 2 & 3)
                k = places[b, 2] * EDGE + (c & 1) * 4 + (v & 3)
                x, y, z = (
                    (i * spacing + shift[0]) / step,
                    (j * spacing + shift[1]) / step,
                    (k * spacing + shift[2]) / step,
                )
                s = _grid_at(values, x, y, z)
                if s * scale >= 0.5:
                    continue
                gone = min(0.5 - s * scale, 1.0) - min(max(0.5 - max(s, -d) * scale, 0.0), 1.0)
                if gone > 0.0:
                    volumes[n, labels[int(x + 0.5), int(y + 0.5), int(z + 0.5)]] += gone * cube
