"""How high the stump stands: at each wall, over its base, and what convergence that height still holds against."""

from __future__ import annotations

import math

import numpy as np

from kerfmark.measurement.budget import effective_count, measured, shared_u_mm, unmeasured
from kerfmark.measurement.crown.finish_line import section_width_u_mm
from kerfmark.measurement.crown.profile import Profile
from kerfmark.measurement.crown.stump import PLANES, WALLS, Stump
from kerfmark.records import Component, FloatArray, Reading, Status, Witness

__all__ = ["height", "height_to_base_ratio", "limiting_convergence", "parker_limit_deg"]

WIDE_ARC_MM = 0.4


MEETING_MM = 0.0085
"""How well the drawn-out wall and top place the point where they would meet, from repeats of phantoms (docs/accuracy.md)."""


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
    value = _height_mm(profile)
    if value is None:
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
    return measured(name, value, unit="mm", where=wall, budget=_height_budget(stump, [profile]), witness=witness)


def _height_mm(profile: Profile) -> float | None:
    if profile.corner is None or profile.margin is None:
        return None
    return float(profile.corner[1] - profile.margin[1])


def _height_budget(stump: Stump, profiles: list[Profile]) -> tuple[Component, ...]:
    """Of the mean height of some sections: occlusal line, floor at the edge, both drawn out beyond their points."""
    count = effective_count(edge_mm=stump.edge_mm, length_mm=1.0)
    floors = [_floor_u_mm(stump, p) for p in profiles]
    top = stump.noise_mm * 2.5 / math.sqrt(count)
    ends = [stump.about_path.place(p, q) for p in profiles for q in (p.corner, p.margin) if q is not None]
    weights = np.tile([1.0, -1.0], len(profiles)) / len(profiles)
    n = len(profiles)
    return (
        Component("surface noise", math.sqrt(sum(top**2 + f**2 for f in floors)) / n),
        Component("trueness", shared_u_mm(stump.shared_mm, np.array(ends), weights)),
        Component("where wall and top would meet", MEETING_MM / math.sqrt(n)),
        Component("finish line drawn out to the edge", max(_drawn_out_u_mm(p) for p in profiles) / math.sqrt(n)),
    )


def _drawn_out_u_mm(profile: Profile) -> float:
    """A wide arc that reaches the edge may as well end 0.1 mm before it: the level that far from its lowest point."""
    fillet = profile.internal
    return 0.1**2 / (2.0 * fillet.radius) if fillet is not None and fillet.radius > WIDE_ARC_MM else 0.0


def _floor_u_mm(stump: Stump, profile: Profile) -> float:
    """Noise of the margin's level: a floor square to the outer surface gives it well, a knife edge hardly."""
    count = effective_count(edge_mm=stump.edge_mm, length_mm=0.4 if profile.internal is not None else 1.2)
    if profile.internal is None or profile.wall is None:
        lean = math.radians(max(profile.wall.lean_deg if profile.wall is not None else 5.0, 2.0))
        return stump.noise_mm * 2.0 / math.sqrt(count) / math.sin(lean)
    return stump.noise_mm * 3.3 / math.sqrt(count)


def height_to_base_ratio(stump: Stump) -> tuple[Reading, ...]:
    """Mean height of the two sides over the base from foot to foot, in each plane."""
    return tuple(_ratio(stump, plane) for plane in PLANES)


def _ratio(stump: Stump, plane: str) -> Reading:
    name, around = "crown.height_to_base_ratio", stump.about_path
    sides = _sides(stump, plane)
    lacking = next((p for p in sides if _height_mm(p) is None or p.foot is None), None)
    if lacking is not None:
        return unmeasured(name, _why(lacking), unit="1", where=plane)
    heights, base = [_height_mm(p) or 0.0 for p in sides], _base_mm(sides)
    value = float(np.mean(heights)) / base
    u_base = math.hypot(section_width_u_mm(stump), section_width_u_mm(stump))
    budget = [Component(c.source, c.u / base) for c in _height_budget(stump, sides)]
    budget.append(Component("base", value * u_base / base))
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
    return f"at {profile.azimuth_deg:.0f}° {profile.trouble or 'the occlusal surface is too small to fit a line to'}"
