"""Points and their neighbours in space: means within a radius, nearness, and what is left over a local plane."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop

__all__ = ["cells_of", "means_within", "near_any", "over_local_planes", "span_of"]

Cells = tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64], NDArray[np.int64]]


@loop
def cells_of(points: NDArray[np.float64], size: float) -> Cells:
    """Points (n, 3) sorted into cubes: their order, where each cube starts in it, the grid's corner and its shape."""
    n = points.shape[0]
    corner, shape = np.empty(3), np.empty(3, np.int64)
    for k in range(3):
        low, high = (points[0, k], points[0, k]) if n else (0.0, 0.0)
        for i in range(n):
            low, high = min(low, points[i, k]), max(high, points[i, k])
        corner[k] = low
        shape[k] = int((high - low) / size) + 1
    starts = np.zeros(shape[0] * shape[1] * shape[2] + 1, np.int64)
    home = np.empty(n, np.int64)
    for i in range(n):
        x, y = int((points[i, 0] - corner[0]) / size), int((points[i, 1] - corner[1]) / size)
        home[i] = (x * shape[1] + y) * shape[2] + int((points[i, 2] - corner[2]) / size)
        starts[home[i] + 1] += 1
    for c in range(starts.shape[0] - 1):
        starts[c + 1] += starts[c]
    order, filled = np.empty(n, np.int64), starts.copy()
    for i in range(n):
        order[filled[home[i]]] = i
        filled[home[i]] += 1
    return order, starts, corner, shape


@loop
def span_of(
    query: NDArray[np.float64], corner: NDArray[np.float64], shape: NDArray[np.int64], size: float
) -> NDArray[np.int64]:
    """First and last cube (exclusive) along each axis that may hold a neighbour."""
    span = np.empty((3, 2), np.int64)
    for k in range(3):
        cell = int(np.floor((query[k] - corner[k]) / size))
        span[k, 0] = min(max(cell - 1, 0), shape[k])
        span[k, 1] = max(min(cell + 2, shape[k]), 0)
    return span


@loop
def means_within(
    queries: NDArray[np.float64], points: NDArray[np.float64], values: NDArray[np.float64], radius: float
) -> NDArray[np.float64]:
    """Mean value of the points within `radius` of each query; NaN where there is none."""
    order, starts, corner, shape = cells_of(points, radius)
    means = np.full(queries.shape[0], np.nan)
    for q in range(queries.shape[0]):
        span = span_of(queries[q], corner, shape, radius)
        total, count = 0.0, 0
        for x in range(span[0, 0], span[0, 1]):
            for y in range(span[1, 0], span[1, 1]):
                row = (x * shape[1] + y) * shape[2]
                if span[2, 0] >= span[2, 1]:
                    continue
                for j in range(starts[row + span[2, 0]], starts[row + span[2, 1]]):
                    i = order[j]
                    away = 0.0
                    for k in range(3):
                        away += (points[i, k] - queries[q, k]) ** 2
                    if away <= radius * radius:
                        total += values[i]
                        count += 1
        if count:
            means[q] = total / count
    return means


@loop
def near_any(queries: NDArray[np.float64], points: NDArray[np.float64], radius: float) -> NDArray[np.bool_]:
    """Whether any of the points lies within `radius` of each query."""
    near = np.zeros(queries.shape[0], np.bool_)
    if points.shape[0] == 0:
        return near
    found = means_within(queries, points, np.zeros(points.shape[0]), radius)
    for q in range(queries.shape[0]):
        near[q] = not np.isnan(found[q])
    return near


@loop
def over_local_planes(
    chosen: NDArray[np.int64], points: NDArray[np.float64], values: NDArray[np.float64], width: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What each chosen point's value has over a plane fitted to its neighbours' with Gaussian weights.

    `points` (n, 3) lie flat (third coordinate 0); weights are exp(−π d² / width²), cut off at 1.3 widths. Also returns
    the factor by which independent noise of the values comes through.
    """
    reach = 1.3 * width
    order, starts, corner, shape = cells_of(points, reach)
    over, through = np.full(chosen.shape[0], np.nan), np.ones(chosen.shape[0])
    for q in range(chosen.shape[0]):
        here = points[chosen[q]]
        span = span_of(here, corner, shape, reach)
        moments, pulls, squares = np.zeros((3, 3)), np.zeros(3), 0.0
        for x in range(span[0, 0], span[0, 1]):
            for y in range(span[1, 0], span[1, 1]):
                row = (x * shape[1] + y) * shape[2]
                for j in range(starts[row + span[2, 0]], starts[row + span[2, 1]]):
                    i = order[j]
                    u, v = points[i, 0] - here[0], points[i, 1] - here[1]
                    away = u * u + v * v
                    if away > reach * reach:
                        continue
                    weight = np.exp(-np.pi * away / (width * width))
                    terms = (1.0, u, v)
                    for a in range(3):
                        pulls[a] += weight * terms[a] * values[i]
                        for b in range(3):
                            moments[a, b] += weight * terms[a] * terms[b]
                    squares += weight * weight
        total = moments[0, 0]
        # Cramer's rule: the plane's height here is all that is asked for
        first = moments[1, 1] * moments[2, 2] - moments[1, 2] * moments[2, 1]
        second = moments[2, 1] * moments[0, 2] - moments[0, 1] * moments[2, 2]
        third = moments[0, 1] * moments[1, 2] - moments[1, 1] * moments[0, 2]
        determinant = total * first + moments[1, 0] * second + moments[2, 0] * third
        if determinant > 1e-9 * total**3 * width**4:
            height = (pulls[0] * first + pulls[1] * second + pulls[2] * third) / determinant
            over[q] = values[chosen[q]] - height
            through[q] = np.sqrt(max(1.0 - 2.0 / total + squares / (total * total), 0.0))
    return over, through
