"""How high the stump stands: at each wall, over its base, and what convergence that height still holds against."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from kerfmark.measurement.budget import effective_count, measured, shared_u_mm, unmeasured
from kerfmark.measurement.crown.fillet import Fillet, Noise
from kerfmark.measurement.crown.finish_line import edge_u_mm, foot_noise_mm, mean_u_mm, unseen_arc_u_mm
from kerfmark.measurement.crown.outer_margin import OUTER_STRETCH_MM, guard_mm
from kerfmark.measurement.crown.profile import CLEAR_OF_ENDS_MM, DRAWN_OUT_MM, Profile, meeting
from kerfmark.measurement.crown.steady import steady
from kerfmark.measurement.crown.stump import PLANES, WALLS, Stump
from kerfmark.records import Component, FloatArray, Reading, Status, Witness

__all__ = ["height", "height_to_base_ratio", "limiting_convergence", "parker_limit_deg"]

WIDE_ROUNDING_MM = 0.4
LEAST_FOR_A_LINE = 8


def parker_limit_deg(ratio: float) -> float:
    """The convergence up to which a stump of this height over its base still resists tipping, degrees.

    Notes
    -----
    Source: Parker et al. 1988: arcsin(H / B).

    Examples
    --------
    >>> round(parker_limit_deg(0.3), 2)
    17.46
    """
    return math.degrees(math.asin(ratio))


def height(stump: Stump) -> tuple[Reading, ...]:
    """In each wall's middle section, from the margin's level to where the wall's line meets the occlusal surface's."""
    return tuple(_height(stump, wall) for wall in WALLS)


def _height(stump: Stump, wall: str) -> Reading:
    name, around = "crown.height_mm", stump.about_path
    profile = around.at(WALLS[wall])
    found = _height_of(stump, profile)
    if found is None:
        return unmeasured(name, _why(profile), unit="mm", where=wall)
    assert profile.corner is not None
    assert profile.margin is not None
    foot = np.array([profile.corner[0], profile.margin[1]])
    segments = np.array([[foot, profile.corner], [foot, profile.margin]])
    witness = Witness(
        "length",
        segments_mm=around.place(profile, segments),
        plane=around.turning.plane("BL" if wall in ("buccal", "lingual") else "MD", WALLS[wall]),
    )
    budget = _height_budget(stump, [(profile, found)])
    return measured(name, found.value_mm, unit="mm", where=wall, budget=budget, witness=witness)


@dataclass(frozen=True, slots=True)
class _Height:
    """A section's height, steadied by the sections beside it, and what is uncertain about its two ends."""

    value_mm: float
    noise_mm: float
    slack_mm: float


def _height_of(stump: Stump, profile: Profile) -> _Height | None:
    """Height of one section; None where margin or line angle was not found."""
    if profile.corner is None or profile.margin is None:
        return None
    if profile.azimuth_deg not in stump.heights:
        stump.heights[profile.azimuth_deg] = _found_height(stump, profile)
    found: _Height = stump.heights[profile.azimuth_deg]
    return found


def _found_height(stump: Stump, profile: Profile) -> _Height:
    profiles = stump.about_path.profiles
    middle = profiles.index(profile)
    ends = (
        steady(_levels(profiles, "corner"), middle, noise=_corner_noise_mm(stump, profile)),
        steady(_levels(profiles, "margin"), middle, noise=_margin_noise_mm(stump, profile)),
    )
    top, bottom = ends
    return _Height(top.value - bottom.value, math.hypot(top.noise, bottom.noise), math.hypot(top.slack, bottom.slack))


def _levels(profiles: Sequence[Profile], landmark: str) -> FloatArray:
    """Heights of a landmark in the sections all round; NaN where it was not found."""
    places = [getattr(p, landmark) for p in profiles]
    return np.array([math.nan if place is None else place[1] for place in places])


def _height_budget(stump: Stump, found: list[tuple[Profile, _Height]]) -> tuple[Component, ...]:
    """Of the mean height of some sections: wall and occlusal line, and the floor at the edge, drawn out to meet."""
    ends = [stump.about_path.place(p, q) for p, _ in found for q in (p.corner, p.margin) if q is not None]
    n = len(found)
    weights = np.tile([1.0, -1.0], n) / n
    return (
        Component("surface noise", math.hypot(*(h.noise_mm for _, h in found)) / n),
        Component("sections averaged", math.hypot(*(h.slack_mm for _, h in found)) / n),
        Component("extent of the occlusal line", math.hypot(*(_extent_u_mm(stump, p) for p, _ in found)) / n),
        Component("finish line drawn out to the edge", max(_drawn_out_u_mm(p) for p, _ in found) / math.sqrt(n)),
        Component("trueness", shared_u_mm(stump.shared_mm, np.array(ends), weights)),
        Component("grid and mesh spacing", (0.001 + 0.01 * stump.edge_mm) / math.sqrt(n)),
    )


def _extent_u_mm(stump: Stump, profile: Profile) -> float:
    """How far the drawn-out corner moves, beyond noise, when other points are taken for the occlusal line.

    All from 0.4 mm inside the corner, where a wide rounding was fitted; the nearer half of them, where they are long enough.
    Nothing where the top is plane; on a rounded or grooved one the line, and so the height, is what is made of it.
    """
    edge = profile.edge
    assert edge is not None
    normal, _ = edge.second_line()
    off = edge.points - edge.apex
    along = off @ np.array([-normal[1], normal[0]])
    along, across = along * math.copysign(1.0, along[-1]), off @ normal
    begin = min(edge.radius * math.tan(edge.sweep / 2.0), WIDE_ROUNDING_MM)
    past = np.arange(len(off)) > int(np.argmin((off**2).sum(axis=1)))
    beyond = past & (along > begin)
    length = float(along[-1]) - begin
    if beyond.sum() < 2 * LEAST_FOR_A_LINE or length < WIDE_ROUNDING_MM:
        return 0.0
    corners = [float(np.polyfit(along[beyond], across[beyond], 1)[1])]
    if length > 2.0 * WIDE_ROUNDING_MM:
        near = beyond & (along < begin + 0.5 * length)
        if near.sum() >= LEAST_FOR_A_LINE:
            corners.append(float(np.polyfit(along[near], across[near], 1)[1]))
    noise = 4.0 * stump.noise_mm / math.sqrt(effective_count(edge_mm=edge.along_mm, length_mm=0.5 * length))
    moved = max(abs(corner) for corner in corners)
    return max(0.0, moved - 2.0 * noise) / max(abs(float(normal[1])), 0.3) / math.sqrt(3.0)


def _drawn_out_u_mm(profile: Profile) -> float:
    """An arc that ends at the edge may go on beyond its last points or straight on; half way between is taken."""
    fillet = profile.internal
    if fillet is None or "sweep" not in fillet.fixed:
        return 0.0
    return 0.25 * DRAWN_OUT_MM**2 / fillet.radius / math.sqrt(3.0)


def _corner_noise_mm(stump: Stump, profile: Profile) -> Noise:
    """Noise of the level where one section's wall and occlusal lines would meet."""
    edge, wall = profile.edge, profile.wall
    assert edge is not None
    assert wall is not None

    def level(fit: Fillet) -> float:
        place = meeting(wall, fit)
        return 0.0 if place is None else float(place[1])

    normal, _ = edge.second_line()
    rise = abs(float(normal[0])) / max(abs(float(normal[1])), 0.1)
    drawn = math.sqrt(1.0 + 12.0 * (0.5 + CLEAR_OF_ENDS_MM / wall.length_mm) ** 2)
    by_wall = rise * drawn * mean_u_mm(stump, profile, wall.low, wall.length_mm)
    return edge.noise_of(level, stump.noise_of_fits_mm).beside(by_wall)


def _margin_noise_mm(stump: Stump, profile: Profile) -> Noise:
    """Noise of one section's margin level: the floor's outer stretch, its curve drawn out, and where the old surface is."""
    fillet, margin = profile.internal, profile.margin
    assert margin is not None
    if fillet is None or profile.wall is None:
        lean = math.radians(max(profile.wall.lean_deg if profile.wall is not None else 5.0, 2.0))
        return Noise(2.0 * mean_u_mm(stump, profile, margin, 1.2) / math.sin(lean), 0.0)
    inner = float(margin[0]) - guard_mm(stump.edge_mm) - np.linspace(0.0, OUTER_STRETCH_MM, 5)

    def drawn_out(fit: Fillet) -> float:
        return fit.floor_at(float(margin[0])) - float(np.mean([fit.floor_at(float(r)) for r in inner]))

    slope = (fillet.floor_at(float(margin[0]) + 0.01) - fillet.floor_at(float(margin[0]) - 0.01)) / 0.02
    own = mean_u_mm(stump, profile, margin, OUTER_STRETCH_MM)
    return fillet.noise_of(drawn_out, stump.noise_of_fits_mm).beside(own, slope * edge_u_mm(stump, profile))


def height_to_base_ratio(stump: Stump) -> tuple[Reading, ...]:
    """Mean height of the two sides over the base from foot to foot, in each plane."""
    return tuple(_ratio(stump, plane) for plane in PLANES)


def _ratio(stump: Stump, plane: str) -> Reading:
    name, around = "crown.height_to_base_ratio", stump.about_path
    sides = _sides(stump, plane)
    found = [(p, h) for p in sides if (h := _height_of(stump, p)) is not None and p.foot is not None]
    if len(found) < len(sides):
        return unmeasured(name, _why(next(p for p in sides if p not in [q for q, _ in found])), unit="1", where=plane)
    base = _base_mm(sides)
    value = float(np.mean([h.value_mm for _, h in found])) / base
    u_base = math.hypot(*(u for p in sides for u in foot_noise_mm(stump, p)))
    budget = [Component(c.source, c.u / base) for c in _height_budget(stump, found)]
    budget.append(Component("base", value * u_base / base))
    feet = np.array([around.place(p, p.foot) for p in sides if p.foot is not None])
    smooth = shared_u_mm(stump.shared_mm, feet, np.ones(len(feet)))
    budget.append(Component("trueness of the base", value * smooth / base))
    budget.append(Component("an arc too small to be seen", value * 2.0 * unseen_arc_u_mm(stump, sides) / base))
    witness = Witness(
        "length", segments_mm=_base_and_heights(stump, sides), plane=around.turning.plane(plane, PLANES[plane])
    )
    return measured(name, value, unit="1", where=plane, budget=budget, witness=witness)


def limiting_convergence(stump: Stump) -> tuple[Reading, ...]:
    """arcsin(H / B) in each plane, and with `stat` `excess` by how much the measured convergence is above it."""
    from kerfmark.measurement.crown.walls import total_occlusal_convergence

    found = zip(height_to_base_ratio(stump), total_occlusal_convergence(stump), strict=True)
    return tuple(r for ratio, convergence in found for r in _limit(ratio, convergence))


def _limit(ratio: Reading, convergence: Reading) -> tuple[Reading, ...]:
    name, where = "crown.limiting_convergence_deg", ratio.where
    if ratio.value is None or ratio.u is None or ratio.value >= 1.0:
        reason = ratio.reason or "the stump is higher than its base is wide: no convergence is too much"
        status: Status = "not_measurable" if ratio.value is None else "not_applicable"
        return tuple(unmeasured(name, reason, unit="deg", where=where, stat=s, status=status) for s in (None, "excess"))
    limit = parker_limit_deg(ratio.value)
    slope = math.degrees(1.0) / math.sqrt(1.0 - ratio.value**2)
    budget = tuple(Component(c.source, c.u * slope) for c in ratio.budget)
    assert ratio.witness is not None
    reading = measured(name, limit, unit="deg", where=where, budget=budget, witness=ratio.witness)
    if convergence.value is None or convergence.witness is None:
        excess = unmeasured(name, convergence.reason or "", unit="deg", where=where, stat="excess")
    else:
        both = (*budget, Component("convergence", convergence.u or 0.0))
        over = convergence.value - limit
        excess = measured(name, over, unit="deg", where=where, stat="excess", budget=both, witness=convergence.witness)
    return reading, excess


def _sides(stump: Stump, plane: str) -> list[Profile]:
    return [stump.about_path.at(PLANES[plane] + turn) for turn in (0.0, 180.0)]


def _base_mm(sides: list[Profile]) -> float:
    """Foot to foot, as a distance across the path."""
    return float(sum(p.foot[0] for p in sides if p.foot is not None))


def _base_and_heights(stump: Stump, sides: list[Profile]) -> FloatArray:
    around = stump.about_path
    feet = [around.place(p, p.foot) for p in sides if p.foot is not None]
    segments = [np.array(feet)]
    for p in sides:
        assert p.corner is not None
        assert p.margin is not None
        segments.append(around.place(p, np.array([[p.corner[0], p.margin[1]], p.corner])))
    return np.array(segments)


def _why(profile: Profile) -> str:
    return f"{profile.place}: {profile.trouble or 'the occlusal surface is too small to fit a line to'}"
