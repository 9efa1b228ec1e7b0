"""The bed as a shape: a straight round wall and a floor, fitted to what was cut, and how each answers to small errors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.cylinders import Cylinder
from kerfmark.geometry.frames import perpendiculars
from kerfmark.measurement.budget import effective_count, shared_u_mm
from kerfmark.measurement.surface.bench import CutFaces
from kerfmark.records import Component, FloatArray

__all__ = ["Floor", "Wall", "fit_floor", "fit_wall"]

NEAR_PLAN_MM = 8.0
"""How far from the planned axis a bed is looked for; published deviations end at 7.1 mm (Tahmaseb et al. 2014)."""
STEEPEST_START, STEEPEST = 0.5, 0.2
"""Cosine between a wall's normal and the axis: at first by the planned axis, then by the found one."""
OFF_WALL_MM = 0.08
LEAST_WALL_MM2, LEAST_WALL_MM = 6.0, 1.5
LEAST_ROUND = 0.15
FLOOR_COSINE = 0.3
FLOOR_FROM, FLOOR_TO = 0.25, 0.92
FLOOR_ABOVE_MM = 0.4
LEAST_FLOOR_MM2 = 0.4
DRAWN_FROM = 200
ROUNDS = 12


@dataclass(frozen=True, slots=True, eq=False)
class Wall:
    """A straight round wall: the point of its axis in the middle of its height, the axis towards the apex, the radius.

    `points_mm` (n, 3), `turn` (n,) rad and `along_mm` (n,) (from the middle, towards the apex) are some of the wall's points, evenly
    taken; `first`, `second` the directions from which `turn` counts. `area_mm2` is all that was fitted, `scatter_mm` how far it
    lies off the fit, `reach_mm` the heights (from the middle) between which it stands.
    """

    middle_mm: FloatArray
    way: FloatArray
    radius_mm: float
    points_mm: FloatArray
    turn: FloatArray
    along_mm: FloatArray
    first: FloatArray
    second: FloatArray
    area_mm2: float
    scatter_mm: float
    reach_mm: tuple[float, float]

    def budget(
        self, weights: FloatArray, *, noise_mm: float, trueness_mm: float, edge_mm: float
    ) -> tuple[Component, ...]:
        """What noise and trueness of the wall give to a sum of its parameters: two offsets, two slopes, the radius."""
        cos, sin = np.cos(self.turn), np.sin(self.turn)
        model = np.column_stack([cos, sin, self.along_mm * cos, self.along_mm * sin, np.ones(len(cos))])
        answer = model @ np.linalg.solve(model.T @ model, weights)
        count = effective_count(edge_mm=edge_mm, area_mm2=self.area_mm2)
        noise = max(noise_mm, self.scatter_mm) * float(np.linalg.norm(answer)) * np.sqrt(len(cos) / count)
        return (
            Component("surface noise", noise),
            Component("trueness", shared_u_mm(trueness_mm, self.points_mm, answer)),
        )

    def offset(self, direction: FloatArray, along_mm: float) -> FloatArray:
        """Weights of the parameters in how far the axis moves along a direction, at a height from the middle."""
        one, two = float(direction @ self.first), float(direction @ self.second)
        return np.array([one, two, along_mm * one, along_mm * two, 0.0])

    def lean(self, direction: FloatArray) -> FloatArray:
        """Weights of the parameters in how the axis leans towards a direction, per mm."""
        return np.array([0.0, 0.0, direction @ self.first, direction @ self.second, 0.0])


@dataclass(frozen=True, slots=True, eq=False)
class Floor:
    """The bed's floor about the wall's axis: height over distance from the axis, a straight line.

    `apex_mm` and `point_mm` are the heights from the wall's middle, towards the apex, where the full diameter ends and where the
    drill's point came to; `points_mm` (n, 3) some of its points, `weights` and `point_weights` (n,) what each gives to
    `apex_mm` and to `point_mm`.
    """

    apex_mm: float
    point_mm: float
    points_mm: FloatArray
    weights: FloatArray
    point_weights: FloatArray
    area_mm2: float
    scatter_mm: float

    def budget(
        self, *, noise_mm: float, trueness_mm: float, edge_mm: float, of_point: bool = False
    ) -> tuple[Component, ...]:
        """What noise and trueness give to the height of the apex, or of the drill's point."""
        weights = self.point_weights if of_point else self.weights
        count = effective_count(edge_mm=edge_mm, area_mm2=self.area_mm2)
        size = float(np.linalg.norm(weights)) * np.sqrt(len(weights) / max(count, 2.0))
        return (
            Component("surface noise of the floor", max(noise_mm, self.scatter_mm) * size),
            Component("trueness of the floor", shared_u_mm(trueness_mm, self.points_mm, weights)),
        )


def fit_wall(cut: CutFaces, plan: Cylinder) -> Wall | str:
    """The straight round wall of what was cut near a plan; or why there is none.

    The axis is first that to which the steep faces' normals are square, then fitted by least squares with the radius, faces
    off the wall left out in each round.
    """
    near = _near(cut, plan)
    if not near.any():
        return "nothing is cut near the plan"
    points, normals, areas = cut.middles[near], cut.normals[near], cut.areas[near]
    way = _axis_of(normals, areas, plan.way)
    if way is None:
        return "the cut has no wall all round to fit an axis to"
    steep = np.abs(normals @ way) < STEEPEST
    points, areas = points[steep], areas[steep]
    middle, radius = _circle(points, areas, way)
    for _ in range(ROUNDS):
        off = _off(points, middle, way)
        kept = np.abs(off - radius) < max(OFF_WALL_MM, 3.0 * _spread(off - radius, areas))
        if areas[kept].sum() < LEAST_WALL_MM2:
            return "the cut has too little straight wall to fit an axis to"
        middle, way, radius, step = _improved(points[kept], areas[kept], middle, way, radius)
        if step < 1e-7:
            break
    return _wall(points, areas, middle, way, radius)


def _near(cut: CutFaces, plan: Cylinder) -> NDArray[np.bool_]:
    depth, off = plan.along_and_off(cut.middles)
    return np.asarray((off < NEAR_PLAN_MM) & (depth > -NEAR_PLAN_MM) & (depth < plan.length_mm + NEAR_PLAN_MM))


def _axis_of(normals: FloatArray, areas: FloatArray, planned: FloatArray) -> FloatArray | None:
    """The direction most nearly square to the steep faces' normals; None where these do not go round."""
    way, limit = planned, STEEPEST_START
    for _ in range(6):
        steep = np.abs(normals @ way) < limit
        if areas[steep].sum() < LEAST_WALL_MM2:
            return None
        spread = (normals[steep] * areas[steep, None]).T @ normals[steep]
        sizes, ways = np.linalg.eigh(spread)
        if sizes[1] < LEAST_ROUND * sizes[2]:
            return None
        way = ways[:, 0] * (1.0 if ways[:, 0] @ planned > 0.0 else -1.0)
        limit = max(STEEPEST, limit - 0.1)
    return np.asarray(way)


def _off(points: FloatArray, middle: FloatArray, way: FloatArray) -> FloatArray:
    away = points - middle
    return np.asarray(np.linalg.norm(away - (away @ way)[:, None] * way, axis=1))


def _spread(values: FloatArray, areas: FloatArray) -> float:
    """Robust standard deviation: 1.48 times the weighted median size."""
    order = np.argsort(np.abs(values))
    total = np.cumsum(areas[order])
    return 1.4826 * float(np.abs(values)[order][np.searchsorted(total, 0.5 * total[-1])])


def _circle(points: FloatArray, areas: FloatArray, way: FloatArray) -> tuple[FloatArray, float]:
    """Middle and radius of the wall seen along its axis, by the algebraic fit of a circle, then the radius most of it has."""
    first, second = perpendiculars(way)
    start = np.average(points, axis=0, weights=areas)
    flat = (points - start) @ np.column_stack([first, second])
    root = np.sqrt(areas)[:, None]
    model = np.column_stack([2.0 * flat, np.ones(len(flat))])
    found = np.linalg.lstsq(root * model, root[:, 0] * (flat**2).sum(axis=1), rcond=None)[0]
    middle = start + found[0] * first + found[1] * second
    off = _off(points, middle, way)
    order = np.argsort(off)
    total = np.cumsum(areas[order])
    return middle, float(off[order][np.searchsorted(total, 0.5 * total[-1])])


def _improved(
    points: FloatArray, areas: FloatArray, middle: FloatArray, way: FloatArray, radius: float
) -> tuple[FloatArray, FloatArray, float, float]:
    """One step of least squares: middle, axis, radius, and how far it went."""
    first, second = perpendiculars(way)
    away = points - middle
    along = away @ way
    one, two = away @ first, away @ second
    off = np.hypot(one, two)
    cos, sin = one / off, two / off
    root = np.sqrt(areas)
    model = np.column_stack([cos, sin, along * cos, along * sin, np.ones(len(off))])
    found = np.linalg.lstsq(root[:, None] * model, root * (off - radius), rcond=None)[0]
    moved = middle + found[0] * first + found[1] * second
    turned = way + found[2] * first + found[3] * second
    return moved, turned / np.linalg.norm(turned), radius + float(found[4]), float(np.abs(found).max())


def _wall(points: FloatArray, areas: FloatArray, middle: FloatArray, way: FloatArray, radius: float) -> Wall | str:
    """The fit as a record, its middle moved to the middle of its height."""
    off = _off(points, middle, way)
    kept = np.abs(off - radius) < max(OFF_WALL_MM, 3.0 * _spread(off - radius, areas))
    points, areas, off = points[kept], areas[kept], off[kept]
    along = (points - middle) @ way
    low, high = _part(along, areas, 0.003), _part(along, areas, 0.997)
    if high - low < LEAST_WALL_MM:
        return "the cut has too little straight wall to fit an axis to"
    middle = middle + 0.5 * (low + high) * way
    first, second = perpendiculars(way)
    chosen = _evenly(areas, DRAWN_FROM)
    away = points[chosen] - middle
    return Wall(
        middle_mm=middle,
        way=way,
        radius_mm=radius,
        points_mm=points[chosen],
        turn=np.arctan2(away @ second, away @ first),
        along_mm=np.asarray(away @ way),
        first=first,
        second=second,
        area_mm2=float(areas.sum()),
        scatter_mm=float(np.sqrt(np.average((off - radius) ** 2, weights=areas))),
        reach_mm=(-0.5 * (high - low), 0.5 * (high - low)),
    )


def _part(values: FloatArray, areas: FloatArray, share: float) -> float:
    order = np.argsort(values)
    total = np.cumsum(areas[order])
    return float(values[order][min(np.searchsorted(total, share * total[-1]), len(order) - 1)])


def _evenly(areas: FloatArray, count: int) -> NDArray[np.intp]:
    """About `count` places, each standing for as much area as the next."""
    total = np.cumsum(areas)
    wanted = (np.arange(min(count, len(areas))) + 0.5) / min(count, len(areas)) * total[-1]
    return np.unique(np.searchsorted(total, wanted))


def fit_floor(cut: CutFaces, wall: Wall) -> Floor | str:
    """The floor within a wall; or why there is none.

    A drill's point leaves a cone: its height over the distance from the axis is a straight line, fitted between a quarter
    and nearly all of the radius, where neither the point's own rounding nor the corner's matters.
    """
    away = cut.middles - wall.middle_mm
    along = away @ wall.way
    off = np.linalg.norm(away - along[:, None] * wall.way, axis=1)
    inside = (off > FLOOR_FROM * wall.radius_mm) & (off < FLOOR_TO * wall.radius_mm)
    below = (along > wall.reach_mm[1] - FLOOR_ABOVE_MM) & (along < wall.reach_mm[1] + 1.5 * wall.radius_mm)
    chosen = inside & below & (cut.normals @ wall.way < -FLOOR_COSINE)
    areas = cut.areas[chosen]
    if areas.sum() < LEAST_FLOOR_MM2:
        return "the bed's floor is not to be seen, so that its depth is not known"
    points, along, off = cut.middles[chosen], along[chosen], off[chosen]
    kept = np.ones(len(points), dtype=bool)
    for _ in range(4):
        slope, level = _line(off[kept], along[kept], areas[kept])
        miss = along - level - slope * off
        kept = np.abs(miss) < max(0.5 * OFF_WALL_MM, 3.0 * _spread(miss[kept], areas[kept]))
        if areas[kept].sum() < LEAST_FLOOR_MM2:
            return "the bed's floor is too rough to tell its depth"
    return _floor(points[kept], along[kept], off[kept], areas[kept], wall.radius_mm)


def _line(x: FloatArray, y: FloatArray, areas: FloatArray) -> tuple[float, float]:
    root = np.sqrt(areas)[:, None]
    found = np.linalg.lstsq(root * np.column_stack([x, np.ones(len(x))]), root[:, 0] * y, rcond=None)[0]
    return float(found[0]), float(found[1])


def _floor(points: FloatArray, along: FloatArray, off: FloatArray, areas: FloatArray, radius: float) -> Floor:
    slope, level = _line(off, along, areas)
    miss = along - level - slope * off
    chosen = _evenly(areas, DRAWN_FROM)
    model = np.column_stack([off[chosen], np.ones(len(chosen))])
    weights, middle = (model @ np.linalg.solve(model.T @ model, np.array([at, 1.0])) for at in (radius, 0.0))
    return Floor(
        apex_mm=level + slope * radius,
        point_mm=max(level, float(level + slope * radius)),
        points_mm=points[chosen],
        weights=np.asarray(weights),
        point_weights=np.asarray(middle),
        area_mm2=float(areas.sum()),
        scatter_mm=float(np.sqrt(np.average(miss**2, weights=areas))),
    )
