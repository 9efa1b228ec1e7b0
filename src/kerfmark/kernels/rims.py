"""Where a wall meets the surface it was cut into: straight fits beside each point of a curve."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop
from kerfmark.kernels.neighbourhoods import cells_of, span_of
from kerfmark.kernels.solving import solve_positive

__all__ = ["walls_beside"]

_Floats = NDArray[np.float64]
OUTLIER = 2.5
LEAST_POINTS = 10
LEAST_SPREAD = 0.06


@loop
def walls_beside(
    curve: _Floats,
    along: _Floats,
    inward: _Floats,
    points: _Floats,
    depths: _Floats,
    reach: float,
    behind: float,
    ahead: float,
) -> tuple[_Floats, _Floats, NDArray[np.int64], _Floats, _Floats]:
    """Of each curve point (n, 3): where its wall begins at depth 0, inwards, and how far in it leans for each unit of depth.

    The wall is fitted to the points within `reach` of it, no farther `behind` or `ahead` along the curve, as in = a + b · depth + c · along +
    d · along², once with all of them and twice without those farther off than 2.5 root mean squares. NaN where there are too few, or
    they spread over too little depth. Also gives how many points each fit rests on, their root mean square off it, and the standard
    deviation at depth 0 of a straight line through their depths for each unit of noise of a point.
    """
    order, starts, corner, shape = cells_of(points, reach)
    begins, leans = np.full(curve.shape[0], np.nan), np.full(curve.shape[0], np.nan)
    counts, off = np.zeros(curve.shape[0], np.int64), np.full(curve.shape[0], np.nan)
    loose = np.full(curve.shape[0], np.nan)
    found, near, fit = np.empty((points.shape[0], 3)), np.empty((points.shape[0], 3)), np.empty(4)
    for q in range(curve.shape[0]):
        span = span_of(curve[q], corner, shape, reach)
        count = 0
        for x in range(span[0, 0], span[0, 1]):
            for y in range(span[1, 0], span[1, 1]):
                row = (x * shape[1] + y) * shape[2]
                if span[2, 0] >= span[2, 1]:
                    continue
                for j in range(starts[row + span[2, 0]], starts[row + span[2, 1]]):
                    i = order[j]
                    away = side = into = 0.0
                    for k in range(3):
                        apart = points[i, k] - curve[q, k]
                        away += apart * apart
                        side += apart * along[q, k]
                        into += apart * inward[q, k]
                    if away <= reach * reach and -behind <= side <= ahead:
                        found[count, 0], found[count, 1], found[count, 2] = into, depths[i], side
                        count += 1
        for _ in range(3):
            if count < LEAST_POINTS:
                break
            spread = _bent_line(found, count, fit)
            if not spread > LEAST_SPREAD:
                begins[q], leans[q] = np.nan, np.nan
                break
            begins[q], leans[q], counts[q] = fit[0], fit[1], count
            square = middle = 0.0
            for i in range(count):
                square += _off(found, i, fit) ** 2
                middle += found[i, 1] / count
            loose[q] = np.sqrt((1.0 + (middle / spread) ** 2) / count)
            off[q] = np.sqrt(square / count)
            most = OUTLIER * off[q] + 1e-6
            kept = 0
            for i in range(count):
                if abs(_off(found, i, fit)) <= most:
                    for k in range(3):
                        near[kept, k] = found[i, k]
                    kept += 1
            for i in range(kept):
                for k in range(3):
                    found[i, k] = near[i, k]
            count = kept
    return begins, leans, counts, off, loose


@loop
def _off(found: _Floats, i: int, fit: _Floats) -> float:
    """How far in a point lies beyond the fit."""
    side = found[i, 2]
    return found[i, 0] - fit[0] - fit[1] * found[i, 1] - fit[2] * side - fit[3] * side * side


@loop
def _bent_line(found: _Floats, count: int, fit: _Floats) -> float:
    """Least squares in = a + b · depth + c · along + d · along², written into `fit`; the standard deviation of the depths."""
    moments, pulls, terms = np.zeros((4, 4)), np.zeros(4), np.ones(4)
    mean = square = 0.0
    for i in range(count):
        terms[1], terms[2] = found[i, 1], found[i, 2]
        terms[3] = found[i, 2] * found[i, 2]
        mean += terms[1] / count
        square += terms[1] * terms[1] / count
        for a in range(4):
            pulls[a] += terms[a] * found[i, 0]
            for b in range(4):
                moments[a, b] += terms[a] * terms[b]
    for a in range(4):
        moments[a, a] += 1e-9 * count
    if not solve_positive(moments, pulls, fit):
        return 0.0
    return np.sqrt(max(square - mean * mean, 0.0))
