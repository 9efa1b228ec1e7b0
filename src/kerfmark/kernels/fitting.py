"""Fits to sections: a straight line, and a line that runs through an arc into a second line (a fillet)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop
from kerfmark.kernels.solving import solve_positive

__all__ = ["fillet_fit", "fillet_residuals", "total_least_squares"]


@loop
def total_least_squares(points: NDArray[np.float64]) -> tuple[float, float, float, float, float]:
    """Line through (n, 2) points: a point on it (x, y), its unit direction (x, y), the root mean square off it."""
    n = points.shape[0]
    mean_x, mean_y = points[:, 0].mean(), points[:, 1].mean()
    xx = xy = yy = 0.0
    for i in range(n):
        x, y = points[i, 0] - mean_x, points[i, 1] - mean_y
        xx += x * x
        xy += x * y
        yy += y * y
    half_turn = 0.5 * np.arctan2(2.0 * xy, xx - yy)
    along_x, along_y = np.cos(half_turn), np.sin(half_turn)
    across = xx * along_y * along_y - 2.0 * xy * along_x * along_y + yy * along_x * along_x
    return mean_x, mean_y, along_x, along_y, np.sqrt(max(across, 0.0) / n)


@loop
def fillet_residuals(points: NDArray[np.float64], shape: NDArray[np.float64], residuals: NDArray[np.float64]) -> None:
    """Signed distance of (n, 2) points from line, arc and line, written into `residuals`; positive on the arc's side.

    `shape` is (lean, offset, start, radius, sweep): the first line has direction w = (−sin lean, cos lean) and normal
    n = (cos lean, sin lean), n · p = offset; the arc leaves it at w · p = start and turns through `sweep`.
    """
    lean, offset, start, radius, sweep = shape[0], shape[1], shape[2], shape[3], shape[4]
    cos_lean, sin_lean = np.cos(lean), np.sin(lean)
    cos_sweep, sin_sweep = np.cos(sweep), np.sin(sweep)
    for i in range(points.shape[0]):
        x, y = points[i, 0], points[i, 1]
        inward = radius - (cos_lean * x + sin_lean * y - offset)
        down = start - (cos_lean * y - sin_lean * x)
        if down <= 0.0:
            residuals[i] = radius - inward
        elif np.arctan2(down, inward) >= sweep:
            residuals[i] = radius - (inward * cos_sweep + down * sin_sweep)
        else:
            residuals[i] = radius - np.hypot(inward, down)


@loop
def fillet_fit(
    points: NDArray[np.float64],
    first_guess: NDArray[np.float64],
    lowest: NDArray[np.float64],
    highest: NDArray[np.float64],
) -> tuple[NDArray[np.float64], float]:
    """Least-squares shape (see `fillet_residuals`) inside bounds, and its root mean square; Levenberg–Marquardt.

    Where a parameter's bounds are the same it is held there.
    """
    n, k = points.shape[0], 5
    shape = np.minimum(np.maximum(first_guess, lowest), highest)
    here, there = np.empty(n), np.empty(n)
    slopes, normal, pull, step_back = np.empty((n, k)), np.empty((k, k)), np.empty(k), np.empty(k)
    trial, trial_cost = shape, np.inf
    fillet_residuals(points, shape, here)
    cost, damping = (here * here).sum(), 1e-3
    for _ in range(40):
        for j in range(k):
            if lowest[j] == highest[j]:
                slopes[:, j] = 0.0
                continue
            step = 1e-6 if shape[j] + 1e-6 <= highest[j] else -1e-6
            moved = shape.copy()
            moved[j] += step
            fillet_residuals(points, moved, there)
            slopes[:, j] = (there - here) / step
        for i in range(k):
            pull[i] = (slopes[:, i] * here).sum()
            for j in range(i + 1):
                normal[i, j] = normal[j, i] = (slopes[:, i] * slopes[:, j]).sum()
        better = False
        for _ in range(8):
            damped = normal.copy()
            for j in range(k):
                damped[j, j] = normal[j, j] * (1.0 + damping) + 1e-9
            if not solve_positive(damped, pull, step_back):
                damping *= 4.0
                continue
            trial = np.minimum(np.maximum(shape - step_back, lowest), highest)
            fillet_residuals(points, trial, there)
            trial_cost = (there * there).sum()
            if trial_cost < cost:
                better = True
                break
            damping *= 4.0
        if not better:
            break
        gained = cost - trial_cost
        shape, cost, damping = trial, trial_cost, max(damping * 0.25, 1e-9)
        here[:] = there
        if gained <= 1e-7 * cost:
            break
    return shape, np.sqrt(cost / n)
