"""One radial section of a crown preparation: from outside the margin over finish line, wall and edge to the axis."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from kerfmark.errors import InputError
from kerfmark.records import FloatArray

__all__ = ["FinishLine", "Profile", "finish_line", "profile"]

LEAST_WALL_MM = 0.6


@dataclass(frozen=True, slots=True)
class FinishLine:
    """Where the straight wall starts, and the angle (from the wall's outward normal) at which the arc ends, degrees."""

    foot_radius_mm: float
    foot_height_mm: float
    arc_start_deg: float
    arc_end_deg: float
    arc_radius_mm: float


@dataclass(frozen=True, slots=True)
class Profile:
    """The section as (radius, height) points from outside inwards, always as many, and where the wall ends at the top.

    `at_axis` is set where the wall reaches the axis below the top: its height there, and its lean as a tangent.
    """

    points_mm: FloatArray
    finish: FinishLine
    top_height_mm: float
    at_axis: tuple[float, float] | None = None


def finish_line(margin_mm: tuple[float, float], *, width_mm: float, radius_mm: float, taper_deg: float) -> FinishLine:
    """The finish line whose arc is tangent to the wall and, if it fits in the width, to a floor square to the path.

    Parameters
    ----------
    margin_mm : (radius, height)
        The outer margin.
    width_mm : float
        From the margin to the foot of the straight wall.
    radius_mm : float
        Internal radius. Where `radius · cos(taper) ≤ width` the floor is flat (shoulder), otherwise the arc reaches the margin.
    taper_deg : float

    Notes
    -----
    The arc is centre − radius (cos β, sin β) with β from the taper (at the foot) to β_end at the floor or the margin;
    r: width = radius (cos taper − cos β_end) when the arc reaches the margin, else β_end = 90°.
    """
    taper = np.radians(taper_deg)
    cosine = max(0.0, np.cos(taper) - width_mm / radius_mm)
    end = np.arccos(cosine)
    foot_radius = margin_mm[0] - width_mm
    foot_height = margin_mm[1] + radius_mm * (np.sin(end) - np.sin(taper))
    return FinishLine(foot_radius, foot_height, taper_deg, float(np.degrees(end)), radius_mm)


def profile(
    margin_mm: tuple[float, float],
    *,
    width_mm: float,
    radius_mm: float,
    taper_deg: float,
    second_taper_deg: float,
    second_plane_at: float,
    edge_radius_mm: float,
    top: Callable[[FloatArray], FloatArray],
) -> Profile:
    """The whole section of one azimuth.

    Parameters
    ----------
    margin_mm, width_mm, radius_mm, taper_deg
        As for `finish_line`.
    second_taper_deg, second_plane_at
        Taper of the wall's upper part, and where it starts as a fraction of the wall's height.
    edge_radius_mm : float
        Rounding between wall and top.
    top : radii (n,) → heights (n,)
        The occlusal surface along this azimuth.

    Raises
    ------
    InputError
        If the top lies below the foot: nothing would be left to call a wall.
    """
    finish = finish_line(margin_mm, width_mm=width_mm, radius_mm=radius_mm, taper_deg=taper_deg)
    top = _above_foot(top, finish)
    wall, top_height, at_axis = _wall(finish, taper_deg, second_taper_deg, second_plane_at, top)
    inner = wall[-1, 0] * np.linspace(1.0, 0.0, 41)[1:]
    above = np.column_stack([inner, top(inner)])
    rounded = _rounded_corner(wall, above, edge_radius_mm)
    points = np.vstack([_outside(margin_mm, finish), _floor(margin_mm, finish), rounded])
    return Profile(points, finish, top_height, at_axis)


def _above_foot(top: Callable[[FloatArray], FloatArray], finish: FinishLine) -> Callable[[FloatArray], FloatArray]:
    """The top, kept high enough to leave a wall of `LEAST_WALL_MM`, falling away inwards at 45° from there."""
    at_foot = float(top(np.array([max(finish.foot_radius_mm - 0.3, 0.0)]))[0])
    if at_foot < finish.foot_height_mm - 1.2:
        raise InputError(
            f"crown plan: the top lies {finish.foot_height_mm - at_foot:.2f} mm below the foot of the wall, which leaves a wall of "
            "no height, expected some. Reduce less or lower the margin."
        )
    return lambda radii: np.maximum(top(radii), finish.foot_height_mm + LEAST_WALL_MM - (finish.foot_radius_mm - radii))


def _wall(
    finish: FinishLine, taper_deg: float, second_deg: float, second_at: float, top: Callable[[FloatArray], FloatArray]
) -> tuple[FloatArray, float, tuple[float, float] | None]:
    """The wall's points from the foot to where it meets the top, that height, and where it meets the axis below the top."""
    guess = float(top(np.array([max(finish.foot_radius_mm - 0.3, 0.0)]))[0])
    bend = finish.foot_height_mm + second_at * (guess - finish.foot_height_mm)
    heights = finish.foot_height_mm + np.linspace(0.0, 12.0, 1201)
    lean = np.tan(np.radians(taper_deg)) * (heights - finish.foot_height_mm)
    if second_deg != taper_deg:
        lean += (np.tan(np.radians(second_deg)) - np.tan(np.radians(taper_deg))) * np.maximum(heights - bend, 0.0)
    radii = finish.foot_radius_mm - lean
    radii, heights = radii[radii > 0.05], heights[radii > 0.05]
    gone = heights >= top(radii)
    last = int(np.argmax(gone)) if gone.any() else len(gone) - 1
    keep = np.unique(
        np.concatenate([np.linspace(0, last, 25).round().astype(int), [int(np.searchsorted(heights, bend))]])
    )
    keep = keep[keep <= last]
    inwards = -float(radii[-1] - radii[-2]) / float(heights[-1] - heights[-2])
    at_axis = None if gone.any() else (float(heights[-1] + radii[-1] / inwards), inwards)
    return np.column_stack([radii[keep], heights[keep]]), float(heights[last]), at_axis


def _floor(margin_mm: tuple[float, float], finish: FinishLine) -> FloatArray:
    """From the margin along the flat floor (if any) and the arc, ending just before the foot."""
    angle = np.radians(np.linspace(finish.arc_end_deg, finish.arc_start_deg, 13)[:-1])
    start = np.radians(finish.arc_start_deg)
    centre = np.array([finish.foot_radius_mm, finish.foot_height_mm]) + finish.arc_radius_mm * np.array(
        [np.cos(start), np.sin(start)]
    )
    arc = centre - finish.arc_radius_mm * np.column_stack([np.cos(angle), np.sin(angle)])
    share = np.linspace(0.0, 1.0, 6)[:-1, None]
    flat = (1.0 - share) * np.array(margin_mm) + share * arc[0]
    return np.vstack([flat, arc])


def _outside(margin_mm: tuple[float, float], finish: FinishLine) -> FloatArray:
    """The floor carried on beyond the tooth, along its own slope at the margin."""
    end = np.radians(finish.arc_end_deg)
    away = np.array([[6.0], [0.5]]) * np.array([np.sin(end), -np.cos(end)])
    return np.asarray(np.array(margin_mm) + away)


def _rounded_corner(wall: FloatArray, above: FloatArray, radius_mm: float) -> FloatArray:
    """Wall and top joined by an arc tangent to both (the top taken as its chord over the arc's reach)."""
    corner = wall[-1]
    up = wall[-1] - wall[0 if len(wall) < 4 else -4]
    up /= np.linalg.norm(up)
    reach = np.linalg.norm(above - corner, axis=1)
    inwards = above[min(int(np.searchsorted(reach, 2.0 * radius_mm)), len(above) - 1)] - corner
    inwards /= np.linalg.norm(inwards)
    half = 0.5 * np.arccos(np.clip(-up @ inwards, -1.0, 1.0))
    cut = min(radius_mm / np.tan(half), 0.45 * float(np.linalg.norm(wall[-1] - wall[0])), float(reach[-1]))
    before = wall[np.linalg.norm(wall - corner, axis=1) > cut]
    beyond = above[reach > cut]
    start, end = corner - cut * up, corner + cut * inwards
    share = np.linspace(0.0, 1.0, 9)[:, None]
    weight = 1.0 / np.sin(half)
    rational = (1 - share) ** 2 + 2 * share * (1 - share) / weight + share**2
    arc = ((1 - share) ** 2 * start + 2 * share * (1 - share) / weight * corner + share**2 * end) / rational
    return np.vstack(
        [_spread(np.vstack([before, arc[:1]]), 18)[:-1], arc, _spread(np.vstack([arc[-1:], beyond]), 26)[1:]]
    )


def _spread(line: FloatArray, count: int) -> FloatArray:
    """`count` points at even arc length along a polyline, both ends kept."""
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    at = np.linspace(0.0, length[-1], count)
    return np.column_stack([np.interp(at, length, line[:, 0]), np.interp(at, length, line[:, 1])])
