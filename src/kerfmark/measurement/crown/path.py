"""The path of insertion and what it leaves hidden."""

from __future__ import annotations

import math

import numpy as np

from kerfmark.kernels.visibility import overhang_depths
from kerfmark.measurement.budget import alignment_u_deg, effective_count, measured, shared_u_mm, unmeasured
from kerfmark.measurement.crown.insertion import RadiusMap, map_of
from kerfmark.measurement.crown.sections import STEP_MM
from kerfmark.measurement.crown.stump import Round, Stump
from kerfmark.measurement.crown.walls import wall_noise_u_deg
from kerfmark.records import Component, FloatArray, Reading, Witness

__all__ = [
    "FINE_STEP_MM",
    "WAYS",
    "depth_u",
    "lacking",
    "path_of_insertion",
    "path_u_deg",
    "undercut_area",
    "undercut_depth",
]

WAYS = ("path", "long_axis")
FINE_STEP_MM = 0.025
LEAST_SHARE = 0.9


def path_of_insertion(stump: Stump) -> tuple[Reading, ...]:
    """Tilt of the path from the long axis, and the azimuth it leans to (from facial towards mesial)."""
    name = "crown.path_of_insertion"
    reason = lacking(stump.about_long_axis)
    if reason is not None:
        return tuple(unmeasured(name, reason, unit="deg", stat=stat) for stat in ("tilt", "azimuth"))
    path = stump.path
    tilt = math.degrees(math.acos(min(1.0, float(path[2]))))
    origin = stump.about_path.turning.origin_mm
    witness = Witness("direction", segments_mm=np.array([[origin, origin + 8.0 * path]]))
    u = path_u_deg(stump)
    tilted = measured(name, tilt, unit="deg", stat="tilt", budget=u, witness=witness)
    if stump.path_is_long_axis:
        reason = "the path is the long axis itself and leans nowhere"
        return tilted, unmeasured(name, reason, unit="deg", stat="azimuth", status="not_applicable")
    azimuth = math.degrees(math.atan2(stump.prepared.mesial_sign * path[0], path[1])) % 360.0
    wider = tuple(Component(c.source, c.u / math.sin(math.radians(tilt))) for c in u)
    return tilted, measured(name, azimuth, unit="deg", stat="azimuth", budget=wider, witness=witness)


def path_u_deg(stump: Stump, *, leans: bool | None = None) -> tuple[Component, ...]:
    """A path other than the long axis hangs on the lean of the walls that hide something, and turns with the piece.

    `leans` says it of a path that others share; without it the stump's own counts.
    """
    if not (leans if leans is not None else not stump.path_is_long_axis):
        return (Component("search step", 0.01),)
    walls = [wall_noise_u_deg(stump, wall) for wall in stump.steady_walls.values()]
    turned = max(alignment_u_deg(stump.piece.alignment, axis) for axis in np.eye(3)[:2])
    lengths = [wall.line.length_mm for wall in stump.steady_walls.values()]
    shared = math.degrees(stump.shared_mm / float(np.mean(lengths))) if lengths else 0.0
    return (
        Component("surface noise", 2.0 * float(np.mean(walls)) if walls else 0.1),
        Component("trueness", shared),
        Component("alignment", turned),
        Component("search step", 0.05),
    )


def undercut_depth(stump: Stump) -> tuple[Reading, ...]:
    """Deepest overhang above the finish line, at right angles to the path, along the path and along the long axis."""
    return tuple(_undercut(stump, way)[0] for way in WAYS)


def undercut_area(stump: Stump) -> tuple[Reading, ...]:
    """Surface hidden above the finish line, along the path and along the long axis."""
    return tuple(_undercut(stump, way)[1] for way in WAYS)


def _undercut(stump: Stump, way: str) -> tuple[Reading, Reading]:
    around = stump.about_path if way == "path" else stump.about_long_axis
    names = (("crown.undercut_depth_mm", "mm"), ("crown.undercut_area_mm2", "mm2"))
    reason = lacking(around)
    stump_map = map_of(around.profiles, step_mm=FINE_STEP_MM, clear_mm=stump.clear_mm) if reason is None else None
    if stump_map is None:
        why = reason or "no wall stands above the margin"
        depth, area = (unmeasured(name, why, unit=unit, where=way) for name, unit in names)
        return depth, area
    depths = np.zeros_like(stump_map.radius_mm)
    overhang_depths(stump_map.radius_mm, depths)
    hidden = depths > stump.hidden_threshold_mm
    deepest = float(depths.max()) if hidden.any() else 0.0
    u_depth = depth_u(stump, around, stump_map, depths, turned=way == "long_axis")
    witness = _deepest_witness(around, stump_map, depths) if hidden.any() else _path_witness(around)
    depth = measured("crown.undercut_depth_mm", deepest, unit="mm", where=way, budget=u_depth, witness=witness)
    area = _area(
        around,
        stump_map,
        threshold_mm=stump.hidden_threshold_mm,
        clear_mm=stump.clear_mm,
        way=way,
        u_depth_mm=depth.u or 0.0,
    )
    return depth, area


def _area(
    around: Round, stump_map: RadiusMap, *, threshold_mm: float, clear_mm: float, way: str, u_depth_mm: float
) -> Reading:
    """Length of each section that is hidden, times the width it stands for; ledges and ceilings count like walls."""
    radius = np.where(np.isnan(stump_map.radius_mm), -np.inf, stump_map.radius_mm)
    above = np.maximum.accumulate(radius[:, ::-1], axis=1)[:, ::-1]
    width = 2.0 * math.pi / len(radius)
    parts: list[FloatArray] = []
    areas = np.zeros(3)
    seen = np.isfinite(stump_map.radius_mm)
    overhangs = above - np.where(seen, radius, np.inf) > threshold_mm
    for profile, row, known, overhung in zip(around.profiles, above, seen, overhangs, strict=True):
        if profile.margin is None or profile.corner is None or not known.any():
            continue
        points = profile.section.own[profile.first_cut :]
        level = np.ceil((points[:, 1] - stump_map.lowest_mm) / stump_map.step_mm).astype(int)
        within = (level >= int(np.argmax(known))) & (level < len(row)) & (points[:, 1] < profile.corner[1] - clear_mm)
        # Single points are noisier than the map's means: only what lies within 0.1 mm of an overhang of the map counts.
        near = np.convolve(overhung, np.ones(9), mode="same") > 0.0
        level = np.clip(level, 0, len(row) - 1)
        off = np.where(within & near[level], row[level] - points[:, 0], -np.inf)
        for i, shift in enumerate((0.0, -u_depth_mm, u_depth_mm)):
            areas[i] += float(points[off > threshold_mm + shift, 0].sum()) * width * STEP_MM
        parts.append(around.place(profile, points[off > threshold_mm]))
    hidden = np.concatenate(parts) if parts else np.empty((0, 3))
    budget = (
        Component("where hiding begins", abs(areas[1] - areas[2]) / 2.0),
        Component("sections every 5°", 0.02 * areas[0]),
        Component("smallest patch seen", 0.01),
    )
    witness = Witness("patch", points_mm=hidden)
    return measured("crown.undercut_area_mm2", areas[0], unit="mm2", where=way, budget=budget, witness=witness)


def depth_u(
    stump: Stump, around: Round, stump_map: RadiusMap, depths: FloatArray, *, turned: bool
) -> tuple[Component, ...]:
    """Rim and deepest point, each the largest of a few means over three sections and 0.2 mm.

    Turning matters only against the long axis. The largest of a few normal values scatters by 0.6 of what one does.
    """
    count = 3.0 * effective_count(edge_mm=stump.along_mm, length_mm=0.2)
    azimuth, low, high = _deepest(stump_map, depths)
    ends = np.array([_point(around, stump_map, azimuth, level) for level in (low, high)])
    rise = stump_map.step_mm * (high - low)
    tilt = alignment_u_deg(
        stump.piece.alignment, np.cross(around.turning.outward(azimuth * _every(stump_map)), [0, 0, 1.0])
    )
    return (
        Component("surface noise", 0.6 * stump.noise_mm * math.sqrt(2.0 / count)),
        Component("trueness", shared_u_mm(stump.shared_mm, ends, [-1.0, 1.0])),
        Component("alignment", math.radians(tilt) * rise if turned else 0.0),
        Component("level spacing", 0.001),
    )


def _deepest(stump_map: RadiusMap, depths: FloatArray) -> tuple[int, int, int]:
    """Azimuth and level of the deepest hidden cell, and the level of the rim above it."""
    azimuth, low = (int(i) for i in np.unravel_index(int(np.argmax(depths)), depths.shape))
    above = stump_map.radius_mm[azimuth, low:]
    return azimuth, low, low + (int(np.nanargmax(above)) if np.isfinite(above).any() else 0)


def _deepest_witness(around: Round, stump_map: RadiusMap, depths: FloatArray) -> Witness:
    azimuth, low, high = _deepest(stump_map, depths)
    bottom, rim = _point(around, stump_map, azimuth, low), _point(around, stump_map, azimuth, high)
    under_rim = rim - around.turning.path * float((rim - bottom) @ around.turning.path)
    plane = around.turning.plane(f"{azimuth * _every(stump_map):.0f}°", azimuth * _every(stump_map))
    return Witness("length", segments_mm=np.array([[bottom, under_rim], [under_rim, rim]]), plane=plane)


def _path_witness(around: Round) -> Witness:
    origin = around.turning.origin_mm
    return Witness("direction", segments_mm=np.array([[origin, origin + 8.0 * around.turning.path]]))


def _every(stump_map: RadiusMap) -> float:
    return 360.0 / len(stump_map.radius_mm)


def _point(around: Round, stump_map: RadiusMap, azimuth: int, level: int) -> FloatArray:
    radius = np.nan_to_num(stump_map.radius_mm[azimuth, level])
    return around.turning.to_space(np.array([radius, stump_map.heights_mm[level]]), azimuth * _every(stump_map))


def lacking(around: Round) -> str | None:
    """Why too few sections have a wall, or None."""
    walls = [p for p in around.profiles if p.wall is not None]
    if len(walls) >= LEAST_SHARE * len(around.profiles):
        return None
    troubles = [p.trouble for p in around.profiles if p.trouble]
    common = max(set(troubles), key=troubles.count) if troubles else "no wall was found"
    least = math.ceil(LEAST_SHARE * len(around.profiles))
    return f"walls in {len(walls)} of {len(around.profiles)} sections, {least} needed: {common}"
