"""Points beside a planned path, and the walls of a groove along it, on plain arrays."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop

__all__ = ["beside_path", "find_grooves", "read_walls"]

_Floats = NDArray[np.float64]
BLOCK = 16


@loop
def _between_0_and_1(value: float) -> float:
    return min(max(value, 0.0), 1.0)


@loop
def _gap(low: float, high: float, value: float) -> float:
    return max(low - value, 0.0, value - high)


@loop
def beside_path(points: _Floats, path: _Floats, lengths: _Floats, reach: float) -> tuple[_Floats, _Floats]:
    """How far along a path (k, 2) each point (n, 2+) lies, and how far to its left; nan beyond `reach`.

    `lengths` (k,) counts along the path. The nearest stretch decides.
    """
    stretches = path.shape[0] - 1
    blocks = (stretches + BLOCK - 1) // BLOCK
    boxes = np.empty((blocks, 4))
    for b in range(blocks):
        boxes[b, 0], boxes[b, 1], boxes[b, 2], boxes[b, 3] = np.inf, np.inf, -np.inf, -np.inf
        for k in range(b * BLOCK, min((b + 1) * BLOCK, stretches) + 1):
            boxes[b, 0], boxes[b, 1] = min(boxes[b, 0], path[k, 0]), min(boxes[b, 1], path[k, 1])
            boxes[b, 2], boxes[b, 3] = max(boxes[b, 2], path[k, 0]), max(boxes[b, 3], path[k, 1])
    along, left = np.full(points.shape[0], np.nan), np.full(points.shape[0], np.nan)
    for n in range(points.shape[0]):
        x, y = points[n, 0], points[n, 1]
        best = reach * reach
        for b in range(blocks):
            gap_x = _gap(boxes[b, 0], boxes[b, 2], x)
            gap_y = _gap(boxes[b, 1], boxes[b, 3], y)
            if gap_x * gap_x + gap_y * gap_y >= best:
                continue
            for k in range(b * BLOCK, min((b + 1) * BLOCK, stretches)):
                dx, dy = path[k + 1, 0] - path[k, 0], path[k + 1, 1] - path[k, 1]
                square = dx * dx + dy * dy
                share = _between_0_and_1(((x - path[k, 0]) * dx + (y - path[k, 1]) * dy) / square)
                off_x, off_y = x - path[k, 0] - share * dx, y - path[k, 1] - share * dy
                away = off_x * off_x + off_y * off_y
                if away < best:
                    best = away
                    along[n] = lengths[k] + share * math.sqrt(square)
                    left[n] = math.copysign(math.sqrt(away), dx * off_y - dy * off_x)
    return along, left


@loop
def _best_run(depth: _Floats, least: float) -> tuple[int, int]:
    """First and one past the last of the unbroken run deeper than `least` that holds most; (0, 0) where there is none."""
    best, first, end = 0.0, 0, 0
    j = 0
    while j < depth.size:
        if not depth[j] > least:
            j += 1
            continue
        start, total = j, 0.0
        while j < depth.size and depth[j] > least:
            total += depth[j]
            j += 1
        if total > best:
            best, first, end = total, start, j
    return first, end


@loop
def find_grooves(depth: _Floats, least: float) -> _Floats:
    """Each row's groove, roughly: (rows, 2) middle of the run in samples and depth of its deeper part; nan where none.

    `depth` (rows, samples). Of several runs deeper than `least` the one that holds most; none where it leaves the row.
    """
    out = np.full((depth.shape[0], 2), np.nan)
    for i in range(depth.shape[0]):
        first, end = _best_run(depth[i], least)
        if end - first < 3 or first == 0 or end == depth.shape[1]:
            continue
        deep = np.sort(depth[i, first:end])
        out[i, 0] = 0.5 * (first + end - 1)
        out[i, 1] = deep[int(0.75 * (end - first))]
    return out


@loop
def _walls(crossings: _Floats, first: int, end: int, place: float) -> tuple[float, float]:
    """The crossings nearest to a place on its lower and on its upper side, from a list that falls; nan where none."""
    low, high = np.nan, np.nan
    for k in range(first, end):
        if crossings[k] > place:
            high = crossings[k]
        else:
            low = crossings[k]
            break
    return low, high


@loop
def _inner_mean(values: _Floats) -> float:
    """Mean of the middle half: as steady as a mean, and deaf to the few that are wrong."""
    ordered = np.sort(values)
    cut = ordered.size // 4
    return float(ordered[cut : ordered.size - cut].mean())


@loop
def read_walls(
    starts: NDArray[np.int64], crossings: _Floats, levels: _Floats, rough: _Floats, full: _Floats
) -> _Floats:
    """Each row's groove from where lines across it, one a level, meet its walls: (rows, 2) middle and width; nan.

    Line (row, level) is column `row * levels + level` of the crossings. The middle is the mean over the levels from
    2/10 to 8/10 of the groove's depth of the middles between both walls; the width is that of the levels about half.
    `rough` (rows,) lies in the groove, `full` (rows,) is its depth; `levels` are depths.
    """
    rows, count = rough.size, levels.size
    out = np.full((rows, 2), np.nan)
    middles, widths = np.empty(count), np.empty(count)
    for i in range(rows):
        if math.isnan(full[i]):
            continue
        used, wide = 0, 0
        for k in range(count):
            part = levels[k] / full[i]
            if part < 0.2 or part > 0.8:
                continue
            c = i * count + k
            low, high = _walls(crossings, starts[c], starts[c + 1], rough[i])
            if math.isnan(low) or math.isnan(high):
                continue
            middles[used] = 0.5 * (low + high)
            used += 1
            if 0.4 <= part <= 0.6:
                widths[wide] = high - low
                wide += 1
        if used and wide:
            out[i, 0], out[i, 1] = _inner_mean(middles[:used]), _inner_mean(widths[:wide])
    return out
