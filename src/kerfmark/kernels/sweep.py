"""Sweeping a head through sparse blocks of voxels: least distance and first time, on plain arrays.

Lengths are in single precision, relative to the grid's origin. A pose is a column of `poses` (7, n): tip x, y, z, unit axis
x, y, z, time. `linked` says that the pose before was swept too and the head moved from there. A window is a run of at most 16
poses: `windows` (rows of ROW, flat) holds its middle pose (tip, axis) and how far any point of the head strays from there
within the window; `spans` (w, 2) its first and end pose.

A head is `faces` (k, 3), `fans` (m, 7) (`kerfmark.instruments.outline`); where `faces` and
`fans` are empty, `segments` (s, 4). A block is 8 cells of 4 × 4 × 4 voxels: `cells` holds them flat, cell after
cell, 64 distances and 64 times each. `planes` (8, 4)
holds per cell a normal N and a height P with distance(u) <= P + N·u for every voxel at u from the cell's centre that is
not yet cut off at − the band; P = −inf where all are.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop

__all__ = ["CELL", "PLAIN", "ROW", "near_blocks", "sweep_blocks"]

_Floats = NDArray[np.float32]
_Ints = NDArray[np.int32]
_Flags = NDArray[np.bool_]

CELL, PLAIN, ROW = 4, 64, 512
F = np.float32
OPTIONS: dict[str, Any] = {
    "fastmath": {"nnan", "nsz", "contract"},
    "_nrt": False,
}
"""No counting of references: it would cost more than the loops. So nothing here may make an array."""
ZERO, ONE, TWO, TINY, FAR, INF = F(0.0), F(1.0), F(2.0), F(1e-5), F(-1e9), F(np.inf)
FOUND, OLD, BEFORE, ALONG, RADIUS, SCRATCH = 0, PLAIN, 2 * PLAIN, 3 * PLAIN, 4 * PLAIN, 5 * PLAIN
FAN_SLACK, NEAR = F(1e-6), F(1e-3)
MILLION, TWO_MILLIONTHS, NOWHERE = F(1e6), F(2e-6), F(-2000.0)
LOWEST, LEAST = np.int32(-2147483648), np.int32(-1900000000)


@loop(inline="always", **OPTIONS)
def _in_fan(fans: _Floats, m: int, a: Any, r: Any, slack: Any) -> bool:
    """Whether a point lies in the fan of normals of an arc or corner, give or take `slack`."""
    return fans[m, 3] * r - fans[m, 4] * a <= slack and a * fans[m, 6] - r * fans[m, 5] <= slack


@loop(**OPTIONS)
def _to_axis(x0: Any, y0: Any, z0: Any, offsets: _Floats, poses: _Floats, s: int, room: _Floats) -> None:
    """Distance along the head's axis (row ALONG) and from it (RADIUS) of a cell's voxels; (x0, y0, z0) is its centre."""
    x0, y0, z0 = x0 - poses[0, s], y0 - poses[1, s], z0 - poses[2, s]
    ax, ay, az = poses[3, s], poses[4, s], poses[5, s]
    for n in range(PLAIN):
        x, y, z = x0 + offsets[n], y0 + offsets[PLAIN + n], z0 + offsets[2 * PLAIN + n]
        a = x * ax + y * ay + z * az
        x, y, z = x - a * ax, y - a * ay, z - a * az
        room[ALONG + n] = a
        room[RADIUS + n] = np.sqrt(x * x + y * y + z * z)


@loop(**OPTIONS)
def _to_face(
    x0: Any, y0: Any, z0: Any, offsets: _Floats, poses: _Floats, s: int, face: _Floats, room: _Floats
) -> None:  # fmt: skip
    """Distance (row FOUND) of a cell's voxels to one face of the head."""
    x0, y0, z0 = x0 - poses[0, s], y0 - poses[1, s], z0 - poses[2, s]
    ax, ay, az = poses[3, s], poses[4, s], poses[5, s]
    na, nr, c = face[0], face[1], face[2]
    for n in range(PLAIN):
        x, y, z = x0 + offsets[n], y0 + offsets[PLAIN + n], z0 + offsets[2 * PLAIN + n]
        a = x * ax + y * ay + z * az
        x, y, z = x - a * ax, y - a * ay, z - a * az
        room[FOUND + n] = a * na + np.sqrt(x * x + y * y + z * z) * nr - c


@loop(**OPTIONS)
def _to_fan(x0: Any, y0: Any, z0: Any, offsets: _Floats, poses: _Floats, s: int, fan: _Floats, room: _Floats) -> None:
    """Distance (row FOUND) of a cell's voxels to one arc or corner of the head, all of them in its fan."""
    x0, y0, z0 = x0 - poses[0, s], y0 - poses[1, s], z0 - poses[2, s]
    ax, ay, az = poses[3, s], poses[4, s], poses[5, s]
    ca, cr, big = fan[0], fan[1], fan[2]
    for n in range(PLAIN):
        x, y, z = x0 + offsets[n], y0 + offsets[PLAIN + n], z0 + offsets[2 * PLAIN + n]
        a = x * ax + y * ay + z * az
        x, y, z = x - a * ax, y - a * ay, z - a * az
        r = np.sqrt(x * x + y * y + z * z) - cr
        a -= ca
        room[FOUND + n] = np.sqrt(a * a + r * r) - big


@loop(**OPTIONS)
def _largest(
    faces: _Floats, fans: _Floats, reach: Any, needed: Any, room: _Floats, row: int, a0: Any, r0: Any
) -> None:  # fmt: skip
    """Distance to a convex head, into `row`; what no voxel within `reach` of (a0, r0) is nearest to is passed over.

    `needed` is a bound of the distance at (a0, r0) less twice the reach: a face lower than that there is nowhere nearest.
    """
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
def _distances(
    x0: Any, y0: Any, z0: Any, offsets: _Floats, poses: _Floats, s: int, reach: Any, needed: Any, faces: _Floats,
    fans: _Floats, segments: _Floats, room: _Floats, row: int,
) -> None:  # fmt: skip
    """Distance of a cell's voxels to the head at pose `s`, into `row` of `room`."""
    _to_axis(x0, y0, z0, offsets, poses, s, room)
    if faces.shape[0] + fans.shape[0] == 0:
        _nearest(segments, room, row)
        return
    x, y, z = x0 - poses[0, s], y0 - poses[1, s], z0 - poses[2, s]
    a0 = x * poses[3, s] + y * poses[4, s] + z * poses[5, s]
    x, y, z = x - a0 * poses[3, s], y - a0 * poses[4, s], z - a0 * poses[5, s]
    _largest(faces, fans, reach, needed, room, row, a0, np.sqrt(x * x + y * y + z * z))


@loop(**OPTIONS)
def _only_piece(a0: Any, r0: Any, bound: Any, reach: Any, faces: _Floats, fans: _Floats) -> int:
    """The one face (from 0) or fan (from the number of faces) that all of a cell is nearest to; −1 where it may be several.

    (a0, r0) is the cell's centre, `bound` a lower bound of its distance.
    """
    found, needed = -1, bound - reach - reach
    for k in range(faces.shape[0]):
        if faces[k, 0] * a0 + faces[k, 1] * r0 - faces[k, 2] >= needed:
            if found >= 0:
                return -1
            found = k
    for m in range(fans.shape[0]):
        a, r = a0 - fans[m, 0], r0 - fans[m, 1]
        away = needed + fans[m, 2]
        if not _in_fan(fans, m, a, r, reach) or (away > ZERO and a * a + r * r < away * away):
            continue
        if found >= 0 or not _in_fan(fans, m, a, r, -reach):
            return -1
        found = faces.shape[0] + m
    return found


@loop(**OPTIONS)
def tested(
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
        _tested_by_segments(count, segments, work)
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
def _tested_by_segments(count: int, segments: _Floats, work: _Floats) -> None:
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


@loop(inline="always", **OPTIONS)
def _clearance(work: _Floats, i: int, planes: _Floats, b: int, c: int, half: Any, reach: Any, convex: bool) -> Any:
    """Least height, over a cell, of the head's distance above the cell's plane; no voxel changes where it is above 0."""
    if not convex:
        return work[i] - planes[b, c, 3] - reach
    lean = abs(work[ROW + i] - planes[b, c, 0])
    lean += abs(work[2 * ROW + i] - planes[b, c, 1])
    lean += abs(work[3 * ROW + i] - planes[b, c, 2])
    return work[i] - planes[b, c, 3] - half * lean


@loop(**OPTIONS)
def _lower(cell: _Floats, room: _Floats, band: Any, when: Any) -> tuple[int, int]:
    """Take over what is nearer; how many voxels got nearer, and how many are reached that were not before."""
    nearer, reached = 0, 0
    for n in range(PLAIN):
        then, new, dated = cell[n], room[FOUND + n], cell[PLAIN + n]
        room[OLD + n] = then
        less = new < then
        above = then > ZERO
        nearer += 1 if less else 0
        reached += 1 if above & (new <= ZERO) else 0
        cell[PLAIN + n] = when if less & above else dated
        cell[n] = max(new, -band) if less else then
    return nearer, reached


@loop(**OPTIONS)
def _date(cell: _Floats, room: _Floats, start: Any, end: Any) -> None:
    """Times of voxels reached between two poses, by straight interpolation of their distances."""
    for n in range(PLAIN):
        if room[OLD + n] > ZERO and room[FOUND + n] <= ZERO:
            before = room[BEFORE + n]
            fall = before - room[FOUND + n]
            part = before / fall if fall > ZERO else ONE
            cell[PLAIN + n] = start + min(max(part, ZERO), ONE) * (end - start)


@loop(**OPTIONS)
def _height(cell: _Floats, offsets: _Floats, nx: Any, ny: Any, nz: Any, band: Any) -> Any:
    """A height P with distance(u) <= P + N·u over the voxels not cut off at − the band; −inf where none is left.

    The largest of whole millionths, as the compiler turns that into vector instructions; no less than the true one.
    """
    most = LOWEST
    for n in range(PLAIN):
        d = cell[n]
        h = d - (nx * offsets[n] + ny * offsets[PLAIN + n] + nz * offsets[2 * PLAIN + n])
        most = max(most, np.int32((h if d > -band else NOWHERE) * MILLION))
    return F(most) / MILLION + TWO_MILLIONTHS if most > LEAST else -INF


@loop(**OPTIONS)
def sweep_blocks(
    slots: _Ints, blocks: _Ints, first: int, end: int, spacing: float, band: float, offsets: _Floats, poses: _Floats,
    linked: _Flags, windows: _Floats, spans: _Ints, faces: _Floats, fans: _Floats, segments: _Floats,
    cells: _Floats, planes: _Floats, work: _Floats, chosen: _Ints, room: _Floats,
) -> int:  # fmt: skip
    """Sweep poses through the blocks `slots[first:end]`; `blocks` (n, 3) are their places. Returns how often a cell met a pose.

    `work` (4, 8 ROW), `chosen` (ROW,) and `room` (6 PLAIN) are room to work in.
    """
    h, wide = F(spacing), F(band)
    half, reach = F(1.5 * spacing) + TINY, F(1.5 * np.sqrt(3.0) * spacing) + TINY
    wide_reach = F(3.5 * np.sqrt(3.0) * spacing) + TINY
    convex = faces.shape[0] + fans.shape[0] > 0
    by_window, near, by_pose, held = work[0], work[1], work[2], work[3]
    met = 0
    for entry in range(first, end):
        b = slots[entry]
        x = F(blocks[entry, 0] * 2 * CELL + 3.5) * h
        y = F(blocks[entry, 1] * 2 * CELL + 3.5) * h
        z = F(blocks[entry, 2] * 2 * CELL + 3.5) * h
        tested(x, y, z, windows, spans.shape[0], faces, fans, segments, by_window)
        some = 0
        for w in range(spans.shape[0]):
            if by_window[w] - windows[6 * ROW + w] - wide_reach < wide:
                for row in range(7):
                    near[row * ROW + some] = windows[row * ROW + w]
                chosen[some] = w
                some += 1
        if some == 0:
            continue
        for c in range(8):
            if planes[b, c, 3] == -INF:
                continue
            x0 = x + F(((c >> 2) & 1) * 4 - 2) * h
            y0 = y + F(((c >> 1) & 1) * 4 - 2) * h
            z0 = z + F((c & 1) * 4 - 2) * h
            at = (b * 8 + c) * 2 * PLAIN
            cell = cells[at : at + 2 * PLAIN]
            tested(x0, y0, z0, near, some, faces, fans, segments, by_window)
            for i in range(some):
                if _clearance(by_window, i, planes, b, c, half, reach, convex) - near[6 * ROW + i] > TINY:
                    continue
                start, count = spans[chosen[i], 0], spans[chosen[i], 1] - spans[chosen[i], 0]
                for row in range(6):
                    for j in range(count):
                        held[row * ROW + j] = poses[row, start + j]
                tested(x0, y0, z0, held, count, faces, fans, segments, by_pose)
                for j in range(count):
                    if _clearance(by_pose, j, planes, b, c, half, reach, convex) > TINY:
                        continue
                    met += 1
                    s = start + j
                    a0, r0 = by_pose[4 * ROW + j], by_pose[5 * ROW + j]
                    only = _only_piece(a0, r0, by_pose[j], reach, faces, fans) if convex else -1
                    if only < 0:
                        _distances(
                            x0,
                            y0,
                            z0,
                            offsets,
                            poses,
                            s,
                            reach,
                            by_pose[j] - TWO * reach,
                            faces,
                            fans,
                            segments,
                            room,
                            FOUND,
                        )
                    elif only < faces.shape[0]:
                        _to_face(x0, y0, z0, offsets, poses, s, faces[only], room)
                    else:
                        _to_fan(x0, y0, z0, offsets, poses, s, fans[only - faces.shape[0]], room)
                    nearer, reached = _lower(cell, room, wide, poses[6, s])
                    if nearer == 0:
                        continue
                    if reached > 0 and linked[s]:
                        _distances(x0, y0, z0, offsets, poses, s - 1, reach, FAR, faces, fans, segments, room, BEFORE)
                        _date(cell, room, poses[6, s - 1], poses[6, s])
                    nx, ny, nz = by_pose[ROW + j], by_pose[2 * ROW + j], by_pose[3 * ROW + j]
                    top = _height(cell, offsets, nx, ny, nz, wide)
                    if top < planes[b, c, 3]:
                        planes[b, c, 0], planes[b, c, 1], planes[b, c, 2], planes[b, c, 3] = nx, ny, nz, top
                if planes[b, c, 3] == -INF:
                    break
    return met


@loop(**OPTIONS)
def _across(tip: Any, span: Any, before: Any, after: Any, size: Any, count: int) -> tuple[int, int]:
    """First and one past the last block along an axis whose centre may be near a rod from `tip` over `span`."""
    low, high = min(tip, tip + span), max(tip, tip + span)
    first = int(np.ceil((low - after) / size))
    last = int(np.floor((high + before) / size))
    return max(first, 0), min(last, count - 1) + 1


@loop(**OPTIONS)
def mark_near(
    places: _Ints, marks: NDArray[np.uint8], active: NDArray[np.uint8], windows: _Floats, count: int, size: float,
    length: float, widest: float, reach: float,
) -> int:  # fmt: skip
    """Write the active blocks whose centre comes within `reach` of the rod about the head in some window; their number.

    `marks` is all 0 and left so.

    `size` is a block's edge, `length` and `widest` the head's length and largest radius.
    """
    found = 0
    middle = 0.5 * size - size / 16.0
    for w in range(count):
        far = widest + reach + windows[6 * ROW + w]
        ax, ay, az = windows[3 * ROW + w], windows[4 * ROW + w], windows[5 * ROW + w]
        i0, i1 = _across(windows[w], length * ax, far - middle, far + middle, size, active.shape[0])
        j0, j1 = _across(windows[ROW + w], length * ay, far - middle, far + middle, size, active.shape[1])
        k0, k1 = _across(windows[2 * ROW + w], length * az, far - middle, far + middle, size, active.shape[2])
        for i in range(i0, i1):
            for j in range(j0, j1):
                for k in range(k0, k1):
                    if active[i, j, k] == 0 or marks[i, j, k] != 0:
                        continue
                    x = i * size + middle - windows[w]
                    y = j * size + middle - windows[ROW + w]
                    z = k * size + middle - windows[2 * ROW + w]
                    a = min(max(x * ax + y * ay + z * az, 0.0), length)
                    x, y, z = x - a * ax, y - a * ay, z - a * az
                    if x * x + y * y + z * z < far * far:
                        marks[i, j, k] = 1
                        places[found, 0], places[found, 1], places[found, 2] = i, j, k
                        found += 1
    for n in range(found):
        marks[places[n, 0], places[n, 1], places[n, 2]] = 0
    return found


@loop(**OPTIONS)
def near_blocks(
    places: _Ints, slots: _Ints, marks: NDArray[np.uint8], active: NDArray[np.uint8], index: _Ints, windows: _Floats,
    count: int, spacing: float, band: float, length: float, widest: float, faces: _Floats, fans: _Floats,
    segments: _Floats, work: _Floats,
) -> int:  # fmt: skip
    """Write the blocks that may hold a voxel within the band of the head in some window; their number.

    `slots` takes where each is held by `index`; −2 where it is not held yet, −1 where it need not be, the head not
    really coming near. `work` is (4, 8 ROW).
    """
    room = work[0]
    around = band + 3.5 * np.sqrt(3.0) * spacing + 1e-4
    found = mark_near(places, marks, active, windows, count, 2 * CELL * spacing, length, widest, around)
    h, reach = F(spacing), F(band + 3.5 * np.sqrt(3.0) * spacing) + TINY
    for n in range(found):
        slots[n] = index[places[n, 0], places[n, 1], places[n, 2]]
        if slots[n] >= 0:
            continue
        x = F(places[n, 0] * 2 * CELL + 3.5) * h
        y = F(places[n, 1] * 2 * CELL + 3.5) * h
        z = F(places[n, 2] * 2 * CELL + 3.5) * h
        tested(x, y, z, windows, count, faces, fans, segments, room)
        for w in range(count):
            if room[w] - windows[6 * ROW + w] < reach:
                slots[n] = -2
                break
    return found
