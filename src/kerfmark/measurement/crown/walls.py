"""Axial walls: convergence in a plane, taper of a wall, the two planes of a front tooth's facial wall."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.fitting import total_least_squares
from kerfmark.measurement.budget import (
    alignment_u_deg,
    alike_share,
    line_angle_u_deg,
    measured,
    shared_u_mm,
    unmeasured,
)
from kerfmark.measurement.crown.profile import Profile, WallLine
from kerfmark.measurement.crown.sections import STEP_MM
from kerfmark.measurement.crown.stump import BESIDE_DEG, PLANES, WALLS, SteadyWall, Stump
from kerfmark.records import Component, FloatArray, Reading, Witness

__all__ = ["facial_two_plane", "taper", "total_occlusal_convergence", "wall_noise_u_deg"]

BESIDE = np.array([0.0, *BESIDE_DEG])
"""Degrees from a steadied wall's middle at which its sections stand, in the order of its leans."""
LEAST_PLANE_MM = 1.0


NEAR_WALL_MM = 0.2
"""Grooves of the top dip to the wall's heights; what lies farther than this from its line is not wall."""


def total_occlusal_convergence(stump: Stump) -> tuple[Reading, ...]:
    """Angle between the two walls' lines in each plane, + converging occlusally."""
    return tuple(_convergence(stump, plane) for plane in PLANES)


def _convergence(stump: Stump, plane: str) -> Reading:
    name, around = "crown.total_occlusal_convergence_deg", stump.about_path
    sides = [around.at(PLANES[plane]), around.at(PLANES[plane] + 180.0)]
    missing = next((p for p in sides if p.wall is None), None)
    if missing is not None:
        return unmeasured(name, _at(missing), unit="deg", where=plane)
    steady = [stump.steady_walls[p.azimuth_deg] for p in sides]
    ends = np.array([_ends(stump, p, wall.line) for p, wall in zip(sides, steady, strict=True)])
    budget = (
        Component("surface noise", math.hypot(*(wall_noise_u_deg(stump, wall) for wall in steady))),
        Component("trueness", _shared_u_deg(stump, ends)),
        Component("ends of the walls", math.hypot(*(_ends_u_deg(stump, p) for p in sides))),
        Component("sections averaged", math.hypot(*(_round_u_deg(stump, wall) for wall in steady))),
        Component("facets", 0.005),
    )
    witness = Witness("angle", segments_mm=ends, plane=around.turning.plane(plane, PLANES[plane]))
    value = steady[0].line.lean_deg + steady[1].line.lean_deg
    return measured(name, value, unit="deg", where=plane, budget=budget, witness=witness)


def taper(stump: Stump) -> tuple[Reading, ...]:
    """Angle of each wall's line against the path of insertion, negative = undercut."""
    return tuple(_taper(stump, wall) for wall in WALLS)


def _taper(stump: Stump, wall: str) -> Reading:
    name, around = "crown.taper_deg", stump.about_path
    profile = around.at(WALLS[wall])
    if profile.wall is None:
        return unmeasured(name, _at(profile), unit="deg", where=wall)
    steady = stump.steady_walls[profile.azimuth_deg]
    line = steady.line
    ends = _ends(stump, profile, line)
    axis = np.cross(around.turning.outward(profile.azimuth_deg), stump.path)
    # A path found by what it hides turns with the piece; the long axis does not, and the alignment's turn counts in full.
    turned = alignment_u_deg(stump.piece.alignment, axis) if stump.path_is_long_axis else 0.0
    budget = (
        Component("surface noise", wall_noise_u_deg(stump, steady)),
        Component("trueness", _shared_u_deg(stump, ends[None])),
        Component("alignment", turned),
        Component("ends of the walls", _ends_u_deg(stump, profile)),
        Component("sections averaged", _round_u_deg(stump, steady)),
    )
    reference = around.place(profile, np.array([line.low, [line.low[0], line.high[1]]]))
    plane = around.turning.plane("BL" if wall in ("buccal", "lingual") else "MD", WALLS[wall])
    witness = Witness("angle", segments_mm=np.array([ends, reference]), plane=plane)
    return measured(name, line.lean_deg, unit="deg", where=wall, budget=budget, witness=witness)


def facial_two_plane(stump: Stump) -> tuple[Reading, ...]:
    """Angle between the cervical and the incisal plane of a front tooth's facial wall, median of sections within 20°."""
    name = "crown.facial_two_plane_deg"
    tooth = stump.prepared.exercise.tooth
    if tooth is None or tooth % 10 > 3:
        return (unmeasured(name, "only front teeth are cut in two facial planes", unit="deg", status="not_applicable"),)
    around = stump.about_path
    profiles = [p for p in (around.at(a) for a in range(-20, 21, 5)) if p.wall is not None]
    bends = [b for b in (_two_lines(p) for p in profiles) if b is not None]
    if len(bends) < 5:
        reason = "the facial wall is too short, or too much of it is missing, for two planes of 1 mm"
        return (unmeasured(name, reason, unit="deg"),)
    middle = min(range(len(bends)), key=lambda i: abs(_signed(profiles[i].azimuth_deg)))
    angles = np.array([b[0] for b in bends])
    segments = np.array([around.place(profiles[middle], s) for s in bends[middle][1]])
    lengths = [float(np.linalg.norm(s[1] - s[0])) for s in bends[middle][1]]
    one = math.hypot(
        *(line_angle_u_deg(stump.noise_mm, length_mm=length, edge_mm=stump.along_mm) for length in lengths)
    )
    budget = (
        Component("surface noise", 1.25 * one / math.sqrt(len(bends))),
        Component("trueness", _shared_u_deg(stump, segments)),
        Component("place of the bend", float(angles.std()) / math.sqrt(len(bends))),
    )
    witness = Witness("angle", segments_mm=segments, plane=around.turning.plane("BL", 0.0))
    return (measured(name, float(np.median(angles)), unit="deg", budget=budget, witness=witness),)


def _two_lines(profile: Profile) -> tuple[float, list[FloatArray]] | None:
    """Angle between the two lines that fit a wall best, and their ends; the bend itself (± 0.2 mm) is left out."""
    assert profile.wall is not None
    points = profile.section.points
    low, high = profile.wall.low[1], profile.wall.high[1]
    along = np.arange(len(points))
    outer = (along >= profile.first_cut) & (along <= np.argmax(points[:, 1]))
    part = points[(points[:, 1] >= low) & (points[:, 1] <= high) & outer]
    least, beside = int(LEAST_PLANE_MM / STEP_MM), int(0.2 / STEP_MM)
    best: tuple[float, list[FloatArray]] | None = None
    cost = math.inf
    for bend in range(least, len(part) - least, 4):
        halves = [np.ascontiguousarray(h) for h in (part[: bend - beside], part[bend + beside :])]
        lines = [total_least_squares(h) for h in halves]
        off = sum(line[4] ** 2 * len(h) for line, h in zip(lines, halves, strict=True)) / sum(map(len, halves))
        if off < cost:
            cost, best = off, _angle_between(halves, lines)
    return best


def _angle_between(
    halves: list[FloatArray], lines: list[tuple[float, float, float, float, float]]
) -> tuple[float, list[FloatArray]]:
    leans, ends = [], []
    for half, (x, y, dx, dy, _) in zip(halves, lines, strict=True):
        up = np.array([dx, dy]) * (1.0 if dy >= 0 else -1.0)
        along = (half - [x, y]) @ up
        ends.append(np.array([[x, y] + up * along.min(), [x, y] + up * along.max()]))
        leans.append(math.degrees(math.atan2(-up[0], up[1])))
    return leans[1] - leans[0], ends


def wall_noise_u_deg(stump: Stump, wall: SteadyWall) -> float:
    """What the surface's noise does to the lean of a steadied wall line, degrees."""
    one = line_angle_u_deg(stump.noise_mm, length_mm=wall.line.length_mm, edge_mm=wall.along_mm)
    return one * math.sqrt(_share(wall, np.isfinite(wall.leans_deg)))


def _share(wall: SteadyWall, chosen: NDArray[np.bool_]) -> float:
    """Noise variance of the mean of some of a steadied wall's sections over that of one."""
    radius = 0.5 * float(wall.line.low[0] + wall.line.high[0])
    return alike_share(radius * np.radians(BESIDE)[chosen], edge_mm=wall.across_mm)


def _round_u_deg(stump: Stump, wall: SteadyWall) -> float:
    """How much the lean changes within the sections averaged: their mean against that of the inner ones, beyond noise.

    Averaging over ± w adds w² / 6 of a wall's change of curvature; over the inner third of w next to nothing.
    """
    known = np.isfinite(wall.leans_deg)
    inner = known & (np.abs(BESIDE) < 1.5)
    if inner.sum() < 2 or known.sum() < 5:
        return 0.0
    change = abs(float(wall.leans_deg[known].mean() - wall.leans_deg[inner].mean()))
    one = line_angle_u_deg(stump.noise_mm, length_mm=wall.line.length_mm, edge_mm=wall.along_mm)
    noise = one * math.sqrt(max(_share(wall, inner) - _share(wall, known), 0.0))
    return max(0.0, change - 2.0 * noise)


def _ends(stump: Stump, profile: Profile, line: WallLine) -> FloatArray:
    return stump.about_path.place(profile, np.array([line.low, line.high]))


def _shared_u_deg(stump: Stump, segments: FloatArray) -> float:
    """Trueness on the (sum or difference of the) directions of fitted lengths: five points on each, weighted as a fit."""
    parts = np.linspace(0.0, 1.0, 5)
    points = np.concatenate([s[0] + parts[:, None] * (s[1] - s[0]) for s in segments])
    lengths = np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1)
    slope = (parts - 0.5) / ((parts - 0.5) ** 2).sum()
    return math.degrees(shared_u_mm(stump.shared_mm, points, np.concatenate([slope / length for length in lengths])))


def _ends_u_deg(stump: Stump, profile: Profile) -> float:
    """How much the lean changes when both ends are drawn in by 0.1 mm, beyond what noise alone would do."""
    assert profile.wall is not None
    points, low, high = profile.section.points, profile.wall.low[1] + 0.1, profile.wall.high[1] - 0.1
    part = points[profile.first_cut :]
    part = part[(part[:, 1] >= low) & (part[:, 1] <= high)]
    by_the_wall = np.array([abs(r - profile.wall.radius_at(h)) < NEAR_WALL_MM for r, h in part], dtype=bool)
    part = part[by_the_wall]
    if len(part) < 6:
        return 0.0
    _, _, dx, dy, _ = total_least_squares(np.ascontiguousarray(part))
    change = abs(math.degrees(math.atan2(-dx * math.copysign(1, dy), abs(dy))) - profile.wall.lean_deg)
    noise = 2.0 * line_angle_u_deg(stump.noise_mm, length_mm=profile.wall.length_mm, edge_mm=stump.along_mm)
    return max(0.0, change - noise) / math.sqrt(3.0)


def _at(profile: Profile) -> str:
    return f"{profile.place}: {profile.trouble or 'no wall was found'}"


def _signed(azimuth_deg: float) -> float:
    return (azimuth_deg + 180.0) % 360.0 - 180.0
