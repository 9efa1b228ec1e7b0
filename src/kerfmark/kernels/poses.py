"""Samples of a motion cut into poses and windows, on plain arrays; see `kerfmark.kernels.sweep` for their form."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop

__all__ = ["WINDOW", "count_poses", "fill_poses", "fill_windows", "make_run"]

_Floats = NDArray[np.float64]
_Singles = NDArray[np.float32]
_Ints = NDArray[np.int32]
_Flags = NDArray[np.bool_]
OPTIONS: dict[str, Any] = {"_nrt": False}
WINDOW = 16


@loop(**OPTIONS)
def _axis(q: _Floats, n: int) -> tuple[float, float, float]:
    """Where unit quaternion n carries +z."""
    w, x, y, z = q[n, 0], q[n, 1], q[n, 2], q[n, 3]
    return 2.0 * (x * z + w * y), 2.0 * (y * z - w * x), 1.0 - 2.0 * (x * x + y * y)


@loop(**OPTIONS)
def _turn(q: _Floats, a: int, b: int) -> tuple[float, float, float, float]:
    """Axis (unit, or 0) and angle of the shortest turn from orientation a to b."""
    w0, x0, y0, z0 = q[a, 0], q[a, 1], q[a, 2], q[a, 3]
    w1, x1, y1, z1 = q[b, 0], q[b, 1], q[b, 2], q[b, 3]
    w = w1 * w0 + x1 * x0 + y1 * y0 + z1 * z0
    x = x1 * w0 - x0 * w1 - (y1 * z0 - z1 * y0)
    y = y1 * w0 - y0 * w1 - (z1 * x0 - x1 * z0)
    z = z1 * w0 - z0 * w1 - (x1 * y0 - y1 * x0)
    length = np.sqrt(x * x + y * y + z * z)
    scale = (-1.0 if w < 0.0 else 1.0) / max(length, 1e-300)
    return x * scale, y * scale, z * scale, 2.0 * np.arctan2(length, abs(w))


@loop(**OPTIONS)
def count_poses(
    tip: _Floats, q: _Floats, cuts: _Flags, ends: NDArray[np.int64], reach: float, step: float, parts: NDArray[np.int64],
) -> int:  # fmt: skip
    """Into how many parts each stretch that ends at `ends` goes so that no point of the head steps farther; poses in all.

    A stretch whose own start was not swept before begins with that pose; the first pose may be the one before the run.
    """
    total = 0
    for n in range(ends.shape[0]):
        b = ends[n]
        a = max(b - 1, 0)
        x, y, z = tip[b, 0] - tip[a, 0], tip[b, 1] - tip[a, 1], tip[b, 2] - tip[a, 2]
        ux, uy, uz, angle = _turn(q, a, b)
        ax, ay, az = _axis(q, a)
        cx, cy, cz = uy * az - uz * ay, uz * ax - ux * az, ux * ay - uy * ax
        moved = np.sqrt(x * x + y * y + z * z) + reach * angle * np.sqrt(cx * cx + cy * cy + cz * cz)
        parts[n] = max(int(np.ceil(moved / step)), 1)
        total += parts[n] + (1 if b > 0 and (n == 0 or not cuts[a]) else 0)
    return total


@loop(**OPTIONS)
def fill_poses(
    tip: _Floats, q: _Floats, seconds: _Floats, cuts: _Flags, ends: NDArray[np.int64], parts: NDArray[np.int64],
    origin: _Floats, columns: _Singles, linked: _Flags,
) -> bool:  # fmt: skip
    """Write the poses; whether the first is the one before the run. At samples they are the samples' own, to the last bit."""
    at, before = 0, False
    for n in range(ends.shape[0]):
        b = ends[n]
        a = max(b - 1, 0)
        ux, uy, uz, angle = _turn(q, a, b)
        ax, ay, az = _axis(q, a)
        ex, ey, ez = _axis(q, b)
        first = 1
        if b > 0 and (n == 0 or not cuts[a]):
            first = 0
            before = before or (n == 0 and cuts[a])
        along = ux * ax + uy * ay + uz * az
        cx, cy, cz = uy * az - uz * ay, uz * ax - ux * az, ux * ay - uy * ax
        for part in range(first, parts[n] + 1):
            t = part / parts[n]
            linked[at] = part > 0 and b > 0
            if part == parts[n]:
                for k in range(3):
                    columns[k, at] = tip[b, k] - origin[k]
                columns[3, at], columns[4, at], columns[5, at] = ex, ey, ez
                columns[6, at] = seconds[b]
            else:
                cos, sin = np.cos(t * angle), np.sin(t * angle)
                for k in range(3):
                    columns[k, at] = tip[a, k] + t * (tip[b, k] - tip[a, k]) - origin[k]
                columns[3, at] = ax * cos + cx * sin + ux * along * (1.0 - cos)
                columns[4, at] = ay * cos + cy * sin + uy * along * (1.0 - cos)
                columns[5, at] = az * cos + cz * sin + uz * along * (1.0 - cos)
                columns[6, at] = seconds[a] + t * (seconds[b] - seconds[a])
            at += 1
    return before


@loop(**OPTIONS)
def fill_windows(
    columns: _Singles, linked: _Flags, count: int, skip: int, reach: float, spans: _Ints, windows: _Singles
) -> int:  # fmt: skip
    """Cut `count` poses from `skip` on into runs of at most 16 linked ones; how many. `windows` takes the middle pose and the stray."""
    found, start = 0, skip
    while start < count:
        end = start + 1
        while end < count and end - start < WINDOW and linked[end]:
            end += 1
        middle = (start + end) // 2
        stray, most = 0.0, 0.0
        for s in range(start, end):
            way, lean = 0.0, 0.0
            for k in range(3):
                way += (columns[k, s] - columns[k, middle]) ** 2
                lean += (columns[3 + k, s] - columns[3 + k, middle]) ** 2
            stray = max(stray, np.sqrt(way) + reach * np.sqrt(lean))
            most = max(most, lean)
        for k in range(6):
            windows[k, found] = columns[k, middle]
        windows[6, found] = stray * (1.0 + 1e-5) + 1e-5
        windows[7, found] = np.sqrt(most) * (1.0 + 1e-5)
        spans[found, 0], spans[found, 1] = start, end
        found += 1
        start = end
    return found


@loop(**OPTIONS)
def make_run(
    tip: _Floats, q: _Floats, seconds: _Floats, cuts: _Flags, ends: NDArray[np.int64], origin: _Floats, reach: float,
    step: float, parts: NDArray[np.int64], columns: _Singles, linked: _Flags, spans: _Ints, windows: _Singles,
    found: NDArray[np.int64],
) -> None:  # fmt: skip
    """All three in one call, since a call costs more than a sample's work: `found` takes poses in all and windows.

    Where the room does not do, only the number of poses is found out, and there are −1 windows.
    """
    found[0], found[1] = count_poses(tip, q, cuts, ends, reach, step, parts), -1
    if found[0] > linked.shape[0]:
        return
    skip = 1 if fill_poses(tip, q, seconds, cuts, ends, parts, origin, columns, linked) else 0
    found[1] = fill_windows(columns, linked, found[0], skip, reach, spans, windows)
