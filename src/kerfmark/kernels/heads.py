"""Signed distance to a head of revolution: bounds at one point for many poses, and all voxels of a cell at one pose.

Lengths are in single precision. A head is `faces` (k, 3), `fans` (m, 7) (`kerfmark.instruments.outline`); where `faces` and `fans`
are empty, `segments` (s, 4). A cell is 4 × 4 × 4 voxels: `offsets` holds them from its centre, 64 x, 64 y, 64 z. A place is a cell's
centre from the tip, x, y, z, and the head's unit axis, x, y, z.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop

__all__ = ["OPTIONS", "PLAIN", "ROW", "TINY", "Place", "few_pieces", "lower_bounds", "pieces_of_cell", "to_head"]

_Floats = NDArray[np.float32]
Place = tuple[Any, Any, Any, Any, Any, Any]

PLAIN, ROW = 64, 512
F = np.float32
OPTIONS: dict[str, Any] = {"forceinline": True, "fastmath": {"nnan", "nsz", "contract"}, "_nrt": False}
"""Called in place: passing an array costs as much as the work on a cell. No counting of references either: so nothing here may make an array."""
ZERO, ONE, TWO, TINY, FAR, INF = F(0.0), F(1.0), F(2.0), F(1e-5), F(-1e9), F(np.inf)
ALONG, RADIUS, SCRATCH = 3 * PLAIN, 4 * PLAIN, 5 * PLAIN
FAN_SLACK, NEAR = F(1e-6), F(1e-3)


@loop(inline="always", **OPTIONS)
def _in_fan(fans: _Floats, m: int, a: Any, r: Any, slack: Any) -> bool:
    """Whether a point lies in the fan of normals of an arc or corner, give or take `slack`."""
    return fans[m, 3] * r - fans[m, 4] * a <= slack and a * fans[m, 6] - r * fans[m, 5] <= slack


@loop(**OPTIONS)
def few_pieces(
    a0: Any, r0: Any, needed: Any, reach: Any, faces: _Floats, fans: _Floats, few_faces: _Floats, few_fans: _Floats
) -> tuple[int, int]:
    """Copy the faces and fans that something within `reach` of (a0, r0) may be nearest to; how many of each.

    `needed` is a lower bound of the distance at (a0, r0) less twice the reach: a face lower than that there is nowhere nearest.
    """
    flat, round_ = 0, 0
    for k in range(faces.shape[0]):
        if faces[k, 0] * a0 + faces[k, 1] * r0 - faces[k, 2] >= needed:
            for n in range(3):
                few_faces[flat, n] = faces[k, n]
            flat += 1
    for m in range(fans.shape[0]):
        a, r, away = a0 - fans[m, 0], r0 - fans[m, 1], needed + fans[m, 2]
        if _in_fan(fans, m, a, r, reach) and not (away > ZERO and a * a + r * r < away * away):
            for n in range(7):
                few_fans[round_, n] = fans[m, n]
            round_ += 1
    return flat, round_


@loop(**OPTIONS)
def pieces_of_cell(
    a0: Any, r0: Any, bound: Any, reach: Any, faces: _Floats, fans: _Floats
) -> tuple[int, int, int, int, int, bool]:
    """What of the head a cell may be nearest to: how many faces, the first and last, how many fans, the last, and whether one fan holds it all.

    (a0, r0) is the cell's centre, `bound` a lower bound of its distance there. Within the head a face may be nearer than the arc
    in whose fan a cell lies.
    """
    flat, first, last, rounded, fan = 0, 0, 0, 0, 0
    needed = bound - reach - reach
    for k in range(faces.shape[0]):
        if faces[k, 0] * a0 + faces[k, 1] * r0 - faces[k, 2] >= needed:
            first = k if flat == 0 else first
            flat += 1
            last = k
    whole = flat == 0
    for m in range(fans.shape[0]):
        a, r, away = a0 - fans[m, 0], r0 - fans[m, 1], needed + fans[m, 2]
        if not _in_fan(fans, m, a, r, reach) or (away > ZERO and a * a + r * r < away * away):
            continue
        whole = whole and rounded == 0 and _in_fan(fans, m, a, r, -reach)
        rounded += 1
        fan = m
    return flat, first, last, rounded, fan, whole and rounded == 1


@loop(**OPTIONS)
def lower_bounds(
    x0: Any, y0: Any, z0: Any, poses: _Floats, count: int, faces: _Floats, fans: _Floats,
    segments: _Floats, work: _Floats,
) -> None:  # fmt: skip
    """Lower bound of the distance of one point to the head at `count` poses, and a slope of it.

    `poses` and `work` are rows of ROW numbers, one after the other: the compiler then knows that they do not overlap.
    `work` takes the bound in row 0 and its gradient in rows 1 to 3. The bound is convex and lies below
    the distance everywhere. Heads by segments alone get no gradient.
    """
    for i in range(count):
        ax, ay, az = poses[3 * ROW + i], poses[4 * ROW + i], poses[5 * ROW + i]
        x, y, z = x0 - poses[i], y0 - poses[ROW + i], z0 - poses[2 * ROW + i]
        a = x * ax + y * ay + z * az
        x, y, z = x - a * ax, y - a * ay, z - a * az
        work[ROW + i] = x
        work[2 * ROW + i] = y
        work[3 * ROW + i] = z
        work[4 * ROW + i] = a
        work[5 * ROW + i] = np.sqrt(x * x + y * y + z * z)
        work[i] = FAR
        work[6 * ROW + i] = ZERO
        work[7 * ROW + i] = ZERO
    if faces.shape[0] + fans.shape[0] == 0:
        _bounds_by_segments(count, segments, work)
        return
    for k in range(faces.shape[0]):
        na, nr, c = faces[k, 0], faces[k, 1], faces[k, 2]
        for i in range(count):
            h = work[4 * ROW + i] * na + work[5 * ROW + i] * nr - c
            more = h > work[i]
            work[i] = h if more else work[i]
            work[6 * ROW + i] = na if more else work[6 * ROW + i]
            work[7 * ROW + i] = nr if more else work[7 * ROW + i]
    for m in range(fans.shape[0]):
        ca, cr, big = fans[m, 0], fans[m, 1], fans[m, 2]
        p, q, u, v = fans[m, 3], fans[m, 4], fans[m, 5], fans[m, 6]
        for i in range(count):
            a, r = work[4 * ROW + i] - ca, work[5 * ROW + i] - cr
            length = np.sqrt(a * a + r * r)
            e = length - big
            scale = ONE / max(length, NEAR)
            inside = (p * r - q * a <= FAN_SLACK) & (a * v - r * u <= FAN_SLACK)
            more = inside & (e > work[i]) & (length > NEAR)
            work[i] = e if more else work[i]
            work[6 * ROW + i] = a * scale if more else work[6 * ROW + i]
            work[7 * ROW + i] = r * scale if more else work[7 * ROW + i]
    for i in range(count):
        radius, up, out = work[5 * ROW + i], work[6 * ROW + i], work[7 * ROW + i]
        sure = radius > NEAR
        scale = (out if sure else ZERO) / max(radius, NEAR)
        work[i] = work[i] - (ZERO if sure else abs(out) * radius)
        work[ROW + i] = work[ROW + i] * scale + poses[3 * ROW + i] * up
        work[2 * ROW + i] = work[2 * ROW + i] * scale + poses[4 * ROW + i] * up
        work[3 * ROW + i] = work[3 * ROW + i] * scale + poses[5 * ROW + i] * up


@loop(**OPTIONS)
def _bounds_by_segments(count: int, segments: _Floats, work: _Floats) -> None:
    """The distance of one point at each pose, by segments; its slope is left 0."""
    for i in range(count):
        a, r = work[4 * ROW + i], work[5 * ROW + i]
        square, inside = INF, False
        for k in range(segments.shape[0]):
            a0, r0 = segments[k, 0], segments[k, 1]
            da, dr = segments[k, 2] - a0, segments[k, 3] - r0
            t = min(max(((a - a0) * da + (r - r0) * dr) / (da * da + dr * dr), ZERO), ONE)
            u, v = a - a0 - t * da, r - r0 - t * dr
            square = min(square, u * u + v * v)
            inside = inside or (a >= a0 and a - a0 < da and (r - r0) * da < (a - a0) * dr)
        work[i] = -np.sqrt(square) if inside else np.sqrt(square)
        work[ROW + i] = ZERO
        work[2 * ROW + i] = ZERO
        work[3 * ROW + i] = ZERO


@loop(**OPTIONS)
def _to_axis(place: Place, offsets: _Floats, room: _Floats) -> None:
    """Distance along the head's axis (row ALONG) and from it (RADIUS) of a cell's voxels."""
    x0, y0, z0, ax, ay, az = place
    for n in range(PLAIN):
        x, y, z = x0 + offsets[n], y0 + offsets[PLAIN + n], z0 + offsets[2 * PLAIN + n]
        a = x * ax + y * ay + z * az
        x, y, z = x - a * ax, y - a * ay, z - a * az
        room[ALONG + n] = a
        room[RADIUS + n] = np.sqrt(x * x + y * y + z * z)


@loop(**OPTIONS)
def _largest(
    faces: _Floats, fans: _Floats, reach: Any, needed: Any, room: _Floats, row: int, a0: Any, r0: Any
) -> None:  # fmt: skip
    """Distance to a convex head, into `row`; what no voxel within `reach` of (a0, r0) is nearest to is passed over."""
    into = room[row : row + PLAIN]
    along, radius = room[ALONG : ALONG + PLAIN], room[RADIUS : RADIUS + PLAIN]
    for n in range(PLAIN):
        into[n] = FAR
    for k in range(faces.shape[0]):
        na, nr, c = faces[k, 0], faces[k, 1], faces[k, 2]
        if a0 * na + r0 * nr - c < needed:
            continue
        for n in range(PLAIN):
            into[n] = max(into[n], along[n] * na + radius[n] * nr - c)
    for m in range(fans.shape[0]):
        ca, cr, big = fans[m, 0], fans[m, 1], fans[m, 2]
        away = needed + big
        a, r = a0 - ca, r0 - cr
        if not _in_fan(fans, m, a, r, reach) or (away > ZERO and a * a + r * r < away * away):
            continue
        p, q, u, v = fans[m, 3], fans[m, 4], fans[m, 5], fans[m, 6]
        for n in range(PLAIN):
            a, r = along[n] - ca, radius[n] - cr
            e = np.sqrt(a * a + r * r) - big
            inside = (p * r - q * a <= FAN_SLACK) & (a * v - r * u <= FAN_SLACK)
            into[n] = max(into[n], e if inside else FAR)


@loop(**OPTIONS)
def _nearest(segments: _Floats, room: _Floats, row: int) -> None:
    """Distance to a head of any profile, into `row`: the nearest of its segments, and whether the radius lies below it."""
    distance, inside = room[row : row + PLAIN], room[SCRATCH : SCRATCH + PLAIN]
    along, radius = room[ALONG : ALONG + PLAIN], room[RADIUS : RADIUS + PLAIN]
    for n in range(PLAIN):
        distance[n] = INF
        inside[n] = ZERO
    for k in range(segments.shape[0]):
        a0, r0 = segments[k, 0], segments[k, 1]
        da, dr = segments[k, 2] - a0, segments[k, 3] - r0
        scale = ONE / (da * da + dr * dr)
        for n in range(PLAIN):
            a, r = along[n] - a0, radius[n] - r0
            t = min(max((a * da + r * dr) * scale, ZERO), ONE)
            u, v = a - t * da, r - t * dr
            distance[n] = min(distance[n], u * u + v * v)
            below = (a >= ZERO) & (a < da) & (r * da < a * dr)
            inside[n] = max(inside[n], ONE if below else ZERO)
    for n in range(PLAIN):
        d = np.sqrt(distance[n])
        distance[n] = -d if inside[n] > ZERO else d


@loop(**OPTIONS)
def to_head(
    place: Place, offsets: _Floats, reach: Any, needed: Any, faces: _Floats, fans: _Floats, segments: _Floats,
    room: _Floats, row: int,
) -> None:  # fmt: skip
    """Distance of a cell's voxels to the head, into `row` of `room`; `needed` as in `few_pieces`."""
    _to_axis(place, offsets, room)
    if faces.shape[0] + fans.shape[0] == 0:
        _nearest(segments, room, row)
        return
    x, y, z, ax, ay, az = place
    a0 = x * ax + y * ay + z * az
    x, y, z = x - a0 * ax, y - a0 * ay, z - a0 * az
    _largest(faces, fans, reach, needed, room, row, a0, np.sqrt(x * x + y * y + z * z))
