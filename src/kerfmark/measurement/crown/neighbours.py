"""What the neighbouring teeth lost: each neighbour as scanned with the piece against its own scan from before."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.grids import sample_with_gradient
from kerfmark.kernels.neighbourhoods import means_within, near_any
from kerfmark.measurement.budget import measured, unmeasured
from kerfmark.measurement.crown.stump import Stump
from kerfmark.records import Component, FloatArray, IntArray, Reading, Surface, Witness

__all__ = ["SIDES", "NeighbourLoss", "damage_area", "damage_depth", "damage_volume", "loss_of"]

SIDES = ("mesial", "distal")
MEAN_RADIUS_MM = 0.15
ROUND_ABOUT_MM = 0.35
BASE_WITHIN_MM = 0.9
GRID_IS_EXACT_MM = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class NeighbourLoss:
    """What one neighbour lost: all zero and no points where nothing did."""

    depth_mm: float
    volume_mm3: float
    area_mm2: float
    points_mm: FloatArray
    deepest_mm: FloatArray
    u_depth_mm: float
    u_volume_mm3: float
    u_area_mm2: float


def damage_depth(stump: Stump) -> tuple[Reading, ...]:
    """Deepest loss of each neighbour, averaged over 0.3 mm."""
    return tuple(_reading(stump, side, "depth_mm") for side in SIDES)


def damage_volume(stump: Stump) -> tuple[Reading, ...]:
    """Volume each neighbour lost."""
    return tuple(_reading(stump, side, "volume_mm3") for side in SIDES)


def damage_area(stump: Stump) -> tuple[Reading, ...]:
    """Opening of the loss in each neighbour's old surface."""
    return tuple(_reading(stump, side, "area_mm2") for side in SIDES)


def _reading(stump: Stump, side: str, what: str) -> Reading:
    name, unit = f"crown.neighbour.damage_{what}", what.rpartition("_")[2]
    if side not in stump.prepared.neighbours:
        reason = f"the exercise has no {side} neighbour"
        return unmeasured(name, reason, unit=unit, where=side, status="not_applicable")
    loss = stump.neighbour_loss(side)
    if loss is None:
        return unmeasured(name, f"the piece came without a scan of its {side} neighbour", unit=unit, where=side)
    value = {"depth_mm": loss.depth_mm, "volume_mm3": loss.volume_mm3, "area_mm2": loss.area_mm2}[what]
    u = {"depth_mm": loss.u_depth_mm, "volume_mm3": loss.u_volume_mm3, "area_mm2": loss.u_area_mm2}[what]
    shape = "length" if what == "depth_mm" and loss.depth_mm > 0.0 else "patch"
    witness = Witness(shape, points_mm=loss.points_mm, segments_mm=loss.deepest_mm)  # type: ignore[arg-type]
    return measured(
        name, value, unit=unit, where=side, budget=(Component("surface noise and old surface", u),), witness=witness
    )


def loss_of(stump: Stump, side: str) -> NeighbourLoss | None:
    """Compare one neighbour with its own scan; None where the piece came without it."""
    scan = stump.piece.neighbours.get(side)
    if scan is None or not len(scan.faces):
        return None
    threshold = stump.cut_threshold_mm
    value, outward = sample_with_gradient(stump.prepared.neighbour_grids[side], scan.vertices_mm)
    depth = -value
    # Single points beyond 3 u are expected in a scan this size; only a mean over 0.3 mm beyond it is a loss.
    suspects = np.flatnonzero(depth > 0.7 * threshold)
    averaged = means_within(scan.vertices_mm[suspects], scan.vertices_mm, depth, MEAN_RADIUS_MM)
    lost = suspects[averaged > threshold]
    if not len(lost):
        return _nothing(stump)
    around = near_any(scan.vertices_mm, scan.vertices_mm[lost], ROUND_ABOUT_MM)
    beyond = (
        near_any(scan.vertices_mm, scan.vertices_mm[lost], BASE_WITHIN_MM)
        & ~around
        & (np.abs(depth) < GRID_IS_EXACT_MM)
    )
    base = float(depth[beyond].mean()) if np.count_nonzero(beyond) > 30 else 0.0
    _sharpen(stump.prepared.neighbours[side], scan, np.flatnonzero(around & (depth > GRID_IS_EXACT_MM)), depth, outward)
    return _summed(stump, scan, np.flatnonzero(around).astype(np.int32), depth - base, outward)


def _sharpen(old: Surface, scan: Surface, deep: NDArray[np.intp], depth: FloatArray, outward: FloatArray) -> None:
    """Replace depths beyond the grid's band by distances to the old surface itself, in place."""
    if not len(deep):
        return
    points = scan.vertices_mm[deep]
    low, high = points.min(axis=0) - 4.0, points.max(axis=0) + 4.0
    inside = ((old.vertices_mm > low) & (old.vertices_mm < high)).all(axis=1)
    nearby = Surface(old.vertices_mm, np.ascontiguousarray(old.faces[inside[old.faces].any(axis=1)]))
    if not len(nearby.faces):
        return
    closest, distance, _ = ClosestPoint(nearby).query(points, max_distance_mm=4.0)
    found = np.isfinite(distance) & (distance > 1e-6)
    depth[deep[found]] = distance[found]
    outward[deep[found]] = (closest[found] - points[found]) / distance[found][:, None]


def _summed(stump: Stump, scan: Surface, around: IntArray, depth: FloatArray, outward: FloatArray) -> NeighbourLoss:
    """Volume, opening and deepest mean over the faces round what was lost."""
    inside = np.zeros(len(scan.vertices_mm), bool)
    inside[around] = True
    faces = scan.faces[inside[scan.faces].all(axis=1)]
    a, b, c = (scan.vertices_mm[faces[:, i]] for i in range(3))
    across = np.maximum((0.5 * np.cross(b - a, c - a) * _unit(outward[faces].mean(axis=1))).sum(axis=1), 0.0)
    depths = depth[faces]
    volume = float((across * depths.mean(axis=1)).sum())
    averaged = means_within(scan.vertices_mm[around], scan.vertices_mm[around], depth[around], MEAN_RADIUS_MM)
    deepest = int(np.argmax(averaged))
    area, u_area = _opening(across, depths, stump.cut_threshold_mm)
    bottom = scan.vertices_mm[around[deepest]]
    segment = np.array([[bottom, bottom + averaged[deepest] * _unit(outward[around[deepest]][None])[0]]])
    noise = stump.noise_mm / math.sqrt(max(math.pi * MEAN_RADIUS_MM**2 / (0.87 * stump.edge_mm**2), 1.0))
    # The deepest of many means lies above the truth by about as much as one mean is uncertain; a mean also blunts a tip.
    u_depth = math.hypot(0.9 * noise, 0.002, 0.3 * stump.shared_mm)
    total = float(across.sum())
    u_volume = total * math.hypot(stump.noise_mm / math.sqrt(max(len(around), 1)), 0.0004, 0.3 * stump.shared_mm)
    return NeighbourLoss(
        float(averaged[deepest]), volume, area, scan.vertices_mm[around[depth[around] > stump.cut_threshold_mm]],
        segment, u_depth, u_volume, u_area,
    )  # fmt: skip


def _opening(across: FloatArray, depths: FloatArray, threshold: float) -> tuple[float, float]:
    """Area of the old surface that is open, and its u: areas deeper than one and two thresholds, drawn out to depth 0."""
    one, two = (float((across * _share_above(depths, t)).sum()) for t in (threshold, 2.0 * threshold))
    area = one + min(max(one - two, 0.0), one)
    return area, max(0.05 * (area - one), 0.01 * math.sqrt(area)) + 0.003


def _share_above(values: FloatArray, level: float) -> FloatArray:
    """Share of each triangle on which a value that is linear over it exceeds a level; values (n, 3) at the corners."""
    low, middle, high = np.sort(values, axis=1).T
    with np.errstate(divide="ignore", invalid="ignore"):
        tip = (high - level) ** 2 / ((high - low) * (high - middle))
        foot = 1.0 - (level - low) ** 2 / ((high - low) * (middle - low))
    share = np.where(level >= middle, tip, foot)
    return np.where(level >= high, 0.0, np.where(level <= low, 1.0, np.clip(np.nan_to_num(share), 0.0, 1.0)))


def _unit(vectors: FloatArray) -> FloatArray:
    return np.asarray(vectors / np.maximum(np.linalg.norm(vectors, axis=1, keepdims=True), 1e-12))


def _nothing(stump: Stump) -> NeighbourLoss:
    """No loss: what may still hide below the threshold is the uncertainty."""
    none = np.empty((0, 3))
    least = stump.cut_threshold_mm / 3.0
    return NeighbourLoss(0.0, 0.0, 0.0, none, np.empty((0, 2, 3)), least, 0.1 * least, 0.1)
