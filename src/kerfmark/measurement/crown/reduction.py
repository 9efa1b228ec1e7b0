"""How much was taken off: at the named sites of the occlusal surface, and over each wall in thirds."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.measurement.budget import alignment_u_mm, effective_count, measured, shared_u_mm, unmeasured
from kerfmark.measurement.crown.insertion import map_of
from kerfmark.measurement.crown.spread import Percentile, percentile
from kerfmark.measurement.crown.stump import WALLS, Round, Stump
from kerfmark.records import Component, FloatArray, Reading, Site, Witness

__all__ = ["THIRDS", "axial_reduction", "occlusal_reduction"]

PERCENTILES = {"p05": 5.0, "median": 50.0}
THIRDS = ("cervical", "middle", "occlusal")
MOST_LEFT_OUT = 0.05
START_OUTSIDE_MM = 0.4
DEEPEST_MM = 5.0
BUNDLE_MM = 0.1
LEVEL_MM = 0.1
PAST_AN_EDGE_MM = 0.15
MOST_AXIAL_POINTS = 2400
LEAST_POINTS = 8
SPACING_PER_MM = 0.1
"""How far flat triangles cut corners, over the square of their side: 1 µm at 0.1 mm, found by sweeping it over phantoms."""


@dataclass(frozen=True, slots=True, eq=False)
class Cast:
    """Rays along inward normals: depth (n,) mm, NaN where the piece was missed, and where they met it (n, 3)."""

    origins_mm: FloatArray
    inward: FloatArray
    depth_mm: FloatArray

    @property
    def hits_mm(self) -> FloatArray:
        """Where the rays met the piece."""
        return self.origins_mm + self.depth_mm[:, None] * self.inward


def cast(stump: Stump, points_mm: FloatArray, inward: FloatArray) -> Cast:
    """Distances to the piece along inward normals, each the mean of seven rays over 0.3 mm.

    A ray begins 0.4 mm outside, so that a surface which noise or too little cutting left outside counts with its sign.
    What is met from within, or deeper than 5 mm, is a miss.
    """
    if not len(points_mm) or not len(stump.surface.faces):
        return Cast(points_mm, inward, np.full(len(points_mm), np.nan))
    beside = _beside(inward)
    origins = (points_mm[:, None] + beside - START_OUTSIDE_MM * inward[:, None]).reshape(-1, 3)
    directions = np.repeat(inward, beside.shape[1], axis=0)
    distance, face = stump.caster.first_hit(origins, directions, max_mm=DEEPEST_MM + START_OUTSIDE_MM)
    met = face >= 0
    facing = np.zeros(len(face))
    facing[met] = (stump.caster_normals[face[met]] * directions[met]).sum(axis=1)
    distance = np.where(met & (facing < 0.0), distance - START_OUTSIDE_MM, np.nan).reshape(len(points_mm), -1)
    return Cast(points_mm, inward, _means(distance))


def _means(distance: FloatArray) -> FloatArray:
    """Mean of each bundle (n, 7), without the rays that went past an edge: those far from the middle one.

    With a ray goes the one opposite, or the mean of what is left would stand to one side of the middle.
    """
    near = np.abs(distance - distance[:, :1]) < PAST_AN_EDGE_MM
    near[:, 1:] &= np.roll(near[:, 1:], 3, axis=1)
    count = near.sum(axis=1)
    total = np.where(near, distance, 0.0).sum(axis=1)
    return np.where(count >= 1, total / np.maximum(count, 1), np.nan)


def _beside(inward: FloatArray) -> FloatArray:
    """Offsets (n, 7, 3) in the plane square to each normal: the middle and six points round it."""
    first = np.cross(inward, np.where(np.abs(inward[:, :1]) < 0.9, [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]))
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    second = np.cross(inward, first)
    turns = np.arange(6) * math.pi / 3.0
    ring = BUNDLE_MM * (np.cos(turns)[:, None] * first[:, None] + np.sin(turns)[:, None] * second[:, None])
    return np.concatenate([np.zeros((len(inward), 1, 3)), ring], axis=1)


def occlusal_reduction(stump: Stump) -> tuple[Reading, ...]:
    """At each named site, from the subject's points within 0.5 mm along the inward normal to the piece."""
    name = "crown.occlusal_reduction_mm"
    if not stump.prepared.sites:
        return (unmeasured(name, "the exercise names no sites", unit="mm", status="not_applicable"),)
    return tuple(r for site in stump.prepared.sites for r in _at_site(stump, site))


def _at_site(stump: Stump, site: Site) -> tuple[Reading, ...]:
    name = "crown.occlusal_reduction_mm"
    if not len(site.points_mm):
        return _none(name, site.name, "the subject has no surface within 0.5 mm of the site")
    rays = cast(stump, np.asarray(site.points_mm, float), np.asarray(site.inward, float))
    missed = float(np.isnan(rays.depth_mm).mean())
    if missed > MOST_LEFT_OUT:
        return _none(name, site.name, _cut_away(missed, "this place"))
    return _percentiles(stump, rays, name=name, where=site.name, area_mm2=math.pi * 0.25)


def axial_reduction(stump: Stump) -> tuple[Reading, ...]:
    """Over each wall and third, from the subject's points along their inward normals to the wall."""
    name = "crown.axial_reduction_mm"
    wheres = [f"{wall}/{third}" for wall in WALLS for third in THIRDS]
    if not stump.has_subject:
        return tuple(r for where in wheres for r in _none(name, where, "no scan before cutting"))
    rays, azimuth, part = _on_walls(stump)
    return tuple(
        r
        for wall in WALLS
        for i, third in enumerate(THIRDS)
        for r in _over_third(stump, rays, _belongs(azimuth, part, wall, i), where=f"{wall}/{third}")
    )


def _belongs(azimuth: FloatArray, part: FloatArray, wall: str, third: int) -> FloatArray:
    beside = np.abs((azimuth - WALLS[wall] + 180.0) % 360.0 - 180.0) <= 45.0
    return np.asarray(beside & (part >= third / 3.0) & (part < (third + 1) / 3.0))


def _on_walls(stump: Stump) -> tuple[Cast, FloatArray, FloatArray]:
    """Rays from the subject's axial points; azimuth and place (0 foot, 1 occlusal end) where each meets the wall.

    A ray that met nothing counts where it began: it went through a hole of the scan. One that passes over what is left of the
    stump meets no wall and belongs to no third.
    """
    around = stump.about_path
    walls = [p for p in around.profiles if p.wall is not None and p.foot is not None and p.corner is not None]
    points, inward = stump.prepared.surface_points, stump.prepared.surface_normals
    level = (points - around.turning.origin_mm) @ around.turning.path
    if len(walls) < 6:
        return Cast(points[:0], inward[:0], np.empty(0)), np.empty(0), np.empty(0)
    known = np.array([p.azimuth_deg for p in walls])
    feet = np.array([p.foot[1] for p in walls if p.foot is not None])
    tops = np.array([p.corner[1] for p in walls if p.corner is not None])
    axial = np.abs(inward @ around.turning.path) < 0.8
    near = np.flatnonzero(axial & (level > feet.min() - 1.0) & (level < tops.max() + 1.5))
    near = near[:: max(1, len(near) // MOST_AXIAL_POINTS)]
    rays = cast(stump, points[near], inward[near])
    met, missed = rays.hits_mm, np.flatnonzero(np.isnan(rays.depth_mm))
    passing = _pass_over(around, rays.origins_mm[missed], rays.inward[missed])
    met[missed] = np.where(passing[:, None], np.nan, rays.origins_mm[missed])
    azimuth, _, height = around.turning.cylindrical(met)
    # A wall that leans in over the axis is still that wall beyond it, where a ray that comes in goes away from the axis.
    outward = ((met - around.turning.origin_mm) * inward[near]).sum(axis=1) - (
        height * (inward[near] @ around.turning.path)
    )
    azimuth = np.where(outward > 0.0, azimuth + 180.0, azimuth) % 360.0
    foot, top = (np.interp(azimuth, known, ends, period=360.0) for ends in (feet, tops))
    return rays, azimuth, (height - foot) / (top - foot)


def _pass_over(around: Round, origins_mm: FloatArray, inward: FloatArray) -> NDArray[np.bool_]:
    """Which rays (n,) stay outside the stump as its sections show it, gaps closed."""
    stump = map_of(around.profiles, step_mm=LEVEL_MM, clear_mm=0.0, mean_mm=LEVEL_MM)
    if stump is None:
        return np.zeros(len(origins_mm), bool)
    along = np.arange(-START_OUTSIDE_MM, 2.0 * DEEPEST_MM, LEVEL_MM)
    places = origins_mm[:, None] + along[:, None] * inward[:, None]
    azimuth, radius, height = around.turning.cylindrical(places.reshape(-1, 3))
    turns, levels = stump.radius_mm.shape
    turn = np.rint(azimuth * turns / 360.0).astype(np.intp) % turns
    level = np.floor((height - stump.lowest_mm) / stump.step_mm).astype(np.intp)
    seen = stump.radius_mm[turn, np.clip(level, 0, levels - 1)]
    within = (level < 0) | ((radius <= seen) & (level < levels))
    return np.asarray(~within.reshape(places.shape[:2]).any(axis=1))


def _over_third(stump: Stump, rays: Cast, belongs: FloatArray, *, where: str) -> tuple[Reading, ...]:
    name = "crown.axial_reduction_mm"
    chosen = Cast(rays.origins_mm[belongs], rays.inward[belongs], rays.depth_mm[belongs])
    if len(chosen.depth_mm) < LEAST_POINTS:
        return _none(name, where, "too little of the subject's surface lies over this part of a wall")
    missed = float(np.isnan(chosen.depth_mm).mean())
    if missed > MOST_LEFT_OUT:
        return _none(name, where, _cut_away(missed, "this third"))
    area = len(chosen.depth_mm) * 0.3**2
    return _percentiles(stump, chosen, name=name, where=where, area_mm2=area)


def _cut_away(missed: float, what: str) -> str:
    share, most = 100.0 * missed, 100.0 * MOST_LEFT_OUT
    return f"no stump within {DEEPEST_MM:g} mm of {share:.0f} % of {what} ({most:.0f} % may be)"


def _percentiles(stump: Stump, rays: Cast, *, name: str, where: str, area_mm2: float) -> tuple[Reading, ...]:
    there = np.isfinite(rays.depth_mm)
    depths, hits, inward = rays.depth_mm[there], rays.hits_mm[there], rays.inward[there]
    left_out = None if there.all() else f"{np.count_nonzero(~there)} of {len(there)} rays missed the piece"
    readings = []
    independent = max(area_mm2 / (math.pi * 0.15**2), 1.0)
    for stat, at in PERCENTILES.items():
        got = percentile(depths, at=at, noise=averaged_noise_mm(stump), independent=independent)
        value = got.value
        nearest = int(np.argmin(np.abs(depths - value)))
        ends = np.array([[rays.origins_mm[there][nearest], hits[nearest]]])
        witness = Witness("length", points_mm=hits, segments_mm=ends)
        budget = _budget(stump, hits, inward, depths, got, at=at)
        readings.append(
            measured(name, value, unit="mm", where=where, stat=stat, budget=budget, witness=witness, reason=left_out)
        )
    return tuple(readings)


def _budget(
    stump: Stump, hits: FloatArray, inward: FloatArray, depths: FloatArray, got: Percentile, *, at: float
) -> tuple[Component, ...]:
    # The alignment moves the places a percentile rests on, which may all lie at one end of a curved wall.
    low, high = np.percentile(depths, [max(at - 5.0, 0.0), min(at + 5.0, 100.0)])
    near = (depths >= low) & (depths <= high)
    some = slice(None, None, max(1, len(hits) // 30))
    weights = np.full(len(hits[some]), 1.0 / len(hits[some]))
    return (
        Component("surface noise", got.noise),
        Component("noise taken out of the spread", got.widened),
        Component("sampling", 0.25 * float(depths.std()) / math.sqrt(len(depths))),
        Component("trueness", shared_u_mm(stump.shared_mm, hits[some], weights)),
        Component("alignment", alignment_u_mm(stump.piece.alignment, hits[near], inward[near])),
        Component("triangles folded by noise", stump.folded_mm),
        Component("mesh spacing", SPACING_PER_MM * stump.edge_mm**2),
    )


def averaged_noise_mm(stump: Stump) -> float:
    """Noise of a mean over 0.3 mm."""
    return stump.noise_mm / math.sqrt(effective_count(edge_mm=stump.edge_mm, area_mm2=math.pi * 0.09**2))


def _none(name: str, where: str, reason: str) -> tuple[Reading, ...]:
    return tuple(unmeasured(name, reason, unit="mm", where=where, stat=stat) for stat in PERCENTILES)
