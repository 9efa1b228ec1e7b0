"""What the neighbouring teeth lost: each neighbour as scanned with the piece against its own scan from before."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.grids import sample_with_gradient
from kerfmark.geometry.mesh import even_edge_mm
from kerfmark.kernels.neighbourhoods import means_within, near_any
from kerfmark.measurement.budget import effective_count, measured, shared_u_mm, unmeasured
from kerfmark.measurement.measures import Measure
from kerfmark.records import Component, FloatArray, IntArray, Piece, Reading, Surface, Witness

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = ["SIDES", "Beside", "NeighbourLoss", "damage", "loss_of", "neighbour_measures"]

SIDES = ("mesial", "distal")
MEAN_RADIUS_MM = 0.15
ROUND_ABOUT_MM = 0.35
BASE_WITHIN_MM = 0.9
GRID_IS_EXACT_MM = 0.25
MANY_MEANS = 5.0
WITHIN_A_WAVE = 0.35
"""Of a smooth error of waves 4 mm and longer, how much differs between a spot and the ring 0.9 mm round it, at most."""
MESH_MM, LEAST_SEEN_MM = 0.005, 0.02
SHALLOW_PART, SHAPE_PART = 0.2, 0.3
LIKELY = 2.0
ONE_SIDED = 1.645
"""A loss that was not seen is not deeper than this many u, with 95 %."""


@dataclass(frozen=True, slots=True, eq=False)
class NeighbourLoss:
    """What one neighbour lost: all zero and no points where nothing did."""

    depth_mm: float
    volume_mm3: float
    area_mm2: float
    points_mm: FloatArray
    deepest_mm: FloatArray
    depth_budget: tuple[Component, ...]
    volume_budget: tuple[Component, ...]
    area_budget: tuple[Component, ...]


class Beside:
    """The neighbours as scanned with a piece, beside the exercise's own; what each lost is found once."""

    def __init__(self, piece: Piece, prepared: Prepared) -> None:
        self.piece, self.prepared = piece, prepared
        self.noise_mm, self.shared_mm = 1e-3 * piece.noise_um, 1e-3 * piece.trueness_um
        self._losses: dict[str, NeighbourLoss | None] = {}

    def loss(self, side: str) -> NeighbourLoss | None:
        """What a neighbour lost; None where the piece came without its scan."""
        if side not in self._losses:
            self._losses[side] = loss_of(self, side)
        return self._losses[side]


def neighbour_measures(family: str) -> tuple[Measure, ...]:
    """`<family>.neighbour.damage_depth_mm`, `…_volume_mm3`, `…_area_mm2`."""
    told = {
        "depth_mm": "Deepest loss of a neighbour against its own scan.",
        "volume_mm3": "Volume a neighbour lost.",
        "area_mm2": "Opening of the loss in a neighbour's old surface.",
    }
    return tuple(
        Measure(
            f"{family}.neighbour.damage_{what}", family, what.rpartition("_")[2], definition, Beside,
            partial(damage, family=family, what=what), SIDES,
        )
        for what, definition in told.items()
    )  # fmt: skip


def damage(beside: Beside, *, family: str, what: str) -> tuple[Reading, ...]:
    """What each neighbour lost: `depth_mm` (averaged over 0.3 mm), `volume_mm3` or `area_mm2`."""
    return tuple(_reading(beside, family, side, what) for side in SIDES)


def _reading(beside: Beside, family: str, side: str, what: str) -> Reading:
    name, unit = f"{family}.neighbour.damage_{what}", what.rpartition("_")[2]
    if side not in beside.prepared.neighbours:
        reason = f"the exercise has no {side} neighbour"
        return unmeasured(name, reason, unit=unit, where=side, status="not_applicable")
    loss = beside.loss(side)
    if loss is None:
        return unmeasured(name, f"the piece came without a scan of its {side} neighbour", unit=unit, where=side)
    value = {"depth_mm": loss.depth_mm, "volume_mm3": loss.volume_mm3, "area_mm2": loss.area_mm2}[what]
    budget = {"depth_mm": loss.depth_budget, "volume_mm3": loss.volume_budget, "area_mm2": loss.area_budget}[what]
    shape = "length" if what == "depth_mm" and loss.depth_mm > 0.0 else "patch"
    witness = Witness(shape, points_mm=loss.points_mm, segments_mm=loss.deepest_mm)  # type: ignore[arg-type]
    return measured(name, value, unit=unit, where=side, budget=budget, witness=witness)


def loss_of(beside: Beside, side: str) -> NeighbourLoss | None:
    """Compare one neighbour with its own scan; None where the piece came without it."""
    scan = beside.piece.neighbours.get(side)
    if scan is None or not len(scan.faces):
        return None
    value, outward = sample_with_gradient(beside.prepared.neighbour_grids[side], scan.vertices_mm)
    depth = -value
    least = least_seen_mm(beside, scan)
    lost = _lost(scan, depth, least_mm=least, noise_mm=beside.noise_mm)
    if not len(lost):
        return _nothing(least + ONE_SIDED * _mean_noise_mm(beside, scan))
    if least > LEAST_SEEN_MM:
        lost = _spread_out(scan, depth, lost, noise_mm=_mean_noise_mm(beside, scan))
    around = near_any(scan.vertices_mm, scan.vertices_mm[lost], ROUND_ABOUT_MM)
    beyond = (
        near_any(scan.vertices_mm, scan.vertices_mm[lost], BASE_WITHIN_MM)
        & ~around
        & (np.abs(depth) < GRID_IS_EXACT_MM)
    )
    base = float(depth[beyond].mean()) if np.count_nonzero(beyond) > 30 else 0.0
    _sharpen(
        beside.prepared.neighbours[side], scan, np.flatnonzero(around & (depth > GRID_IS_EXACT_MM)), depth, outward
    )
    counted = np.flatnonzero(around).astype(np.int32)
    return _summed(beside, scan, counted, depth - base, outward, np.flatnonzero(beyond).astype(np.int32))


def _mean_noise_mm(beside: Beside, scan: Surface) -> float:
    """Noise of a mean over 0.3 mm of a neighbour's scan."""
    count = effective_count(edge_mm=even_edge_mm(scan), area_mm2=math.pi * MEAN_RADIUS_MM**2)
    return beside.noise_mm / math.sqrt(count)


def least_seen_mm(beside: Beside, scan: Surface) -> float:
    """Depth from which a mean over 0.3 mm, against the surface round it, is a loss.

    Five standard deviations of such a mean, as there are a thousand of them on a tooth; of a smooth error in waves of
    4 mm and longer what can change within 0.9 mm; and what a scan's triangles do.
    """
    least = MANY_MEANS * _mean_noise_mm(beside, scan) + WITHIN_A_WAVE * beside.shared_mm + MESH_MM
    return max(least, LEAST_SEEN_MM)


def _lost(scan: Surface, depth: FloatArray, *, least_mm: float, noise_mm: float) -> NDArray[np.intp]:
    """Vertices about which a mean over 0.3 mm lies deeper than the ring of surface round it.

    Against the ring, for what shifts, turns or bends the whole neighbour by a hundredth is no loss. The ring is the mean
    within 0.9 mm less that within 0.35 mm, by their areas.
    """
    points = scan.vertices_mm
    usual = float(np.median(depth[:: max(1, len(depth) // 2000)]))
    suspects = np.flatnonzero(depth - usual > 0.6 * least_mm)
    near = means_within(points[suspects], points, depth, MEAN_RADIUS_MM)
    suspects, near = suspects[near - usual > 0.6 * least_mm], near[near - usual > 0.6 * least_mm]
    inner, outer = (means_within(points[suspects], points, depth, r) for r in (ROUND_ABOUT_MM, BASE_WITHIN_MM))
    ring = (outer * BASE_WITHIN_MM**2 - inner * ROUND_ABOUT_MM**2) / (BASE_WITHIN_MM**2 - ROUND_ABOUT_MM**2)
    lost = near - ring > least_mm
    few = noise_mm / np.sqrt(_points_within(points, points[suspects[lost]]))
    lost[lost] = (near - ring)[lost] > MANY_MEANS * few + MESH_MM
    return suspects[lost]


def _spread_out(scan: Surface, depth: FloatArray, lost: NDArray[np.intp], *, noise_mm: float) -> NDArray[np.intp]:
    """What was lost with what lies less deep beside it, which noise hides until it is known where to look."""
    points = scan.vertices_mm
    beside = np.flatnonzero(near_any(points, points[lost], ROUND_ABOUT_MM))
    outside = near_any(points, points[lost], BASE_WITHIN_MM + ROUND_ABOUT_MM)
    outside &= ~near_any(points, points[lost], BASE_WITHIN_MM)
    level = float(np.mean(depth[outside])) if np.count_nonzero(outside) > 30 else float(np.median(depth))
    near = means_within(points[beside], points, depth, MEAN_RADIUS_MM)
    return np.union1d(lost, beside[near - level > LIKELY * noise_mm])


def _points_within(points: FloatArray, queries: FloatArray) -> IntArray:
    """How many points each mean over 0.3 mm is of: where triangles are long it is few, and the mean as noisy as those."""
    beside = points[near_any(points, queries, MEAN_RADIUS_MM)]
    from scipy.spatial import KDTree  # a fifth of a second to import, and only pieces with a nick come here

    counts = KDTree(beside).query_ball_point(queries, MEAN_RADIUS_MM, return_length=True)
    return np.maximum(np.asarray(counts, np.int32), 1)


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


def _summed(
    beside: Beside, scan: Surface, around: IntArray, depth: FloatArray, outward: FloatArray, beyond: IntArray
) -> NeighbourLoss:
    """Volume, opening and deepest mean over the faces round what was lost; `beyond` points say where depth begins."""
    inside = np.zeros(len(scan.vertices_mm), bool)
    inside[around] = True
    faces = scan.faces[inside[scan.faces].all(axis=1)]
    a, b, c = (scan.vertices_mm[faces[:, i]] for i in range(3))
    # Signed: noise folds triangles over, and leaving those out would make the others add up to too much.
    across = (0.5 * np.cross(b - a, c - a) * _unit(outward[faces].mean(axis=1))).sum(axis=1)
    depths = depth[faces]
    volume, total = float((across * depths.mean(axis=1)).sum()), float(across.sum())
    of_each = np.bincount(faces.ravel(), np.repeat(across / 3.0, 3), minlength=len(scan.vertices_mm))
    # On the old surface: about a point that noise has sunk, the points within a ball are those that it has sunk as well.
    laid: FloatArray = (scan.vertices_mm + depth[:, None] * _unit(outward))[around]
    averaged = _means_over_area(laid, np.asarray(depth[around], float), np.asarray(of_each[around], float))
    deepest = int(np.argmax(averaged))
    deepest_mm = float(averaged[deepest])
    noise_mm, edge_mm = beside.noise_mm, math.sqrt(4.0 / math.sqrt(3.0) * abs(total) / max(len(faces), 1))
    opening, by_opening = _opened(across, depths, volume, deepest_mm, noise_mm=noise_mm, edge_mm=edge_mm)
    bottom = scan.vertices_mm[around[deepest]]
    segment = np.array([[bottom, bottom + deepest_mm * _unit(outward[around[deepest]][None])[0]]])
    mean_of = np.linalg.norm(laid - laid[deepest], axis=1) < MEAN_RADIUS_MM
    share = of_each[around] / total
    at_bottom = np.where(mean_of, of_each[around], 0.0)
    drift_of_all = _drift_mm(beside, scan, around, share, beyond)
    drift = _drift_mm(beside, scan, around, at_bottom / at_bottom.sum(), beyond)
    # Where a loss is no wider than what is averaged, the few points that fall on it decide.
    narrow = 0.2 * deepest_mm * min(math.pi * MEAN_RADIUS_MM**2 / max(opening, 1e-6), 1.0) ** 2
    depth_budget = (
        Component("surface noise", beside.noise_mm * _noise_of_mean(of_each[around][mean_of])),
        Component("old surface", 0.0008),
        Component("trueness", drift),
        Component("a loss narrower than what is averaged", narrow),
    )
    volume_budget = (
        Component("surface noise", beside.noise_mm * math.sqrt(float(of_each @ of_each))),
        Component("surface round the loss", beside.noise_mm * total / math.sqrt(max(len(beyond), 1))),
        Component("old surface", 0.0002 * total),
        Component("trueness", drift_of_all * total),
    )
    area_budget = (*by_opening, Component("trueness", 2.0 * drift * opening / max(deepest_mm, 1e-6)))
    return NeighbourLoss(
        deepest_mm, volume, opening, scan.vertices_mm[around[averaged > 0.3 * deepest_mm]],
        segment, depth_budget, volume_budget, area_budget,
    )  # fmt: skip


def _drift_mm(beside: Beside, scan: Surface, around: IntArray, share: FloatArray, beyond: IntArray) -> float:
    """What a smooth error of the source adds to a mean over some of the points, counted from the surface beyond them."""
    if beside.shared_mm == 0.0:
        return 0.0
    some, ring = np.flatnonzero(share)[:: max(1, np.count_nonzero(share) // 60)], beyond[:: max(1, len(beyond) // 60)]
    weights = np.concatenate([share[some] / share[some].sum(), np.full(len(ring), -1.0 / max(len(ring), 1))])
    return shared_u_mm(beside.shared_mm, scan.vertices_mm[np.concatenate([around[some], ring])], weights)


def _noise_of_mean(weights: FloatArray) -> float:
    """Standard deviation of a weighted mean of values with noise of their own, over that of one."""
    return float(np.sqrt(weights @ weights) / max(abs(float(weights.sum())), 1e-12))


def _opened(
    across: FloatArray, depths: FloatArray, volume: float, deepest_mm: float, *, noise_mm: float, edge_mm: float
) -> tuple[float, tuple[Component, ...]]:
    """Opening of the loss in the old surface and its budget.

    Shallow as noise, too few single points lie deep enough to draw out from.
    """
    threshold = max(2.0 * noise_mm, 0.03)
    if deepest_mm < 2.0 * threshold:
        area = _shallow_opening(volume, deepest_mm)
        return area, (Component("shape of a shallow loss", SHALLOW_PART * area),)
    return _opening(across, depths, (threshold, deepest_mm), noise_mm=noise_mm, edge_mm=edge_mm)


def _means_over_area(points: FloatArray, values: FloatArray, area_mm2: FloatArray) -> FloatArray:
    """Mean of a value over the surface within 0.15 mm of each point; not over points, which lie closer here than there."""
    of_all = means_within(points, points, area_mm2, MEAN_RADIUS_MM)
    weighted = means_within(points, points, values * area_mm2, MEAN_RADIUS_MM)
    return np.where(of_all > 0.0, weighted / np.where(of_all > 0.0, of_all, 1.0), 0.0)


def _opening(
    across: FloatArray, depths: FloatArray, reach: tuple[float, float], *, noise_mm: float, edge_mm: float
) -> tuple[float, tuple[Component, ...]]:
    """Area of the old surface that is open, and its budget: areas deeper than one and two thresholds, drawn out to depth 0.

    Each area errs by its growth with depth times the noise of the points along its border, one for each edge length; drawn
    out, twice the one less the other, by √5 of that. `reach` is the threshold and how deep the loss is: of a bowl's wall,
    which steepens towards its rim, drawing out straight gains about 0.3 of the growth for the threshold's share of the depth.
    """
    threshold, deepest_mm = reach
    one, two = (float((across * _share_above(depths, t)).sum()) for t in (threshold, 2.0 * threshold))
    growth = min(max(one - two, 0.0), one)
    area = one + growth
    border = max(2.0 * math.sqrt(math.pi * area) / edge_mm, 1.0)
    noise = math.sqrt(5.0) * growth / threshold * noise_mm / math.sqrt(border)
    lines = (
        Component("surface noise", noise),
        Component("shape of the wall", SHAPE_PART * growth * threshold / deepest_mm),
        Component("triangles", 0.002),
    )
    return area, lines


def _shallow_opening(volume_mm3: float, mean_depth_mm: float) -> float:
    """Opening of a shallow loss from its volume and its deepest mean over 0.3 mm, as of a ball's cap.

    A cap of height h of a large ball of radius r holds π r h² and opens 2 π r h; the mean over a disc of 0.15 mm about its
    deepest point is h − 0.15² / 4 r.
    """
    depth = mean_depth_mm
    for _ in range(5):
        depth = mean_depth_mm + MEAN_RADIUS_MM**2 * math.pi * depth**2 / (4.0 * max(volume_mm3, 1e-6))
        depth = min(depth, 2.0 * mean_depth_mm)
    return 2.0 * max(volume_mm3, 0.0) / depth


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


def _nothing(hidden_mm: float) -> NeighbourLoss:
    """No loss: what may hide is the uncertainty, of the shape of a ball 0.8 mm in radius.

    Notes
    -----
    Source: ISO 11843-1, minimum detectable value: the least that is seen and 1.645 standard deviations more is missed in
    5 of 100 scans.
    """
    none = np.empty((0, 3))
    u = hidden_mm / ONE_SIDED
    radius = 0.8
    hidden = (u, math.pi * radius * hidden_mm * u, 2.0 * math.pi * radius * u)
    budgets = ((Component("what noise may hide", each),) for each in hidden)
    return NeighbourLoss(0.0, 0.0, 0.0, none, np.empty((0, 2, 3)), *budgets)
