"""A cell of voxels cut by a head at one pose: distances and times lowered, and a plane above what is left, on plain arrays.

Heads, cells and places are those of `kerfmark.kernels.heads`. `cell` holds 64 distances, then 64 times. The usual cases, where a
cell is nearest to one or two faces and one fan at most, are done in one go without a branch that depends on the voxels: a processor
that guesses such a branch wrongly waits for the whole of the arithmetic before it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop
from kerfmark.kernels.heads import (
    FAN_SLACK,
    FAR,
    INF,
    ONE,
    OPTIONS,
    PLAIN,
    TWO,
    ZERO,
    F,
    Place,
    pieces_of_cell,
    to_head,
)  # fmt: skip

__all__ = ["BEFORE", "FOUND", "OLD", "cut_cell", "date", "height"]

_Floats = NDArray[np.float32]

FOUND, OLD, BEFORE = 0, PLAIN, 2 * PLAIN
MILLION, MILLIONTH, TWO_MILLIONTHS, NOWHERE = F(1e6), F(1e-6), F(2e-6), F(-2000.0)
LOWEST, LEAST = np.int32(-2147483648), np.int32(-1900000000)


@loop(**OPTIONS)
def _take(new: Any, n: int, cell: _Floats, room: _Floats, band: Any, when: Any) -> tuple[bool, bool]:
    """Take over a voxel's distance where it is nearer; whether it is, and whether the voxel is reached that was not before."""
    then, dated = cell[n], cell[PLAIN + n]
    room[OLD + n] = then
    room[FOUND + n] = new
    less, above = new < then, then > ZERO
    cell[PLAIN + n] = when if less & above else dated
    cell[n] = max(new, -band) if less else then
    return less, above & (new <= ZERO)


@loop(**OPTIONS)
def _by_flat_face(
    place: Place, offsets: _Floats, face: _Floats, cell: _Floats, room: _Floats, band: Any, when: Any
) -> tuple[bool, bool]:
    """Distance (row FOUND) of a cell's voxels to a face at right angles to the axis; whether any voxel is nearer than it was."""
    na, c, nearer, reached = face[0], face[2], False, False
    x0, y0, z0, ax, ay, az = place
    for n in range(PLAIN):
        x, y, z = x0 + offsets[n], y0 + offsets[PLAIN + n], z0 + offsets[2 * PLAIN + n]
        new = (x * ax + y * ay + z * az) * na - c
        less, through = _take(new, n, cell, room, band, when)
        nearer |= less
        reached |= through
    return nearer, reached


@loop(**OPTIONS)
def _by_faces(
    place: Place, offsets: _Floats, face: _Floats, other: _Floats, cell: _Floats, room: _Floats, band: Any, when: Any
) -> tuple[bool, bool]:
    """The same to the larger of two faces, which may be one and the same."""
    na, nr, c, ma, mr, e, nearer, reached = face[0], face[1], face[2], other[0], other[1], other[2], False, False
    x0, y0, z0, ax, ay, az = place
    for n in range(PLAIN):
        x, y, z = x0 + offsets[n], y0 + offsets[PLAIN + n], z0 + offsets[2 * PLAIN + n]
        a = x * ax + y * ay + z * az
        x, y, z = x - a * ax, y - a * ay, z - a * az
        r = np.sqrt(x * x + y * y + z * z)
        new = max(a * na + r * nr - c, a * ma + r * mr - e)
        less, through = _take(new, n, cell, room, band, when)
        nearer |= less
        reached |= through
    return nearer, reached


@loop(**OPTIONS)
def _by_fan(
    place: Place, offsets: _Floats, fan: _Floats, cell: _Floats, room: _Floats, band: Any, when: Any
) -> tuple[bool, bool]:
    """The same to one arc or corner, with every voxel in its fan."""
    ca, cr, big, nearer, reached = fan[0], fan[1], fan[2], False, False
    x0, y0, z0, ax, ay, az = place
    for n in range(PLAIN):
        x, y, z = x0 + offsets[n], y0 + offsets[PLAIN + n], z0 + offsets[2 * PLAIN + n]
        a = x * ax + y * ay + z * az
        x, y, z = x - a * ax, y - a * ay, z - a * az
        r = np.sqrt(x * x + y * y + z * z) - cr
        a -= ca
        new = np.sqrt(a * a + r * r) - big
        less, through = _take(new, n, cell, room, band, when)
        nearer |= less
        reached |= through
    return nearer, reached


@loop(**OPTIONS)
def _by_faces_and_fan(
    place: Place,
    offsets: _Floats,
    face: _Floats,
    other: _Floats,
    fan: _Floats,
    cell: _Floats,
    room: _Floats,
    band: Any,
    when: Any,
) -> tuple[bool, bool]:
    """The same to the largest of two faces and an arc or corner."""
    na, nr, c, ma, mr, e, nearer, reached = face[0], face[1], face[2], other[0], other[1], other[2], False, False
    ca, cr, big, p, q, u, v = fan[0], fan[1], fan[2], fan[3], fan[4], fan[5], fan[6]
    x0, y0, z0, ax, ay, az = place
    for n in range(PLAIN):
        x, y, z = x0 + offsets[n], y0 + offsets[PLAIN + n], z0 + offsets[2 * PLAIN + n]
        a = x * ax + y * ay + z * az
        x, y, z = x - a * ax, y - a * ay, z - a * az
        r = np.sqrt(x * x + y * y + z * z)
        new = max(a * na + r * nr - c, a * ma + r * mr - e)
        a, r = a - ca, r - cr
        e_fan = np.sqrt(a * a + r * r) - big
        inside = (p * r - q * a <= FAN_SLACK) & (a * v - r * u <= FAN_SLACK)
        new = max(new, e_fan if inside else FAR)
        less, through = _take(new, n, cell, room, band, when)
        nearer |= less
        reached |= through
    return nearer, reached


@loop(**OPTIONS)
def _lower(cell: _Floats, room: _Floats, band: Any, when: Any) -> tuple[bool, bool]:
    """Take over what is nearer in row FOUND; whether any voxel is, and whether any is reached that was not before."""
    nearer, reached = False, False
    for n in range(PLAIN):
        less, through = _take(room[FOUND + n], n, cell, room, band, when)
        nearer |= less
        reached |= through
    return nearer, reached


@loop(**OPTIONS)
def cut_cell(
    place: Place, offsets: _Floats, a0: Any, r0: Any, bound: Any, reach: Any, faces: _Floats, fans: _Floats,
    segments: _Floats, cell: _Floats, room: _Floats, band: Any, when: Any,
) -> tuple[bool, bool]:  # fmt: skip
    """Lower a cell's distances to those to the head at `place`: whether any voxel is nearer, whether any is newly reached.

    (a0, r0) is the cell's centre along the axis and from it, `bound` a lower bound of its distance, `reach` the farthest voxel's way
    from there. `room` takes the distances (row FOUND) and those before (OLD).
    """
    if faces.shape[0] + fans.shape[0] > 0:
        flat, first, last, some, fan, whole = pieces_of_cell(a0, r0, bound, reach, faces, fans)
        if whole:
            return _by_fan(place, offsets, fans[fan], cell, room, band, when)
        if some == 0 and flat == 1 and faces[first, 1] == ZERO:
            return _by_flat_face(place, offsets, faces[first], cell, room, band, when)
        if some == 0 and 1 <= flat <= 2:
            return _by_faces(place, offsets, faces[first], faces[last], cell, room, band, when)
        if some == 1 and 1 <= flat <= 2:
            return _by_faces_and_fan(place, offsets, faces[first], faces[last], fans[fan], cell, room, band, when)
    to_head(place, offsets, reach, bound - TWO * reach, faces, fans, segments, room, FOUND)
    return _lower(cell, room, band, when)


@loop(**OPTIONS)
def date(cell: _Floats, room: _Floats, start: Any, end: Any) -> None:
    """Times of voxels reached between two poses, by straight interpolation of their distances."""
    for n in range(PLAIN):
        if room[OLD + n] > ZERO and room[FOUND + n] <= ZERO:
            before = room[BEFORE + n]
            fall = before - room[FOUND + n]
            part = before / fall if fall > ZERO else ONE
            cell[PLAIN + n] = start + min(max(part, ZERO), ONE) * (end - start)


@loop(**OPTIONS)
def height(cell: _Floats, offsets: _Floats, nx: Any, ny: Any, nz: Any, band: Any) -> Any:
    """A height P with distance(u) <= P + N·u over the voxels not cut off at − the band; −inf where none is left.

    The largest of whole millionths, as the compiler turns that into vector instructions; no less than the true one.
    """
    most = LOWEST
    for n in range(PLAIN):
        d = cell[n]
        h = d - (nx * offsets[n] + ny * offsets[PLAIN + n] + nz * offsets[2 * PLAIN + n])
        most = max(most, np.int32((h if d > -band else NOWHERE) * MILLION))
    return F(most) * MILLIONTH + TWO_MILLIONTHS if most > LEAST else -INF
