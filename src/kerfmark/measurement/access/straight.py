"""Straight-line access: the least bend of a straight instrument that leaves an orifice and touches no wall on its way out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from kerfmark.geometry.sections import section_curves
from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.straight import rod_clearances
from kerfmark.measurement.access.opened import Opened
from kerfmark.measurement.budget import alignment_u_deg, measured, unmeasured
from kerfmark.records import Component, FloatArray, Reading, SectionPlane, Surface, Witness

__all__ = ["ROD_RADIUS_MM", "canal_direction", "straight_line"]

ROD_RADIUS_MM = 0.21
"""Half the thickness of the straight part of a thin hand instrument: size 10 with a taper of 2 % is 0.1 + 0.02 · 16 = 0.42 mm
thick where its cutting part ends, 16 mm from the tip (sizes and taper as in ISO 3630, from memory)."""
FREE_MM = 1.0
"""So near the orifice the instrument lies in the canal's mouth and is thinner."""
WIDEST_DEG = 60.0
COARSE_DEG, FINE_DEG, FINEST_DEG = 2.0, 0.25, 0.03
CANAL_MM = (0.8, 1.2, 1.6, 2.0, 2.4, 2.8)
"""How far below its orifice a canal's middle is looked for, mm."""
NEAR_MM = 0.9
UNFOLLOWED_DEG = 3.0
NO_WAY_DEG = 90.0
WIDEST_ROD_MM = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class _Way:
    """A direction out of an orifice and its bend from the canal, degrees."""

    direction: FloatArray
    bend_deg: float


def straight_line(case: Opened) -> tuple[Reading, ...]:
    """One reading for each orifice, numbered from 1 in the order given."""
    return tuple(_of(case, number) for number in range(len(case.orifices)))


def _of(case: Opened, number: int) -> Reading:
    name, where, orifice = "access.straight_line_deg", str(number + 1), case.orifices[number]
    if not case.has_cut:
        return unmeasured(name, "nothing is cut", unit="deg", where=where)
    canal, canal_u = canal_direction(case, orifice)
    follows = canal_u is not None
    points = _obstacles(case, orifice)
    way = _least_bend(points, canal, ROD_RADIUS_MM)
    if way is None:
        witness = Witness("points", points_mm=orifice[None])
        none = f"no straight way out of orifice {where} was found within {WIDEST_DEG:.0f}° of its canal"
        unsure = (Component("directions tried", 1.0),)
        return measured(name, NO_WAY_DEG, unit="deg", where=where, budget=unsure, witness=witness, reason=none)
    ends = [_least_bend(points, canal, max(ROD_RADIUS_MM + by, 0.02), near=way) for by in (-case.u_mm, case.u_mm)]
    spread = [way.bend_deg if end is None else end.bend_deg for end in ends]
    budget = (
        Component("walls, as far as the scan is sure of them", 0.5 * abs(spread[1] - spread[0])),
        Component("directions tried", FINEST_DEG),
        Component("alignment", alignment_u_deg(case.piece.alignment, _across_of(way.direction, canal))),
        Component("points of the walls", _between_points_deg(case, points)),
        Component("direction of the canal", UNFOLLOWED_DEG if canal_u is None else canal_u),
    )
    reason = None if follows else "the canal's own direction is not known; the access axis stands for it"
    segments = np.array([[orifice, orifice + 11.0 * way.direction], [orifice, orifice - 3.0 * canal]])
    plane = _plane(case, orifice, way.direction, canal, where)
    witness = Witness("angle", segments_mm=segments, plane=plane)
    return measured(name, way.bend_deg, unit="deg", where=where, budget=budget, witness=witness, reason=reason)


def _across_of(way: FloatArray, canal: FloatArray) -> FloatArray:
    """Unit vector about which the rod bends; any across it where it does not."""
    turn = np.cross(canal, way)
    if np.linalg.norm(turn) < 1e-6:
        turn = np.cross(way, [1.0, 0.0, 0.0] if abs(way[0]) < 0.9 else [0.0, 1.0, 0.0])
    return np.asarray(turn / np.linalg.norm(turn))


def _between_points_deg(case: Opened, points: FloatArray) -> float:
    """How much farther a rod might lean between two points of the rim that stops it than at one, over the way to the rim."""
    high = float((points @ case.axis).max()) if len(points) else 0.0
    return math.degrees(case.edge_mm**2 / (8.0 * ROD_RADIUS_MM) / max(high, 1.0))


def _plane(case: Opened, orifice: FloatArray, way: FloatArray, canal: FloatArray, where: str) -> SectionPlane:
    """The section that holds the orifice, the way out and as near as may be the canal."""
    across, least = way - (way @ canal) * canal, math.sin(math.radians(2.0))
    if np.linalg.norm(across) < least:  # hardly a bend: in which plane both lean from the axis
        across = way - (way @ case.axis) * case.axis
    if np.linalg.norm(across) < least:
        across = orifice - case.orifices.mean(axis=0)
    if np.linalg.norm(across - (across @ case.axis) * case.axis) < 0.05:
        across = np.array([0.0, 1.0, 0.0])
    return case.plane(f"orifice {where}", orifice, across)


def _obstacles(case: Opened, orifice: FloatArray) -> FloatArray:
    """Vertices of the piece from the orifice, those above its level that a way out could meet."""
    points = case.piece.surface.vertices_mm - orifice
    rise = points @ case.axis
    return read_only(points[(rise > 0.0) & (np.linalg.norm(points, axis=1) < 20.0)], np.float64)


def _least_bend(points: FloatArray, canal: FloatArray, radius_mm: float, *, near: _Way | None = None) -> _Way | None:
    """The clear direction nearest to the canal's, found coarsely and then finely; None where none is clear."""
    if near is None:
        tried = _cone(canal, WIDEST_DEG, COARSE_DEG)
        best = _nearest_clear(points, tried, canal, radius_mm)
        if best is None:
            return None
        near = best
    for widest, step in ((1.5 * COARSE_DEG, FINE_DEG), (1.5 * FINE_DEG, FINEST_DEG)):
        tried = np.vstack([_cone(near.direction, widest, step), canal[None]])
        near = _nearest_clear(points, tried, canal, radius_mm) or near
    return near


def _nearest_clear(points: FloatArray, tried: FloatArray, canal: FloatArray, radius_mm: float) -> _Way | None:
    bends = np.degrees(np.arccos(np.clip(tried @ canal, -1.0, 1.0)))
    order = np.argsort(bends, kind="stable")
    for some in np.array_split(order, max(1, len(order) // 200)):
        clear = rod_clearances(points, read_only(tried[some], np.float64), FREE_MM, WIDEST_ROD_MM)
        free = np.flatnonzero(clear >= radius_mm)
        if len(free):
            first = some[free[0]]
            return _Way(tried[first], float(bends[first]))
    return None


def _cone(middle: FloatArray, widest_deg: float, step_deg: float) -> FloatArray:
    """Unit directions (m, 3) round a direction in rings of even steps, the direction itself first."""
    helper = np.array([1.0, 0.0, 0.0]) if abs(middle[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    one = np.cross(middle, helper)
    one /= np.linalg.norm(one)
    two = np.cross(middle, one)
    found = [middle[None]]
    for lean in np.radians(np.arange(step_deg, widest_deg + 1e-9, step_deg)):
        count = max(6, round(2.0 * math.pi * math.sin(lean) / math.radians(step_deg)))
        turn = np.arange(count) * 2.0 * math.pi / count
        ring = np.cos(turn)[:, None] * one + np.sin(turn)[:, None] * two
        found.append(math.cos(lean) * middle + math.sin(lean) * ring)
    return np.vstack(found)


def canal_direction(case: Opened, orifice: FloatArray) -> tuple[FloatArray, float | None]:
    """Unit direction out of a canal at its orifice, from the pulp's middle over its first 3 mm, and its uncertainty, degrees.

    Without a pulp layer, or where the canal cannot be followed, the access axis stands in and its uncertainty is None.
    That of a canal that was followed is what its middles leave unsure: a straight one has none, a bent one its bend.
    """
    if case.pulp is None:
        return case.axis, None
    middles = _followed(case, case.pulp, orifice)
    if len(middles) < 3:
        return case.axis, None
    run = middles - middles.mean(axis=0)
    _, sizes, ways = np.linalg.svd(run)
    way = ways[0] if ways[0] @ case.axis > 0.0 else -ways[0]
    return np.asarray(way), math.degrees(math.atan2(float(np.hypot(*sizes[1:])), float(sizes[0])))


def _followed(case: Opened, pulp: Surface, orifice: FloatArray) -> FloatArray:
    """Middles of the pulp's sections square to the access axis below an orifice, each the one nearest the one above."""
    across = case.into[0, :3]
    here, found = orifice, []
    for below in CANAL_MM:
        level = SectionPlane("canal", orifice - below * case.axis, across, np.cross(case.axis, across))
        curves = section_curves(pulp, level)
        middles = [c[:-1].mean(axis=0) for c in curves if len(c) > 3]
        if not middles:
            break
        off = [float(np.hypot(*(case.into[:2, :3] @ (m - here)))) for m in middles]
        nearest = int(np.argmin(off))
        if off[nearest] > NEAR_MM:
            break
        here = middles[nearest]
        found.append(here)
    return np.array(found).reshape(-1, 3)
