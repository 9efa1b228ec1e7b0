"""How far the piece departs from its target, positive where material is left."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.grids import sample
from kerfmark.measurement.budget import effective_count, measured, shared_u_mm, unmeasured
from kerfmark.measurement.surface.bench import Bench, CutFaces, faces_of
from kerfmark.records import Component, FloatArray, Grid, Reading, Status, Surface, Witness
from kerfmark.statistics.intervals import normal_quantile

__all__ = ["STATS", "deviation_mm", "weighted_quantile"]

STATS = ("p01", "p05", "p50", "p95", "p99", "rms")
CELL_MM = 0.3
FARTHEST_MM = 20.0
MOST_CELLS = 150
MOST_UNSEEN = 0.05
AROUND = 0.05
"""Part of the area on each side of a percentile whose normals say how it answers to the alignment."""


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Deviation averaged over 0.3 mm: deviation, area and mean motion (6,) of each cell, and its middle."""

    deviation_mm: FloatArray
    areas: FloatArray
    motion: FloatArray
    middles: FloatArray


def deviation_mm(bench: Bench) -> tuple[Reading, ...]:
    """`surface.deviation_mm`: percentiles over the area and root mean square of the deviation from the target."""
    target, grid = bench.prepared.target, bench.prepared.target_grid
    if target is None or grid is None:
        return _none("the exercise has no target surface", status="not_applicable")
    faces = faces_of(bench.piece.surface, bench.is_cut | _still_to_cut(bench, grid))
    if not len(faces.areas):
        return _none("nothing is cut and nothing was planned to be")
    unseen = _unseen(bench)
    if unseen > MOST_UNSEEN:
        return _none(f"{unseen:.0%} of the planned cut was not scanned")
    cells = _averaged(faces, _signed(faces.middles, target, grid))
    reason = f"{unseen:.1%} of the planned cut was not scanned" if unseen > 0.002 else None
    return tuple(_reading(bench, cells, stat, reason) for stat in STATS)


def _none(reason: str, *, status: Status = "not_measurable") -> tuple[Reading, ...]:
    return tuple(unmeasured("surface.deviation_mm", reason, unit="mm", stat=stat, status=status) for stat in STATS)


def _still_to_cut(bench: Bench, grid: Grid) -> np.ndarray:
    """Faces that stand clear of the target although they are not cut: lumps and areas that were missed."""
    surface = bench.piece.surface
    outside = sample(grid, surface.vertices_mm)
    on_subject = np.abs(bench.depth_mm) < bench.least_mm
    chosen = (outside > bench.least_mm) & on_subject
    return np.asarray(chosen[surface.faces].all(axis=1))


def _unseen(bench: Bench) -> float:
    """Part of the planned cut, seen from above, where the scan has no surface."""
    if bench.target_columns is None or bench.piece_columns.is_closed:
        return 0.0
    planned = bench.subject_columns.top - bench.target_columns.top > bench.least_mm
    return float(np.isnan(bench.piece_columns.top[planned]).mean()) if planned.any() else 0.0


def _signed(points: FloatArray, target: Surface, grid: Grid) -> FloatArray:
    """Signed distance to the target: read off the grid, and beyond its band measured."""
    distance = sample(grid, points)
    beyond = np.abs(distance) > 0.95 * float(np.abs(grid.values).max())
    if beyond.any():
        exact = ClosestPoint(target).query(points[beyond], max_distance_mm=FARTHEST_MM)[1]
        distance[beyond] = np.sign(distance[beyond]) * np.minimum(exact, FARTHEST_MM)
    return distance


def _averaged(faces: CutFaces, deviation: FloatArray) -> Cells:
    """Means over cubes of 0.3 mm, weighted by area; a wall and a floor that meet in a cube stay apart."""
    place = np.floor(faces.middles / CELL_MM).astype(np.int64)
    place -= place.min(axis=0)
    size = place.max(axis=0) + 1
    steepest = np.argmax(np.abs(faces.normals), axis=1)
    way = 2 * steepest + (faces.normals[np.arange(len(steepest)), steepest] > 0.0)
    cubes = (place[:, 0] * size[1] + place[:, 1]) * size[2] + place[:, 2]
    _, cell = np.unique(6 * cubes + way, return_inverse=True)
    areas: FloatArray = np.bincount(cell, faces.areas).astype(float)

    def mean(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(cell, faces.areas * values) / areas)

    return Cells(
        mean(deviation),
        areas,
        np.column_stack([mean(column) for column in faces.motion.T]),
        np.column_stack([mean(column) for column in faces.middles.T]),
    )


def weighted_quantile(values: FloatArray, weights: FloatArray, part: float) -> float:
    """The value with this part of the weight below it, between the middles of the weights.

    Examples
    --------
    >>> weighted_quantile(np.array([3.0, 1.0, 2.0]), np.ones(3), 0.5)
    2.0
    """
    order = np.argsort(values)
    sorted_weights = weights[order]
    ranks = (np.cumsum(sorted_weights) - 0.5 * sorted_weights) / sorted_weights.sum()
    return float(np.interp(part, ranks, values[order]))


def _reading(bench: Bench, cells: Cells, stat: str, reason: str | None) -> Reading:
    value, weights, spread = _rms(cells) if stat == "rms" else _percentile(cells, 0.01 * int(stat[1:]))
    sensitivity = weights @ cells.motion
    noise = 1e-3 * bench.piece.noise_um
    cell_noise = noise / np.sqrt(effective_count(edge_mm=bench.edge_mm, area_mm2=float(np.median(cells.areas))))
    own_way = math.hypot(float(cell_noise), _shake_mm(bench, cells, weights), 1e-3 * bench.piece.trueness_um)
    budget = (
        Component("surface noise", float(cell_noise * np.sqrt((weights**2).sum()))),
        Component("spread by noise, alignment and trueness", spread(own_way)),
        Component("trueness", _shared_mm(bench, cells, weights)),
        Component(
            "alignment", float(np.sqrt(max(0.0, float(sensitivity @ bench.piece.alignment.covariance @ sensitivity))))
        ),
    )
    chosen = cells.middles if stat == "rms" else cells.middles[weights > 0.0]
    witness = Witness("patch", points_mm=chosen[:: max(1, len(chosen) // 400)])
    return measured("surface.deviation_mm", value, unit="mm", stat=stat, budget=budget, witness=witness, reason=reason)


def _shake_mm(bench: Bench, cells: Cells, weights: FloatArray) -> float:
    """How far the alignment moves the cells a value rests on, each its own way: opposite walls move apart."""
    size = np.abs(weights) / max(float(np.abs(weights).sum()), 1e-12)
    square = np.einsum("ni,ij,nj,n->", cells.motion, bench.piece.alignment.covariance, cells.motion, size)
    return math.sqrt(max(0.0, float(square)))


def _shared_mm(bench: Bench, cells: Cells, weights: FloatArray) -> float:
    """A source's smooth error over the cells a value rests on."""
    some = np.flatnonzero(weights)
    some = some[:: max(1, len(some) // MOST_CELLS)]
    share = weights[some] * float(weights.sum()) / max(float(weights[some].sum()), 1e-12)
    return shared_u_mm(1e-3 * bench.piece.trueness_um, cells.middles[some], share)


Statistic: TypeAlias = tuple[float, FloatArray, Callable[[float], float]]
"""A value, how it answers to each cell's deviation, and what the cells' noise may add to it by widening the spread."""


def _rms(cells: Cells) -> Statistic:
    part = cells.areas / cells.areas.sum()
    value = float(np.sqrt((part * cells.deviation_mm**2).sum()))
    weights = part * cells.deviation_mm / max(value, 1e-12)
    return value, weights, lambda noise: value - math.sqrt(max(0.0, value**2 - noise**2))


def _percentile(cells: Cells, part: float) -> Statistic:
    value = weighted_quantile(cells.deviation_mm, cells.areas, part)
    low, high = (
        weighted_quantile(cells.deviation_mm, cells.areas, min(max(part + side, 0.0), 1.0))
        for side in (-AROUND, AROUND)
    )
    near = (cells.deviation_mm >= low) & (cells.deviation_mm <= high)
    weights = np.where(near, cells.areas, 0.0)
    total = float(weights.sum())
    steepness = 0.5 * math.hypot(1.0, normal_quantile(part))
    return value, weights / total, lambda noise: steepness * noise
