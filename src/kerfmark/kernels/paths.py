"""Points beside a planned path, and the cross-sections of a groove along it, on plain arrays."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["beside_path", "cross_sections"]

_Floats = NDArray[np.float64]
BLOCK = 16
LEVELS = 8
"""Levels at which a groove's walls are read: from 2/10 to 9/10 of its depth."""


@njit(cache=True, nogil=True)
def beside_path(points: _Floats, path: _Floats, lengths: _Floats, reach: float) -> tuple[_Floats, _Floats]:
    """How far along a path (k, 2) each point (n, 2+) lies, and how far to its left; nan beyond `reach`.

    `lengths` (k,) counts along the path. The nearest stretch decides.
    """
    stretches = path.shape[0] - 1
    blocks = (stretches + BLOCK - 1) // BLOCK
    boxes = np.empty((blocks, 4))
    for b in range(blocks):
        part = path[b * BLOCK : min((b + 1) * BLOCK, stretches) + 1]
        boxes[b, 0], boxes[b, 1] = part[:, 0].min(), part[:, 1].min()
        boxes[b, 2], boxes[b, 3] = part[:, 0].max(), part[:, 1].max()
    along, left = np.full(points.shape[0], np.nan), np.full(points.shape[0], np.nan)
    for n in range(points.shape[0]):
        x, y = float(points[n, 0]), float(points[n, 1])
        best = reach * reach
        for b in range(blocks):
            gap_x = max(float(boxes[b, 0]) - x, 0.0, x - float(boxes[b, 2]))
            gap_y = max(float(boxes[b, 1]) - y, 0.0, y - float(boxes[b, 3]))
            if gap_x * gap_x + gap_y * gap_y >= best:
                continue
            for k in range(b * BLOCK, min((b + 1) * BLOCK, stretches)):
                dx, dy = path[k + 1, 0] - path[k, 0], path[k + 1, 1] - path[k, 1]
                square = float(dx * dx + dy * dy)
                ahead = float((x - path[k, 0]) * dx + (y - path[k, 1]) * dy)
                part = min(max(ahead / square, 0.0), 1.0)
                off_x, off_y = x - path[k, 0] - part * dx, y - path[k, 1] - part * dy
                away = off_x * off_x + off_y * off_y
                if away < best:
                    best = away
                    along[n] = lengths[k] + part * math.sqrt(square)
                    left[n] = math.copysign(math.sqrt(away), dx * off_y - dy * off_x)
    return along, left


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def _outer_crossing(depth: _Floats, first: int, step: int, stop: int, level: float) -> float:
    """Where a row first comes to `level`, walking from index `first` by `step`, between samples; nan where never."""
    j = first
    while j != stop:
        before = depth[j - step] if 0 <= j - step < depth.size else np.nan
        if depth[j] >= level and not math.isnan(before):
            part = (level - before) / (depth[j] - before) if depth[j] > before else 1.0
            return float(j - step + step * min(max(part, 0.0), 1.0))
        j += step
    return np.nan


@njit(cache=True, nogil=True)
def cross_sections(depth: _Floats, least: float) -> _Floats:
    """Each row's groove: (rows, 4) middle, width at half depth, depth for its levels, all along the row in samples; nan.

    `depth` (rows, samples). The middle is the mean of the middles between both walls at eight levels from 2/10 to 9/10
    of the groove's depth, so that walls and floor both count. The fourth entry is 1 where the groove leaves the row.
    """
    out = np.full((depth.shape[0], 4), np.nan)
    for i in range(depth.shape[0]):
        row = depth[i]
        first, end = _best_run(row, least)
        if end - first < 3:
            continue
        if first == 0 or end == row.size:
            out[i, 3] = 1.0
            continue
        deep = np.sort(row[first:end])
        full = deep[int(0.75 * (end - first))]
        middle, width, levels, widths = 0.0, 0.0, 0, 0
        for n in range(LEVELS):
            level = full * (2 + n) / 10.0
            low = _outer_crossing(row, first, 1, end, level)
            high = _outer_crossing(row, end - 1, -1, first - 1, level)
            if math.isnan(low) or math.isnan(high):
                continue
            middle += 0.5 * (low + high)
            levels += 1
            if 2 <= n <= 4:
                width += high - low
                widths += 1
        if levels and widths:
            out[i, 0], out[i, 1], out[i, 2], out[i, 3] = middle / levels, width / widths, full, 0.0
    return out
