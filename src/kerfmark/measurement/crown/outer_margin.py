"""Where the outer margin lies in each section: the finish line's own curve produced to the old surface.

The first point that is clearly cut lies inside the true edge, by the threshold over the slope at which the cut deepens,
and a mesh rounds the edge off by about half a triangle. So the floor's fitted curve (line or arc) is produced outwards
until nothing is removed any more, counted from the level at which the piece's own uncut surface below lies: that takes
out what the alignment and the source shift as a whole.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.fitting import total_least_squares
from kerfmark.measurement.crown.profile import Profile
from kerfmark.measurement.crown.sections import STEP_MM, Section, Turning
from kerfmark.records import FloatArray

__all__ = ["OUTER_STRETCH_MM", "UNCUT_MM", "first_cuts_by_shape", "guard_mm", "refined"]

UNCUT_MM = 0.8
"""Over what length below the edge the level of the uncut surface is read."""
OUTER_STRETCH_MM = 0.35
"""Over what length of the floor next to the edge its fitted curve is laid level."""
BEYOND_MM = 0.6
TURN_OVER_MM = 0.3
KNIFE_EDGE_MM = 1.2

DepthAt = Callable[[FloatArray], FloatArray]


def refined(
    profiles: Sequence[Profile],
    turning: Turning,
    *,
    depth_at: DepthAt | None,
    edge_mm: float,
    reach_mm: float = KNIFE_EDGE_MM,
) -> tuple[Profile, ...]:
    """The profiles with their margins moved to the true edge.

    Parameters
    ----------
    profiles : sequence of Profile
    turning : Turning
    depth_at : callable or None
        Depth below the old surface (mm) of points (n, 3); without it the straight uncut surface below the edge is
        produced to meet the floor.
    edge_mm : float
        Median side of the surface's triangles.
    reach_mm : float
        Over what length of the cut a straight line is laid where no floor was fitted.
    """
    guard = guard_mm(edge_mm)
    curves = [_outward_curve(p, guard, reach_mm) for p in profiles]
    levels = [_uncut_level(p, guard) for p in profiles]
    depths = _depths(profiles, curves, turning, depth_at, guard)
    return tuple(
        p if c is None or d is None else _moved(p, c, d - (level if depth_at else 0.0))
        for p, c, d, level in zip(profiles, curves, depths, levels, strict=True)
    )


def guard_mm(edge_mm: float) -> float:
    """How far on either side of the edge a mesh rounds it off."""
    return max(0.08, 0.9 * edge_mm)


def _outward_curve(profile: Profile, guard: float, reach_mm: float) -> FloatArray | None:
    """Points from the foot outwards along the fitted floor, or along a line through the cut where there is no floor."""
    points, start = profile.section.points, profile.first_cut
    if start < 0 or profile.margin is None:
        return None
    reach = OUTER_STRETCH_MM if profile.internal is not None else reach_mm
    clear = points[start + int(guard / STEP_MM) : start + int((guard + reach) / STEP_MM)]
    if len(clear) < 6:
        return None
    if profile.internal is None or profile.foot is None:
        return _straight_out(np.ascontiguousarray(clear), guard)
    reach = float(np.hypot(*(profile.margin - profile.foot))) + BEYOND_MM
    curve, normals = profile.internal.curve(np.arange(0.0, reach, STEP_MM / 2))
    near = [int(np.argmin(((curve - p) ** 2).sum(axis=1))) for p in clear[::3]]
    off = float(np.mean([(p - curve[i]) @ normals[i] for p, i in zip(clear[::3], near, strict=True)]))
    return np.asarray(curve + np.clip(off, -0.05, 0.05) * normals)


def _straight_out(clear: FloatArray, guard: float) -> FloatArray:
    x, y, dx, dy, _ = total_least_squares(clear)
    down = np.array([dx, dy]) * (1.0 if (clear[0] - clear[-1]) @ [dx, dy] >= 0 else -1.0)
    begin = np.array([x, y]) - 0.2 * down
    return np.asarray(
        begin + np.arange(0.0, 0.2 + 0.5 * KNIFE_EDGE_MM + guard + BEYOND_MM, STEP_MM / 2)[:, None] * down
    )


def _uncut_level(profile: Profile, guard: float) -> float:
    """Mean removal just below the edge: what the piece as a whole lies inside the old surface there."""
    stop = profile.first_cut - int(guard / STEP_MM)
    below = profile.removal[max(stop - int(UNCUT_MM / STEP_MM), 0) : max(stop, 0)]
    below = below[np.abs(below) < 0.2]
    return float(below.mean()) if len(below) * STEP_MM >= 0.2 else 0.0


def _depths(
    profiles: Sequence[Profile],
    curves: Sequence[FloatArray | None],
    turning: Turning,
    depth_at: DepthAt | None,
    guard: float,
) -> list[FloatArray | None]:
    if depth_at is None:
        return [None if c is None else _depth_in_line(p, c, guard) for p, c in zip(profiles, curves, strict=True)]
    placed = [turning.to_space(c, p.azimuth_deg) for p, c in zip(profiles, curves, strict=True) if c is not None]
    if not placed:
        return [None for _ in curves]
    values = iter(np.split(depth_at(np.concatenate(placed)), np.cumsum([len(c) for c in placed])[:-1]))
    return [None if c is None else next(values) for c in curves]


def _depth_in_line(profile: Profile, curve: FloatArray, guard: float) -> FloatArray | None:
    """Depth of curve points inside the straight outer surface below the edge."""
    stop = profile.first_cut - int(guard / STEP_MM)
    below = profile.section.points[max(stop - int(UNCUT_MM / STEP_MM), 0) : max(stop, 0)]
    if len(below) * STEP_MM < 0.2:
        return None
    x, y, dx, dy, _ = total_least_squares(np.ascontiguousarray(below))
    up = np.array([dx, dy]) if (below[-1] - below[0]) @ [dx, dy] >= 0 else -np.array([dx, dy])
    return np.asarray(-(curve - [x, y]) @ np.array([up[1], -up[0]]))


def _moved(profile: Profile, curve: FloatArray, depth: FloatArray) -> Profile:
    """The margin at the outermost crossing from removed to not removed along the curve."""
    inside = depth > 0.0
    leaving = np.flatnonzero(inside[:-1] & ~inside[1:])
    if not len(leaving):
        return profile
    if profile.margin is None:
        return profile
    points = curve[leaving]
    i = int(leaving[int(np.argmin(((points - profile.margin) ** 2).sum(axis=1)))])
    part = depth[i] / (depth[i] - depth[i + 1])
    return replace(profile, margin=curve[i] + part * (curve[i + 1] - curve[i]))


def first_cuts_by_shape(sections: Sequence[Section]) -> list[int]:
    """Without a scan before cutting: index of the convex edge below the finish line's hollow, −1 where there is none."""
    return [_first_cut_by_shape(s.points) for s in sections]


def _first_cut_by_shape(points: FloatArray) -> int:
    reach = int(TURN_OVER_MM / STEP_MM)
    if len(points) < 6 * reach:
        return -1
    turn = _turning(points, reach)
    hollow = int(np.argmin(turn))
    convex = _peaks(turn, threshold_deg=25.0)
    if turn[hollow] < -20.0:
        convex = convex[convex < hollow]
        return int(convex[-1]) if len(convex) else -1
    return int(convex[0]) if len(convex) > 1 else -1


def _turning(points: FloatArray, reach: int) -> FloatArray:
    """Degrees each point turns inwards (+) or outwards (−), between chords of `reach` samples."""
    chords = points[reach:] - points[:-reach]
    heading = np.unwrap(np.arctan2(chords[:, 1], chords[:, 0]))
    turn = np.zeros(len(points))
    turn[reach:-reach] = np.degrees(heading[reach:] - heading[:-reach])
    return turn


def _peaks(turn: FloatArray, *, threshold_deg: float) -> NDArray[np.intp]:
    """Indices of the largest value of each run above the threshold."""
    above = np.flatnonzero(turn > threshold_deg)
    if not len(above):
        return above
    runs = np.split(above, np.flatnonzero(np.diff(above) > 4) + 1)
    return np.array([run[int(np.argmax(turn[run]))] for run in runs])
