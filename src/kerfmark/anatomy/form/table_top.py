"""The chewing surface or incisal edge: a height over (x, y) built of cusps, ridges, grooves and pits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kerfmark.anatomy.form.body import Body
from kerfmark.anatomy.form.curves import along_path, smooth_step, softened
from kerfmark.anatomy.form.tables import Cusp, Groove, Pit, Ridge, Shape
from kerfmark.records import FloatArray

__all__ = ["TableTop", "make_table_top"]

STEP_MM = 0.1
MARGIN_MM = 0.8
BLEND_MM = 0.3
BEND_PER_MM = 0.08
OUTER_RIDGED, INNER_RIDGED = 0.35, 1.5
"""How a cusp falls between its four ridges: 0 like a cone, 1 like a pyramid, more with hollows beside the ridges."""


@dataclass(frozen=True, slots=True, eq=False)
class TableTop:
    """`heights` (nx, ny) over the grid with origin `origin_mm` and step `STEP_MM`, mm."""

    origin_mm: FloatArray
    heights: FloatArray


def make_table_top(body: Body, shape: Shape, *, top_mm: float) -> TableTop:
    """The height map of one tooth whose highest point would lie at `top_mm`."""
    x0, x1, y0, y1 = body.box_mm
    origin = np.array([x0, y0]) - MARGIN_MM
    counts = np.ceil((np.array([x1, y1]) + MARGIN_MM - origin) / STEP_MM).astype(int) + 1
    grid = origin + STEP_MM * np.stack(np.meshgrid(*(np.arange(n) for n in counts), indexing="ij"), axis=-1)
    drop = _raised(grid, body, shape)
    drop = drop + sum((_carved(grid, body, g) for g in shape.grooves), np.zeros(counts))
    drop = drop + sum((_hollowed(grid, body, p) for p in shape.pits), np.zeros(counts))
    drop = drop + sum((_secondary(grid, body, c) for c in shape.cusps if c.secondary > 0), np.zeros(counts))
    drop = softened(softened(drop, 1.0).T, 1.0).T
    return TableTop(origin, np.ascontiguousarray(top_mm - drop))


def _smooth_min(a: FloatArray, b: FloatArray, k: float) -> FloatArray:
    overlap = np.maximum(k - np.abs(a - b), 0.0)
    return np.minimum(a, b) - overlap**2 / (4 * k)


def _raised(grid: FloatArray, body: Body, shape: Shape) -> FloatArray:
    parts = [_cusp_drop(grid, body, c) for c in shape.cusps] + [_ridge_drop(grid, body, r) for r in shape.ridges]
    drop = parts[0]
    for part in parts[1:]:
        drop = _smooth_min(drop, part, BLEND_MM)
    return drop


def _soft_abs(d: FloatArray, radius: float) -> FloatArray:
    return np.sqrt(d * d + radius * radius) - radius


def _cusp_drop(grid: FloatArray, body: Body, cusp: Cusp) -> FloatArray:
    mesial, distal, inner, outer = cusp.slopes
    away = grid - body.at(np.array(cusp.at))
    turn = np.radians(cusp.turn)
    dx = away[..., 0] * np.cos(turn) - away[..., 1] * np.sin(turn)
    dy = away[..., 0] * np.sin(turn) + away[..., 1] * np.cos(turn)
    outward = 1.0 if cusp.at[1] >= 0 else -1.0
    dy = dy + BEND_PER_MM * outward * dx * dx  # its mesial and distal ridges bend round the table
    along = np.where(dx > 0, mesial, distal) * _soft_abs(dx, cusp.round)
    across = np.where(dy * outward > 0, outer, inner) * _soft_abs(dy, cusp.round)
    ridged = OUTER_RIDGED + (INNER_RIDGED - OUTER_RIDGED) * smooth_step(0.5 - dy * outward / 1.2)
    fall = np.sqrt(along**2 + across**2 + 2.0 * ridged * along * across)
    return cusp.drop + fall * (1.0 + cusp.swell * fall)


def _secondary(grid: FloatArray, body: Body, cusp: Cusp) -> FloatArray:
    """The two grooves that part a triangular ridge from the slopes beside it, running down towards the fossa."""
    inward = -1.0 if cusp.at[1] >= 0 else 1.0
    tip, turn = body.at(np.array(cusp.at)), np.radians(cusp.turn)
    axes = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    cut = np.zeros(grid.shape[:2])
    for side in (1.0, -1.0):
        path = np.array([[1.15, 0.35], [0.85, 0.95], [0.62, 1.75]]) * [side, inward]
        cut += _furrow(grid, tip + path @ axes, depth=cusp.secondary, width=0.17)
    return cut


def _from_path(grid: FloatArray, path: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Distance of each grid point from a polyline and how far along it (in segments) the nearest point lies."""
    best, place = np.full(grid.shape[:2], np.inf), np.zeros(grid.shape[:2])
    for i, (a, b) in enumerate(zip(path[:-1, :2], path[1:, :2], strict=True)):
        along = b - a
        t = np.clip(((grid - a) @ along) / (along @ along), 0.0, 1.0)
        distance = np.hypot(grid[..., 0] - a[0] - t * along[0], grid[..., 1] - a[1] - t * along[1])
        nearer = distance < best
        best, place = np.where(nearer, distance, best), np.where(nearer, i + t, place)
    return best, place


def _placed(path: tuple[tuple[float, ...], ...], body: Body, samples: int) -> FloatArray:
    rows = np.array(path, dtype=float)
    return along_path(np.hstack([body.at(rows[:, :2]), rows[:, 2:]]), samples)


def _ridge_drop(grid: FloatArray, body: Body, ridge: Ridge) -> FloatArray:
    path = _placed(ridge.path, body, 13)
    distance, place = _from_path(grid, path)
    crest = np.interp(place, np.arange(len(path)), path[:, 2])
    middle = body.at(np.zeros(2))
    foot = np.stack([np.interp(place, np.arange(len(path)), path[:, axis]) for axis in (0, 1)], axis=-1)
    outside = ((grid - foot) * (foot - middle)).sum(axis=-1)
    slope = ridge.slope + (ridge.outer - ridge.slope) * smooth_step(
        outside / (distance * np.hypot(*(foot - middle).transpose(2, 0, 1)) + 1e-6) + 0.5
    )
    return crest + slope * _soft_abs(distance, ridge.round)


def _carved(grid: FloatArray, body: Body, groove: Groove) -> FloatArray:
    return _furrow(grid, body.at(np.array(groove.path)), depth=groove.depth, width=groove.width)


def _furrow(grid: FloatArray, knots: FloatArray, *, depth: float, width: float) -> FloatArray:
    path = along_path(knots, 17)
    distance, place = _from_path(grid, path)
    ends = smooth_step(np.minimum(place, len(path) - 1 - place) / 3.0 + 0.25)
    return depth * ends * np.exp(-_soft_abs(distance, 0.06) / (0.75 * width))


def _hollowed(grid: FloatArray, body: Body, pit: Pit) -> FloatArray:
    away = grid - body.at(np.array(pit.at))
    return np.asarray(pit.depth * np.exp(-((away**2).sum(axis=-1)) / pit.radius**2))
