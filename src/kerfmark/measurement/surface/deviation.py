"""How far the piece departs from its target, positive where material is left."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.grids import sample, sample_with_gradient
from kerfmark.measurement.budget import effective_count, measured, rooted, shared_u_mm, unmeasured
from kerfmark.measurement.surface.bench import Bench, CutFaces, faces_of
from kerfmark.measurement.surface.deconvolved import without_noise
from kerfmark.records import Component, FloatArray, Grid, IntArray, Reading, Status, Surface, Witness
from kerfmark.statistics.intervals import normal_quantile

__all__ = ["STATS", "deviation_mm", "weighted_quantile"]

STATS = ("p01", "p05", "p50", "p95", "p99", "rms")
CELL_MM = 0.3
BESIDE = 0.2 * np.sqrt(5.0)
"""Part of a cell by which the cells stand off the origin: planes at round places, as targets have, do not lie along their faces."""
FARTHEST_MM = 20.0
MOST_UNSEEN = 0.05
AROUND = 0.05
"""Part of the area on each side of a percentile whose normals say how it answers to the alignment."""
LEFT_OF_NOISE = 0.3
"""Uncertainty of what noise adds to a percentile, as part of what was taken off: what is left of it, and noise known to a fifth."""
NOISE_KNOWN = 0.4
"""Part to which a noise variance is known, the noise being known to a fifth."""
WITHIN = 3.0
"""Standard deviations of noise and alignment within which a cell may come to stand where a percentile does."""
TAKEN_OFF, SPREAD = "noise taken off", "spread by alignment and trueness"


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Deviation averaged over 0.3 mm: deviation, area and mean motion (6,) of each cell, and its middle."""

    deviation_mm: FloatArray
    areas: FloatArray
    motion: FloatArray
    middles: FloatArray

    def moved_mm2(self, covariance: FloatArray) -> FloatArray:
        """(n,) variance of what an alignment of this covariance (6, 6) moves each cell by along its normal."""
        return np.asarray(np.maximum(((self.motion @ covariance) * self.motion).sum(axis=1), 0.0))


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
    cells = _averaged(faces, *_signed(faces.middles, target, grid))
    reason = f"{unseen:.1%} of the planned cut was not scanned" if unseen > 0.002 else None
    own = _own_noise_mm(bench, cells)
    clean = without_noise(cells.deviation_mm, cells.areas, own)
    found = {s: _percentile(bench, cells, own, clean, 0.01 * int(s[1:])) for s in STATS if s != "rms"}
    found["rms"] = _rms(bench, cells, own)
    return tuple(_reading(cells, stat, *found[stat], reason) for stat in STATS)


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


def _signed(points: FloatArray, target: Surface, grid: Grid) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Signed distances to the target, read off the grid and beyond its band measured; the nearest points of the target and the way out there."""
    distance, out = sample_with_gradient(grid, points)
    feet = points - distance[:, None] * out
    beyond = np.abs(distance) > 0.95 * float(np.abs(grid.values).max())
    if beyond.any():
        feet[beyond], exact, _ = ClosestPoint(target).query(points[beyond], max_distance_mm=FARTHEST_MM)
        distance[beyond] = np.sign(distance[beyond]) * np.minimum(exact, FARTHEST_MM)
        out[beyond] = (points[beyond] - feet[beyond]) / distance[beyond, None]
    return distance, feet, out


def _averaged(faces: CutFaces, deviation: FloatArray, feet: FloatArray, out: FloatArray) -> Cells:
    """Means over cubes of 0.3 mm, weighted by area; what is held against a wall and against a floor of the target stays apart.

    The cubes and the way out are the target's: cubes of the piece itself would part what noise has lifted from what it has
    lowered, wherever a surface runs along their faces. The side of a lump that stands upright on the target is parted by height.
    """
    place = np.floor(feet / CELL_MM + BESIDE).astype(np.int64)
    place -= place.min(axis=0)
    size = place.max(axis=0) + 1
    steepest = np.argmax(np.abs(out), axis=1)
    side = 2 * steepest + (out[np.arange(len(steepest)), steepest] > 0.0)
    cubes = (place[:, 0] * size[1] + place[:, 1]) * size[2] + place[:, 2]
    cell = _parted(np.unique(6 * cubes + side, return_inverse=True)[1].astype(np.int32), deviation)
    areas: FloatArray = np.bincount(cell, faces.areas).astype(float)

    def mean(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(cell, faces.areas * values) / areas)

    return Cells(
        mean(deviation),
        areas,
        np.column_stack([mean(column) for column in faces.motion.T]),
        np.column_stack([mean(column) for column in faces.middles.T]),
    )


def _parted(cell: IntArray, deviation: FloatArray) -> IntArray:
    """Cells whose deviations reach over more than one and a half cubes cut into equal parts about as high as a cube."""
    low, high = np.full(cell.max() + 1, np.inf), np.full(cell.max() + 1, -np.inf)
    np.minimum.at(low, cell, deviation)
    np.maximum.at(high, cell, deviation)
    parts = np.maximum(np.rint((high - low) / CELL_MM), 1.0)
    step = np.maximum((high - low) / parts, 1e-9)
    floor = np.minimum((deviation - low[cell]) / step[cell], parts[cell] - 1.0).astype(np.int64)
    found: IntArray = np.unique(cell * int(parts.max()) + floor, return_inverse=True)[1].astype(np.int32)
    return found


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


def _reading(
    cells: Cells, stat: str, value: float, weights: FloatArray, budget: tuple[Component, ...], reason: str | None
) -> Reading:
    chosen = cells.middles if stat == "rms" else cells.middles[weights > 0.0]
    witness = Witness("patch", points_mm=chosen[:: max(1, len(chosen) // 400)])
    return measured("surface.deviation_mm", value, unit="mm", stat=stat, budget=budget, witness=witness, reason=reason)


def _own_noise_mm(bench: Bench, cells: Cells) -> FloatArray:
    """What is left of the source's noise in each cell's mean."""
    each_mm2 = 1e-2 * effective_count(edge_mm=bench.edge_mm, area_mm2=100.0)
    return np.asarray(1e-3 * bench.piece.noise_um / np.sqrt(np.maximum(each_mm2 * cells.areas, 1.0)))


def _linear(bench: Bench, cells: Cells, own: FloatArray, weights: FloatArray) -> tuple[Component, ...]:
    """Of a value that answers to the cells' deviations by these weights."""
    sensitivity = weights @ cells.motion
    square = float(sensitivity @ bench.piece.alignment.covariance @ sensitivity)
    return (
        Component("surface noise", float(np.sqrt((weights**2 * own**2).sum()))),
        Component("trueness", _shared_mm(bench, cells, weights)),
        Component("alignment", math.sqrt(max(0.0, square))),
    )


def _apart_mm(bench: Bench, cells: Cells, own: FloatArray, value: float) -> float:
    """How far apart the alignment moves the cells that may come to stand at a value: opposite walls their own ways, a floor as one."""
    covariance = bench.piece.alignment.covariance
    may = np.abs(cells.deviation_mm - value) < WITHIN * np.sqrt(cells.moved_mm2(covariance) + own**2)
    size = np.where(may, cells.areas, 0.0) / max(float(cells.areas[may].sum()), 1e-12)
    apart = cells.motion - size @ cells.motion
    return math.sqrt(max(0.0, float(np.sum((size[:, None] * apart).T @ apart * covariance))))


def _shared_mm(bench: Bench, cells: Cells, weights: FloatArray) -> float:
    """A source's smooth error over the cells a value rests on."""
    return shared_u_mm(1e-3 * bench.piece.trueness_um, cells.middles, weights)


Statistic: TypeAlias = tuple[float, FloatArray, tuple[Component, ...]]
"""A value, how it answers to each cell's deviation, and its budget."""


def _rms(bench: Bench, cells: Cells, own: FloatArray) -> Statistic:
    part = cells.areas / cells.areas.sum()
    noise = float((part * own**2).sum())
    square = float((part * cells.deviation_mm**2).sum()) - noise
    root = math.sqrt(max(square, 0.0))
    weights = part * cells.deviation_mm / max(math.sqrt(square + noise), 1e-12)
    apart = float(part @ cells.moved_mm2(bench.piece.alignment.covariance))
    linear = (Component(line.source, 2.0 * root * line.u) for line in _linear(bench, cells, own, weights))
    taken_off, spread = (
        Component(TAKEN_OFF, NOISE_KNOWN * noise),
        Component(SPREAD, apart + 1e-6 * bench.piece.trueness_um**2),
    )
    value, budget = rooted(square, (*linear, taken_off, spread))
    return value, weights, budget


def _percentile(
    bench: Bench, cells: Cells, own: FloatArray, clean: tuple[FloatArray, FloatArray], part: float
) -> Statistic:
    blurred = weighted_quantile(cells.deviation_mm, cells.areas, part)
    value = weighted_quantile(*clean, part)
    low, high = (
        weighted_quantile(cells.deviation_mm, cells.areas, min(max(part + side, 0.0), 1.0))
        for side in (-AROUND, AROUND)
    )
    near = (cells.deviation_mm >= low) & (cells.deviation_mm <= high)
    weights = np.where(near, cells.areas, 0.0)
    weights /= weights.sum()
    moved = math.hypot(_apart_mm(bench, cells, own, blurred), 1e-3 * bench.piece.trueness_um)
    steepness = 0.5 * math.hypot(1.0, normal_quantile(part))
    taken_off = Component(TAKEN_OFF, LEFT_OF_NOISE * abs(blurred - value))
    return (
        value,
        weights,
        (*_linear(bench, cells, own, weights), taken_off, Component(SPREAD, steepness * moved)),
    )
