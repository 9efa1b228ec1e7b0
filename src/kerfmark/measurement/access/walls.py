"""The walls of the cavity: cut beyond the plan, how thick they still are, whether they are broken through, what was lost."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.frames import transform_points
from kerfmark.geometry.rays import RayCaster
from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.neighbourhoods import means_within
from kerfmark.measurement.access.breaches import breaches_of
from kerfmark.measurement.access.chamber import floor_columns
from kerfmark.measurement.access.opened import NO_PULP, Opened
from kerfmark.measurement.budget import alignment_u_mm, alike_means, effective_count, extreme_of, measured, unmeasured
from kerfmark.measurement.surface.volumes import volume_reading
from kerfmark.records import Component, FloatArray, Reading, Witness

__all__ = ["crown_lost", "gouge_depth", "perforation", "wall_left"]

MEAN_RADIUS_MM = 0.15
CONE_DEG = (20.0, 40.0)
WIDEST_COSINE = math.cos(math.radians(CONE_DEG[-1]))
CONE_U = 0.003
"""Where the nearest point outside cannot be taken a way up to 10° off it is: 1 / cos 10° − 1 = 1.5 %, spread evenly, a fifth of it."""
EXACT_MM = 0.06
ROUND = 8
NEAR_RIM_MM = 1.0
"""Nearer than this to the opening's margin a wall ends in an edge and has no thickness of its own."""
UPWARDS = 0.2
"""Ways that lead out of the tooth as the access does meet the surface it was opened through, and are no wall."""
SPACING_MM = 0.2
BELOW_ORIFICES_MM = 0.5
IN_CANAL_MM = 0.25
THICKEST_MM = 15.0
NOTHING = "nothing is cut"


def gouge_depth(case: Opened) -> tuple[Reading, ...]:
    """Greatest mean over 0.3 mm of how far the walls lie beyond the plan and beyond the pulp; the floor has its own reading."""
    name = "access.gouge_depth_mm"
    if case.pulp is None:
        return (unmeasured(name, NO_PULP, unit="mm"),)
    points, normals = case.cavity
    wall = ~_on_floor(case, points) if len(points) else np.zeros(0, bool)
    if not wall.any():
        return (unmeasured(name, NOTHING, unit="mm"),)
    points, normals, places = points[wall], normals[wall], read_only(case.cavity_places[wall], np.float64)
    beyond = np.minimum(_beyond_plan(case, points), case.outside_pulp(points))
    most = beyond > float(means_within(places, places, read_only(beyond, np.float64), MEAN_RADIUS_MM).max()) - EXACT_MM
    exact = _beyond_plan(case, points[most], exact=True), case.outside_pulp(points[most], exact=True)
    beyond[most] = np.minimum(*exact)
    means = means_within(places, places, read_only(beyond, np.float64), MEAN_RADIUS_MM)
    worst = int(np.argmax(means))
    each = float((np.linalg.norm(places - places[worst], axis=1) <= MEAN_RADIUS_MM).sum())
    added, choice = extreme_of(-means, 1e-3 * case.piece.noise_um / math.sqrt(each), alike=alike_means(each))
    budget = (choice, *_depth_budget(case, points[worst], normals[worst]))
    value = max(float(means[worst]) - added, 0.0)
    segment = np.array([[points[worst], points[worst] + max(value, 0.0) * normals[worst]]])
    plane = case.plane("gouge", points[worst], _across(case, points[worst]))
    kind = "length" if value > case.least_mm else "points"
    witness = Witness(kind, points_mm=points[worst][None], segments_mm=segment, plane=plane)  # type: ignore[arg-type]
    return (measured(name, value, unit="mm", budget=budget, witness=witness),)


def _depth_budget(case: Opened, point: FloatArray, outward: FloatArray) -> tuple[Component, ...]:
    """What moves a depth beside noise."""
    return (
        Component("trueness", 1e-3 * case.piece.trueness_um),
        Component("alignment", alignment_u_mm(case.piece.alignment, point, outward)),
    )


def _on_floor(case: Opened, points: FloatArray) -> NDArray[np.bool_]:
    """Which points lie over the chamber's floor, at about its level or below."""
    along = case.along
    seen = transform_points(case.into, points)
    number = along.lattice.nearest(seen)
    bottom = along.chamber_bottom[number]
    return np.asarray(floor_columns(along)[number] & (seen[:, 2] < np.nan_to_num(bottom, nan=-np.inf) + 0.3))


def _beyond_plan(case: Opened, points: FloatArray, *, exact: bool = False) -> FloatArray:
    """(n,) how far points lie outside what was planned to go: the target's cavity, else the column of the outline."""
    if case.prepared.target is not None:
        return case.inside_target(points, exact=exact)
    seen = transform_points(case.into, points)
    off = _outside_loop(seen[:, :2], case.along.outline[:, :2])
    return np.where(seen[:, 2] > case.along.floor_mm, off, THICKEST_MM)


def _outside_loop(points: FloatArray, loop: FloatArray) -> FloatArray:
    """Distance (n,) of points of the plane outside a closed curve, 0 inside."""
    ahead = np.roll(loop, -1, axis=0)
    run = ahead - loop
    length = np.maximum((run**2).sum(axis=1), 1e-12)
    best = np.full(len(points), np.inf)
    inside = np.zeros(len(points), bool)
    for (x, y), (dx, dy), square in zip(loop, run, length, strict=True):
        part = np.clip(((points[:, 0] - x) * dx + (points[:, 1] - y) * dy) / square, 0.0, 1.0)
        best = np.minimum(best, np.hypot(points[:, 0] - x - part * dx, points[:, 1] - y - part * dy))
        crosses = (y > points[:, 1]) != (y + dy > points[:, 1])
        with np.errstate(divide="ignore", invalid="ignore"):
            inside ^= crosses & (points[:, 0] < x + (points[:, 1] - y) / dy * dx)
    return np.where(inside, 0.0, best)


def _across(case: Opened, point: FloatArray) -> FloatArray:
    """From the access axis through the orifices' middle towards a point."""
    off = point - case.orifices.mean(axis=0)
    square = off - (off @ case.axis) * case.axis
    return square if np.linalg.norm(square) > 1e-6 else np.array([0.0, 1.0, 0.0])


def perforation(case: Opened) -> tuple[Reading, ...]:
    """1 where the cavity breaks through, 0 where it does not; unsure where a wall is about as thin as the scan is unsure."""
    name = "access.perforation"
    if not case.has_cut:
        return (unmeasured(name, NOTHING, unit="1"),)
    found = [breach for breach in breaches_of(case) if breach.on_root]
    if found:
        witness = Witness("points", points_mm=np.concatenate([breach.points_mm for breach in found]))
        return (measured(name, 1.0, unit="1", budget=(), witness=witness),)
    thin = wall_left(case)[0]
    unsure = thin.value is not None and thin.value < 3.0 * case.u_mm
    witness = thin.witness or Witness("points")
    budget = (Component("a wall no thicker than the scan can tell", 0.5 if unsure else 0.0),)
    return (measured(name, 0.0, unit="1", budget=budget, witness=witness),)


def wall_left(case: Opened) -> tuple[Reading, ...]:
    """Least mean over 0.6 mm of the thickness, within 40° of straight through the wall; 0 where it is broken through."""
    name = "access.wall_left_mm"
    if not case.has_cut:
        return (unmeasured(name, NOTHING, unit="mm"),)
    found = breaches_of(case)
    if found:
        witness = Witness("points", points_mm=np.concatenate([breach.points_mm for breach in found]))
        return (measured(name, 0.0, unit="mm", budget=(Component("trueness", case.u_mm),), witness=witness),)
    points, outward = _cavity(case)
    if len(points) < 20:
        return (unmeasured(name, "too little of the cavity's walls was scanned", unit="mm"),)
    thick, ends = _thickness(case, points, outward)
    known = np.isfinite(thick)
    points, thick, ends, outward = (read_only(v[known], np.float64) for v in (points, thick, ends, outward))
    means = means_within(points, points, thick, 1.5 * SPACING_MM)
    worst = int(np.argmin(means))
    each = effective_count(edge_mm=case.edge_mm, area_mm2=math.pi * MEAN_RADIUS_MM**2)
    averaged = 1e-3 * case.piece.noise_um / math.sqrt(each)
    # Points stand 0.2 mm apart and their means run over 0.6 mm: about seven each.
    beyond, choice = extreme_of(means, averaged, alike=alike_means(math.pi * 1.5**2))
    plane = case.plane("wall", points[worst], _across(case, points[worst]))
    witness = Witness("length", segments_mm=np.array([[points[worst], ends[worst]]]), plane=plane)
    straight = float(np.linalg.norm(ends[worst] - points[worst]))
    budget = (
        choice,
        *_depth_budget(case, points[worst], outward[worst]),
        Component("ways tried", CONE_U * straight),
    )
    return (measured(name, float(means[worst]) + beyond, unit="mm", budget=budget, witness=witness),)


def _cavity(case: Opened) -> tuple[FloatArray, FloatArray]:
    """Points of the cavity's walls and floor about 0.2 mm apart and their normals; not the rim, not what is deep in canals."""
    points, normals = case.cavity
    if not len(points):
        return points, normals
    low = transform_points(case.into, points)[:, 2] < case.along.floor_mm - BELOW_ORIFICES_MM
    kept = ~(low & (case.outside_pulp(points) < IN_CANAL_MM))
    points, normals = points[kept], normals[kept]
    if case.margins:
        rim = case.margins[0].points_mm
        from scipy.spatial import cKDTree

        away, _ = cKDTree(rim).query(points)
        points, normals = points[away > NEAR_RIM_MM], normals[away > NEAR_RIM_MM]
    _, first = np.unique(np.floor(points / SPACING_MM).astype(np.int64), axis=0, return_index=True)
    return points[first], normals[first]


def _thickness(case: Opened, points: FloatArray, outward: FloatArray) -> tuple[FloatArray, FloatArray]:
    """For each point the shortest way through the wall to the old outer surface, and where it comes out."""
    helper = np.where(np.abs(outward[:, 2:]) < 0.9, [[0.0, 0.0, 1.0]], [[1.0, 0.0, 0.0]])
    one = np.cross(outward, helper)
    one /= np.linalg.norm(one, axis=1, keepdims=True)
    two = np.cross(outward, one)
    caster = RayCaster(case.subject)
    best, end = np.full(len(points), np.nan), np.full((len(points), 3), np.nan)
    ways = [-outward]
    for lean in np.radians(CONE_DEG):
        for turn in np.arange(ROUND) * 2.0 * np.pi / ROUND:
            ways.append(-math.cos(lean) * outward + math.sin(lean) * (math.cos(turn) * one + math.sin(turn) * two))
    nearest, away, _ = ClosestPoint(case.subject).query(points, max_distance_mm=THICKEST_MM)
    out = (nearest - points) / np.maximum(away[:, None], 1e-9)
    wall = np.isfinite(away) & ((out * -outward).sum(axis=1) > WIDEST_COSINE) & (out @ case.axis < UPWARDS)
    best[wall], end[wall] = away[wall], nearest[wall]
    for way in ways:
        distance, _face = caster.first_hit(points, way, max_mm=THICKEST_MM)
        nearer = np.isfinite(distance) & ~(best <= distance) & (way @ case.axis < UPWARDS)
        best[nearer] = distance[nearer]
        end[nearer] = points[nearer] + distance[nearer, None] * way[nearer]
    return best, end


def crown_lost(case: Opened) -> tuple[Reading, ...]:
    """Volume of everything removed that is not pulp."""
    name = "access.crown_lost_mm3"
    if case.pulp is None:
        return (unmeasured(name, NO_PULP, unit="mm3"),)
    layers = [0, *(n for n, layer in enumerate(case.layer_names, start=1) if layer != "pulp")]
    # Emptied walls of the chamber lie on the volume's edge: whichever way errors go there, they add to it.
    every = np.ones(len(case.cut.areas))
    reading = volume_reading(case, name, "", layers, kinds=(1, 3), face_share=every, sure=_seen_through(case))
    return (replace(reading, where=None),)


def _seen_through(case: Opened) -> FloatArray | None:
    """(columns,) what is gone over the pulp where a scan meets nothing at all: roof would have been met first; NaN elsewhere.

    So it is over a canal, whose bottom no scanner sees: all between the old surface and the pulp's top is gone there.
    """
    if case.lattice is None or not case.removal.filled.any():
        return None
    top = case.layer_columns[case.layer_names.index("pulp")].top
    return np.where(case.removal.filled, np.maximum(case.subject_columns.top - top, 0.0), np.nan)
