"""Sweeping a head through sparse blocks of voxels: least distance and first time, on plain arrays.

Lengths are in single precision, relative to the grid's origin. A pose is a column of `poses` (7, n): tip x, y, z, unit axis
x, y, z, time. `linked` says that the pose before was swept too and the head moved from there. A window is a run of at most 16
poses: `windows` (rows of ROW, flat) holds its middle pose (tip, axis), how far any point of the head strays from there
within the window, and how far the axis does; `spans` (w, 2) its first and end pose.

Heads and cells are those of `kerfmark.kernels.heads`. A block is 8 cells of 4 × 4 × 4 voxels: `cells` holds them flat, cell after
cell, 64 distances and 64 times each. `planes` (8, 4)
holds per cell a normal N and a height P with distance(u) <= P + N·u for every voxel at u from the cell's centre that is
not yet cut off at − the band; P = −inf where all are.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop
from kerfmark.kernels.cutting import BEFORE, cut_cell, date, height
from kerfmark.kernels.heads import FAR, INF, OPTIONS, PLAIN, ROW, TINY, F, Place, few_pieces, lower_bounds, to_head

__all__ = ["CELL", "PLAIN", "ROW", "near_blocks", "sweep_blocks"]

_Floats = NDArray[np.float32]
_Ints = NDArray[np.int32]
_Flags = NDArray[np.bool_]

CELL = 4
AXIAL, RADIAL, CLEAR = 4 * ROW, 5 * ROW, 6 * ROW
STRAY, LEAN = 6 * ROW, 7 * ROW


@loop(**OPTIONS)
def _place(x: Any, y: Any, z: Any, poses: _Floats, s: int) -> Place:
    """A point from the tip at pose `s`, and the axis there."""
    return x - poses[0, s], y - poses[1, s], z - poses[2, s], poses[3, s], poses[4, s], poses[5, s]


@loop(**OPTIONS)
def _clearance(bounds: _Floats, i: int, plane: _Floats, half: Any, reach: Any, convex: bool) -> Any:
    """Least height, over a cell, of the head's distance above the cell's plane; no voxel changes where it is above 0."""
    if not convex:
        return bounds[i] - plane[3] - reach
    lean = abs(bounds[ROW + i] - plane[0]) + abs(bounds[2 * ROW + i] - plane[1]) + abs(bounds[3 * ROW + i] - plane[2])
    return bounds[i] - plane[3] - half * lean


@loop(**OPTIONS)
def _clearances(bounds: _Floats, count: int, plane: _Floats, half: Any, reach: Any, convex: bool) -> None:
    """The clearance at each of `count` poses, into row CLEAR."""
    for i in range(count):
        bounds[CLEAR + i] = _clearance(bounds, i, plane, half, reach, convex)


@loop(**OPTIONS)
def _windows_near(
    windows: _Floats, count: int, bounds: _Floats, reach: Any, band: Any, near: _Floats, chosen: _Ints
) -> int:
    """Copy to `near` the windows in which the head comes within the band of a block; how many. `chosen` takes which."""
    some = 0
    for w in range(count):
        if bounds[w] - windows[STRAY + w] - reach < band:
            for row in range(8):
                near[row * ROW + some] = windows[row * ROW + w]
            chosen[some] = w
            some += 1
    return some


@loop(**OPTIONS)
def _pieces_near(
    bounds: _Floats, near: _Floats, i: int, reach: Any, faces: _Floats, fans: _Floats, few_faces: _Floats, few_fans: _Floats
) -> tuple[int, int]:  # fmt: skip
    """Copy the faces and fans that a cell may be nearest to anywhere in window `i`; how many of each."""
    a, r = bounds[AXIAL + i], bounds[RADIAL + i]
    around = reach + near[STRAY + i] + near[LEAN + i] * (np.sqrt(a * a + r * r) + reach)
    return few_pieces(a, r, bounds[i] - around - around, around, faces, fans, few_faces, few_fans)


@loop(**OPTIONS)
def sweep_blocks(
    slots: _Ints, blocks: _Ints, first: int, end: int, spacing: float, band: float, offsets: _Floats, poses: _Floats,
    linked: _Flags, windows: _Floats, spans: _Ints, faces: _Floats, fans: _Floats, segments: _Floats,
    cells: _Floats, planes: _Floats, work: _Floats, chosen: _Ints, room: _Floats, few_faces: _Floats, few_fans: _Floats,
) -> None:  # fmt: skip
    """Sweep poses through the blocks `slots[first:end]`; `blocks` (n, 3) are their places.

    `work` (4, 8 ROW), `chosen` (ROW,), `room` (6 PLAIN), `few_faces` and `few_fans` (as many as of the head) are room to work in.
    """
    h, wide = F(spacing), F(band)
    half, reach = F(1.5 * spacing) + TINY, F(1.5 * np.sqrt(3.0) * spacing) + TINY
    wide_reach = F(3.5 * np.sqrt(3.0) * spacing) + TINY
    convex = faces.shape[0] + fans.shape[0] > 0
    by_window, near, by_pose, held = work[0], work[1], work[2], work[3]
    flat, rounded = 0, 0
    for entry in range(first, end):
        b = slots[entry]
        x = F(blocks[entry, 0] * 2 * CELL + 3.5) * h
        y = F(blocks[entry, 1] * 2 * CELL + 3.5) * h
        z = F(blocks[entry, 2] * 2 * CELL + 3.5) * h
        lower_bounds(x, y, z, windows, spans.shape[0], faces, fans, segments, by_window)
        some = _windows_near(windows, spans.shape[0], by_window, wide_reach, wide, near, chosen)
        if some == 0:
            continue
        for c in range(8):
            if planes[b, c, 3] == -INF:
                continue
            x0 = x + F(((c >> 2) & 1) * 4 - 2) * h
            y0 = y + F(((c >> 1) & 1) * 4 - 2) * h
            z0 = z + F((c & 1) * 4 - 2) * h
            at = (b * 8 + c) * 2 * PLAIN
            cell, plane = cells[at : at + 2 * PLAIN], planes[b, c]
            lower_bounds(x0, y0, z0, near, some, faces, fans, segments, by_window)
            for i in range(some):
                if _clearance(by_window, i, plane, half, reach, convex) - near[STRAY + i] > TINY:
                    continue
                start, count = spans[chosen[i], 0], spans[chosen[i], 1] - spans[chosen[i], 0]
                for row in range(6):
                    here = poses[row, start : start + count]
                    for j in range(count):
                        held[row * ROW + j] = here[j]
                if convex:
                    flat, rounded = _pieces_near(by_window, near, i, reach, faces, fans, few_faces, few_fans)
                _sweep_window(
                    x0, y0, z0, half, reach, wide, offsets, poses, linked, start, held, count, faces, fans, segments,
                    few_faces[:flat], few_fans[:rounded], cell, plane, by_pose, room,
                )  # fmt: skip
                if plane[3] == -INF:
                    break


@loop(**OPTIONS)
def _sweep_window(
    x0: Any, y0: Any, z0: Any, half: Any, reach: Any, band: Any, offsets: _Floats, poses: _Floats, linked: _Flags,
    start: int, held: _Floats, count: int, faces: _Floats, fans: _Floats, segments: _Floats, its_faces: _Floats,
    its_fans: _Floats, cell: _Floats, plane: _Floats, bounds: _Floats, room: _Floats,
) -> None:  # fmt: skip
    """Sweep the poses of one window through one cell about (x0, y0, z0); `its_faces`, `its_fans` are those it may be nearest to.

    Which poses are passed over is settled with the plane as it was before the window: a plane lowered in between would pass over a few
    more, and make every pose wait for the one before.
    """
    lower_bounds(x0, y0, z0, held, count, its_faces, its_fans, segments, bounds)
    _clearances(bounds, count, plane, half, reach, its_faces.shape[0] + its_fans.shape[0] > 0)
    last = -1
    for j in range(count):
        if bounds[CLEAR + j] > TINY:
            continue
        s = start + j
        nearer, reached = cut_cell(
            _place(x0, y0, z0, poses, s), offsets, bounds[AXIAL + j], bounds[RADIAL + j], bounds[j], reach, its_faces,
            its_fans, segments, cell, room, band, poses[6, s],
        )  # fmt: skip
        last = j if nearer else last
        if reached and linked[s]:
            before = _place(x0, y0, z0, poses, s - 1)
            to_head(before, offsets, reach, FAR, faces, fans, segments, room, BEFORE)
            date(cell, room, poses[6, s - 1], poses[6, s])
    if last < 0:
        return
    nx, ny, nz = bounds[ROW + last], bounds[2 * ROW + last], bounds[3 * ROW + last]
    top = height(cell, offsets, nx, ny, nz, band)
    if top < plane[3]:
        plane[0], plane[1], plane[2], plane[3] = nx, ny, nz, top


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
        far = widest + reach + windows[STRAY + w]
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
        lower_bounds(x, y, z, windows, count, faces, fans, segments, room)
        for w in range(count):
            if room[w] - windows[STRAY + w] < reach:
                slots[n] = -2
                break
    return found
