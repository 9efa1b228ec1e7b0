"""Where upright columns on a lattice cross a surface, and what lies along them, on plain arrays.

A column (i, j) stands at `origin + spacing * (i, j)`; it is number `i * ny + j`. Crossings of column c are the entries
`starts[c]` to `starts[c + 1]` of `heights` and `upward`, top down. `upward` is true where the surface faces up,
so that material begins below it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop
from kerfmark.kernels.distance import trilinear

__all__ = ["beside_patches", "find_crossings", "lengths_removed", "patches", "sort_crossings"]

_Ints = NDArray[np.int64]
_Floats = NDArray[np.float64]
_Flags = NDArray[np.bool_]
EDGES = 128
"""Most crossings told apart along one column, all solids together."""
TOGETHER_MM = 0.03


@loop
def _left_of(ax: float, ay: float, bx: float, by: float, x: float, y: float) -> bool:
    """Whether (x, y) lies left of a → b; a point on the line belongs to one side only, whichever way it is walked."""
    if ax < bx or (ax == bx and ay < by):
        return bool((bx - ax) * (y - ay) - (by - ay) * (x - ax) >= 0.0)
    return not bool((ax - bx) * (y - by) - (ay - by) * (x - bx) >= 0.0)


@loop
def _holds(corner: _Floats, x: float, y: float, upward: bool) -> bool:
    """Whether a triangle seen from above holds (x, y); neighbours never both do, nor both not."""
    for e in range(3):
        a, b = 3 * e, 3 * ((e + 1) % 3)
        if _left_of(corner[a], corner[a + 1], corner[b], corner[b + 1], x, y) != upward:
            return False
    return True


@loop
def _load(points: _Floats, faces: NDArray[np.int32], f: int, corner: _Floats) -> float:
    """Copy a triangle's corners; twice its area as seen from above, positive where it faces up."""
    for k in range(3):
        for axis in range(3):
            corner[3 * k + axis] = points[faces[f, k], axis]
    return (corner[3] - corner[0]) * (corner[7] - corner[1]) - (corner[6] - corner[0]) * (corner[4] - corner[1])


@loop
def _span(a: float, b: float, c: float, origin: float, spacing: float, count: int) -> tuple[int, int]:
    """First and one past the last lattice line that a triangle may reach; a hair wide, as the division rounds."""
    low = int(np.ceil((min(a, b, c) - origin) / spacing - 1e-6))
    high = int(np.floor((max(a, b, c) - origin) / spacing + 1e-6))
    return max(low, 0), min(high, count - 1) + 1


@loop
def find_crossings(
    points: _Floats, faces: NDArray[np.int32], origin: _Floats, spacing: float, nx: int, ny: int
) -> tuple[NDArray[np.int32], _Floats, _Flags]:
    """Column, height and `upward` of every crossing, in the order of the faces."""
    room = 4 * nx * ny + 16
    column: Any = np.empty(room, np.int32)
    height: Any = np.empty(room)
    upward: Any = np.empty(room, np.bool_)
    count = 0
    corner = np.empty(9)
    for f in range(faces.shape[0]):
        area = _load(points, faces, f, corner)
        if area == 0.0:
            continue
        i0, i1 = _span(corner[0], corner[3], corner[6], origin[0], spacing, nx)
        j0, j1 = _span(corner[1], corner[4], corner[7], origin[1], spacing, ny)
        for i in range(i0, i1):
            for j in range(j0, j1):
                x, y = origin[0] + spacing * i, origin[1] + spacing * j
                if not _holds(corner, x, y, area > 0.0):
                    continue
                if count == room:
                    room *= 2
                    column, height, upward = _grown(column, room), _grown(height, room), _grown(upward, room)
                u = (corner[3] - x) * (corner[7] - y) - (corner[6] - x) * (corner[4] - y)
                v = (corner[6] - x) * (corner[1] - y) - (corner[0] - x) * (corner[7] - y)
                column[count] = i * ny + j
                height[count] = (u * corner[2] + v * corner[5] + (area - u - v) * corner[8]) / area
                upward[count] = area > 0.0
                count += 1
    return column[:count], height[:count], upward[:count]


@loop
def _grown(array: NDArray[Any], room: int) -> NDArray[Any]:
    larger = np.empty(room, array.dtype)
    larger[: array.size] = array
    return larger


@loop
def sort_crossings(
    column: NDArray[np.int32], height: _Floats, upward: _Flags, columns: int
) -> tuple[_Ints, _Floats, _Flags]:
    """`starts` (columns + 1,), `heights` and `upward`: crossings by column, each column's from the top down."""
    starts = np.zeros(columns + 1, np.int64)
    for n in range(column.size):
        starts[column[n] + 1] += 1
    for c in range(columns):
        starts[c + 1] += starts[c]
    heights, ups = np.empty(column.size), np.empty(column.size, np.bool_)
    used = np.zeros(columns, np.int32)
    for n in range(column.size):
        first = starts[column[n]]
        at = first + used[column[n]]
        used[column[n]] += 1
        while at > first and heights[at - 1] < height[n]:
            heights[at], ups[at] = heights[at - 1], ups[at - 1]
            at -= 1
        heights[at], ups[at] = height[n], upward[n]
    return starts, heights, ups


@loop
def _sampled(grid: NDArray[np.float32], at: _Floats) -> float:
    """Trilinear value at voxel coordinates, those of the nearest voxel inside the grid."""
    u = min(max(at[0], 0.0), grid.shape[0] - 1.0)
    v = min(max(at[1], 0.0), grid.shape[1] - 1.0)
    return trilinear(grid, u, v, min(max(at[2], 0.0), grid.shape[2] - 1.0))[0]


@loop
def _deep(
    grid: NDArray[np.float32], foot: _Floats, step: _Floats, top: float, bottom: float, least: float, at: _Floats
) -> bool:
    """Whether a stretch of a column comes somewhere deeper than `least` below the surface of `grid`."""
    tries = min(int((top - bottom) / least) + 1, 400)
    for n in range(tries):
        part = ((n + 1) * 0.6180339887498949) % 1.0  # spread over the stretch, so that deep ones are known at once
        z = bottom + part * (top - bottom)
        for axis in range(3):
            at[axis] = foot[axis] + z * step[axis]
        if _sampled(grid, at) <= -least:
            return True
    return False


@loop
def _inside(heights: _Floats, upward: _Flags, first: int, end: int, z: float) -> bool:
    """Whether height z of a column lies in material: what lies nearest above it faces up.

    Crossings that lie together, as where a scan folds over itself, count as one: of those that face up and down the more.
    """
    found, before, net, level = False, False, 0, np.inf
    for k in range(first, end):
        if heights[k] <= z:
            break
        if level - heights[k] > TOGETHER_MM:
            before, net = found, 0
        level = heights[k]
        net += 1 if upward[k] else -1
        found = net > 0 if net != 0 else before
    return found


@loop
def _edges(starts: _Ints, heights: _Floats, solids: int, columns: int, c: int, edges: _Floats) -> int:
    """Every different height at which column c crosses anything, from the top down; how many there are."""
    count = 0
    for s in range(solids):
        for k in range(starts[s * columns + c], starts[s * columns + c + 1]):
            if count == edges.size:
                break
            value, at = heights[k], count
            while at > 0 and edges[at - 1] < value:
                at -= 1
            if at > 0 and edges[at - 1] == value:
                continue
            for n in range(count, at, -1):
                edges[n] = edges[n - 1]
            edges[at] = value
            count += 1
    return count


@loop
def _label(starts: _Ints, heights: _Floats, upward: _Flags, solids: int, columns: int, c: int, z: float) -> int:
    """−1 outside the subject, 0 in no layer, else the number of the last layer that holds height z, from 1."""
    if not _inside(heights, upward, starts[c], starts[c + 1], z):
        return -1
    for s in range(solids - 1, 2, -1):
        if _inside(heights, upward, starts[s * columns + c], starts[s * columns + c + 1], z):
            return s - 2
    return 0


@loop
def _keep_deep_runs(gone: _Flags, deep: _Flags, count: int) -> None:
    """Of each unbroken run of removed stretches keep all, where any of it is deep, or none."""
    first = 0
    while first < count:
        end, any_deep = first, False
        while end < count and gone[end]:
            any_deep = any_deep or deep[end]
            end += 1
        for k in range(first, end):
            gone[k] = any_deep
        first = end + 1


@loop
def _counted_beside(kept: _Floats, c: int, ny: int, top: float, bottom: float, heights: _Floats) -> bool:
    """Over which heights beside column c removal counts, within a stretch; written into `heights`, the lower first."""
    heights[0], heights[1] = np.inf, -np.inf
    columns = kept.shape[0]
    for side in range(4):
        if (side == 0 and c % ny == 0) or (side == 1 and c % ny == ny - 1):
            continue
        beside = c + (-1 if side == 0 else 1 if side == 1 else -ny if side == 2 else ny)
        if beside < 0 or beside >= columns or kept[beside, 0] >= kept[beside, 1]:
            continue
        low, high = max(kept[beside, 0], bottom), min(kept[beside, 1], top)
        if low < high:
            heights[0], heights[1] = min(heights[0], low), max(heights[1], high)
    return heights[0] < heights[1]


@loop
def _spread_along_walls(kept: _Floats, shallow: _Floats, ny: int, rounds: int) -> None:
    """Let shallow stretches count over the heights at which removal counts in a column beside theirs, round by round."""
    heights = np.empty(2)
    for _ in range(rounds):
        before = kept.copy()
        for c in range(kept.shape[0]):
            if before[c, 0] < before[c, 1] or shallow[c, 0] >= shallow[c, 1]:
                continue
            if _counted_beside(before, c, ny, shallow[c, 1], shallow[c, 0], heights):
                kept[c, 0], kept[c, 1] = heights[0], heights[1]


@loop
def _spans(
    starts: _Ints,
    heights: _Floats,
    upward: _Flags,
    solids: int,
    columns: int,
    c: int,
    empty_is_gone: bool,
    edges: _Floats,
    gone: _Flags,
    label: NDArray[np.int32],
) -> int:
    """The stretches of column c between crossings: their heights, whether they are gone, and whose they are; how many."""
    spans = _edges(starts, heights, solids, columns, c, edges) - 1
    seen = starts[columns + c] < starts[columns + c + 1]
    for n in range(spans):
        z = 0.5 * (edges[n] + edges[n + 1])
        label[n] = _label(starts, heights, upward, solids, columns, c, z)
        material = seen and _inside(heights, upward, starts[columns + c], starts[columns + c + 1], z)
        gone[n] = label[n] >= 0 and (not material if seen else empty_is_gone)
    return spans


@loop
def lengths_removed(
    starts: _Ints,
    heights: _Floats,
    upward: _Flags,
    solids: int,
    columns: int,
    planned_by: int,
    grid: NDArray[np.float32],
    feet: _Floats,
    step: _Floats,
    least: float,
    empty_is_gone: bool,
    ny: int,
    rounds: int,
) -> NDArray[np.float32]:
    """Lengths of subject along each column: (layers + 1, 4, columns).

    Solid s has the columns `s * columns` onwards of the crossings: 0 the subject, 1 the piece, 2 the target, then the
    layers, of which the last that holds a point names it; the first entry of the first axis is what none holds. The
    second axis is 0 left, 1 removed, both outside the plan; 2 left, 3 removed, inside it. The plan is what the target
    lacks (`planned_by` = −1), or layer `planned_by` with what stands above it, or nothing (−2). Removed counts where
    its run comes deeper than `least` below the surface of `grid`, in whose voxels `feet` and `step` are given. A run that
    does not, and is longer than 2 `least`, runs along the surface: in a column where nothing else counts it counts over
    the heights at which removal counts beside it, spread by `rounds` columns. Columns lie in rows of `ny`.
    """
    out = np.zeros((solids - 2, 4, columns), np.float32)
    edges, at = np.empty(EDGES), np.empty(3)
    gone, deep, label = np.zeros(EDGES, np.bool_), np.zeros(EDGES, np.bool_), np.zeros(EDGES, np.int32)
    kept, shallow = np.zeros((columns, 2)), np.zeros((columns, 2))
    for c in range(columns):
        if starts[c] == starts[c + 1]:
            continue
        spans = _spans(starts, heights, upward, solids, columns, c, empty_is_gone, edges, gone, label)
        for n in range(spans):
            deep[n] = gone[n] and _deep(grid, feet[c], step, edges[n], edges[n + 1], least, at)
        _longest_shallow(gone, deep, edges, spans, 2.0 * least, shallow[c])
        _keep_deep_runs(gone, deep, spans)
        for n in range(spans):
            if gone[n]:
                kept[c, 1] = edges[n] if kept[c, 0] >= kept[c, 1] else kept[c, 1]
                kept[c, 0] = edges[n + 1]
        _count(out, starts, heights, upward, columns, c, planned_by, edges, gone, label, spans, -np.inf, np.inf)
    settled = kept.copy()
    _spread_along_walls(kept, shallow, ny, rounds)
    for c in range(columns):
        if settled[c, 0] >= settled[c, 1] and kept[c, 0] < kept[c, 1]:
            out[:, :, c] = 0.0
            spans = _spans(starts, heights, upward, solids, columns, c, empty_is_gone, edges, gone, label)
            low, high = kept[c, 0], kept[c, 1]
            _count(out, starts, heights, upward, columns, c, planned_by, edges, gone, label, spans, low, high)
    return out


@loop
def _longest_shallow(gone: _Flags, deep: _Flags, edges: _Floats, count: int, least: float, heights: _Floats) -> None:
    """The longest run of removed stretches none of which is deep, where it is longer than `least`; its lower end first."""
    first = 0
    heights[0] = heights[1] = 0.0
    while first < count:
        end, any_deep = first, False
        while end < count and gone[end]:
            any_deep = any_deep or deep[end]
            end += 1
        if end > first and not any_deep and edges[first] - edges[end] > max(least, heights[1] - heights[0]):
            heights[0], heights[1] = edges[end], edges[first]
        first = end + 1


@loop
def _count(
    out: NDArray[np.float32],
    starts: _Ints,
    heights: _Floats,
    upward: _Flags,
    columns: int,
    c: int,
    planned_by: int,
    edges: _Floats,
    gone: _Flags,
    label: NDArray[np.int32],
    spans: int,
    low: float,
    high: float,
) -> None:
    """Add column c's stretches to `out`; of what is gone only what lies between two heights counts as removed."""
    plan_floor = np.inf
    for n in range(spans):
        if label[n] == planned_by + 1 and planned_by >= 0:
            plan_floor = edges[n + 1]
    for n in range(spans):
        if label[n] < 0:
            continue
        z = 0.5 * (edges[n] + edges[n + 1])
        if planned_by == -1:
            planned = not _inside(heights, upward, starts[2 * columns + c], starts[2 * columns + c + 1], z)
        else:
            planned = z > plan_floor
        whole = edges[n] - edges[n + 1]
        removed = max(min(edges[n], high) - max(edges[n + 1], low), 0.0) if gone[n] else 0.0
        out[label[n], 2 * int(planned) + 1, c] += removed
        out[label[n], 2 * int(planned), c] += whole - removed


@loop
def patches(mask: NDArray[np.bool_]) -> NDArray[np.int32]:
    """Numbers of the patches of true cells that share sides: 1, 2, … by their first cells, 0 elsewhere."""
    nx, ny = mask.shape
    number = np.zeros((nx, ny), np.int32)
    stack = np.empty(nx * ny, np.int64)
    count = 0
    for start in range(nx * ny):
        if not mask[start // ny, start % ny] or number[start // ny, start % ny]:
            continue
        count += 1
        number[start // ny, start % ny] = count
        stack[0], used = start, 1
        while used:
            used -= 1
            i, j = stack[used] // ny, stack[used] % ny
            for di, dj in ((1, 0), (-1, 0), (0, 1), (0, -1)):
                a, b = i + di, j + dj
                if 0 <= a < nx and 0 <= b < ny and mask[a, b] and not number[a, b]:
                    number[a, b] = count
                    stack[used] = a * ny + b
                    used += 1
    return number


@loop
def beside_patches(
    number: NDArray[np.int32], cut: NDArray[np.bool_], inside: NDArray[np.bool_]
) -> tuple[_Ints, _Ints, _Flags]:
    """Per patch: cells of no patch within two steps of it, how many of them are cut, whether it touches the outside."""
    nx, ny = number.shape
    count = 0
    for i in range(nx):
        for j in range(ny):
            count = max(count, number[i, j])
    near, near_cut = np.zeros(count + 1, np.int64), np.zeros(count + 1, np.int64)
    at_edge = np.zeros(count + 1, np.bool_)
    met = np.zeros(12, np.int32)
    for i in range(nx):
        for j in range(ny):
            different = 0
            for di in range(-2, 3):
                for dj in range(-2 + abs(di), 3 - abs(di)):
                    a, b = i + di, j + dj
                    if a < 0 or b < 0 or a >= nx or b >= ny or number[a, b] == 0:
                        continue
                    patch = number[a, b]
                    if not inside[i, j] and abs(di) + abs(dj) == 1:
                        at_edge[patch] = True
                    known = number[i, j] != 0
                    for k in range(different):
                        known = known or met[k] == patch
                    if not known:
                        met[different] = patch
                        different += 1
                        near[patch] += 1
                        near_cut[patch] += int(cut[i, j])
    return near, near_cut, at_edge
