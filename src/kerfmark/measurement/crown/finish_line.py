"""The finish line: how wide its floor is, wall by wall, and what form it has round the tooth."""

from __future__ import annotations

import math

import numpy as np

from kerfmark.measurement.budget import effective_count, measured, shared_u_mm, unmeasured
from kerfmark.measurement.crown.profile import Profile
from kerfmark.measurement.crown.spread import without_noise
from kerfmark.measurement.crown.stump import WALLS, Stump
from kerfmark.records import Component, FloatArray, Reading, Witness

__all__ = ["FORMS", "LEAST_SHARE", "finish_line_form", "finish_line_width", "form_of", "width_mm"]

FORMS = ("shoulder", "chamfer", "deep chamfer", "knife edge")
PERCENTILES = {"median": 50.0, "p05": 5.0, "p95": 95.0}
LEAST_SHARE = 0.75
KNIFE_EDGE_MM = 0.3
SQUARE_WITHIN_DEG = 15.0


def width_mm(profile: Profile) -> float | None:
    """From the outer margin to the foot of the wall, at right angles to the path; None where either was not found."""
    if profile.margin is None or profile.foot is None or profile.wall is None:
        return None
    return float(profile.margin[0] - profile.foot[0])


def finish_line_width(stump: Stump) -> tuple[Reading, ...]:
    """Median, 5th and 95th percentile of the width over each wall's sections."""
    return tuple(r for wall in WALLS for r in _widths(stump, wall))


def _widths(stump: Stump, wall: str) -> tuple[Reading, ...]:
    name, sections = "crown.finish_line_width_mm", stump.about_path.wall(wall)
    found = [(p, w) for p in sections if (w := width_mm(p)) is not None]
    if len(found) < LEAST_SHARE * len(sections):
        reason = _missing(len(found), sections)
        return tuple(unmeasured(name, reason, unit="mm", where=wall, stat=stat) for stat in PERCENTILES)
    left_out = None if len(found) == len(sections) else _missing(len(found), sections)
    widths = np.array([w for _, w in found])
    return tuple(
        measured(
            name,
            without_noise(widths, at=at, noise_mm=_noise_seen_mm(stump, widths)),
            unit="mm",
            where=wall,
            stat=stat,
            budget=_budget(stump, [p for p, _ in found], at=at),
            witness=_witness(stump, wall, found, float(np.percentile(widths, at))),
            reason=left_out,
        )
        for stat, at in PERCENTILES.items()
    )


def section_width_u_mm(stump: Stump) -> float:
    """Noise of one section's width: the uncut surface below the edge, and the wall's line at its lower end."""
    below = effective_count(edge_mm=stump.edge_mm, length_mm=0.7)
    wall = effective_count(edge_mm=stump.edge_mm, length_mm=1.4)
    return stump.noise_mm * math.sqrt(1.5 / below + 7.0 / wall)


def _noise_seen_mm(stump: Stump, widths: FloatArray) -> float:
    """Noise of one section's width, from how far each lies off its neighbours' mean; real widths change slowly.

    Held below 2.5 times what the surface's noise explains, so that ledges are not taken for noise.
    """
    if len(widths) < 5:
        return section_width_u_mm(stump)
    seen = float(np.sqrt(np.mean(np.diff(widths, 2) ** 2) / 6.0))
    return min(seen, 2.5 * section_width_u_mm(stump))


def _budget(stump: Stump, found: list[Profile], *, at: float) -> tuple[Component, ...]:
    one, n = section_width_u_mm(stump), len(found)
    # Standard error of a percentile of n normal values, times the root of n: 1.25 for the median, 2.1 at 5 and 95 %.
    factor = 1.25 if at == 50.0 else 2.1
    widened = 0.0 if at == 50.0 else 0.6 * one
    around = stump.about_path
    margins = np.array([around.place(p, p.margin) for p in found if p.margin is not None])
    feet = np.array([around.place(p, p.foot) for p in found if p.foot is not None])
    points, weights = np.concatenate([margins[::3], feet[::3]]), np.repeat([1.0, -1.0], len(margins[::3]))
    return (
        Component("surface noise", factor * one / math.sqrt(n)),
        Component("noise taken out of the spread", widened),
        Component("trueness", shared_u_mm(stump.shared_mm, points, weights / len(margins[::3]))),
        Component("grid spacing", 0.001),
        Component("place of the foot", _foot_u_mm(found, edge_mm=stump.edge_mm) * (1.0 if at == 50.0 else 4.0)),
    )


def _foot_u_mm(found: list[Profile], *, edge_mm: float) -> float:
    """The arc's start is known to a part of the arc and of a triangle, along a wall that leans: what that does."""
    fillets = [p.internal for p in found if p.internal is not None]
    along = [(0.015 * f.radius + 0.1 * edge_mm) * abs(math.sin(f.lean)) for f in fillets]
    return float(np.mean(along)) if along else 0.0


def _witness(stump: Stump, wall: str, found: list[tuple[Profile, float]], value: float) -> Witness:
    """The section whose width is nearest the value, with the margin and the foot of all."""
    around = stump.about_path
    profile, _ = min(found, key=lambda pair: abs(pair[1] - value))
    assert profile.margin is not None
    assert profile.foot is not None
    inner = np.array([profile.foot[0], profile.margin[1]])
    segments = np.array([[profile.margin, inner], [inner, profile.foot]])
    feet = np.array([around.place(p, p.foot) for p, _ in found if p.foot is not None])
    margins = np.array([around.place(p, p.margin) for p, _ in found if p.margin is not None])
    plane = around.turning.plane(f"{wall} {profile.azimuth_deg:.0f}°", profile.azimuth_deg)
    return Witness("length", segments_mm=around.place(profile, segments), curves_mm=(margins, feet), plane=plane)


def form_of(profile: Profile) -> str | None:
    """The form of one section's finish line; None where margin, foot or wall is missing."""
    width = width_mm(profile)
    if width is None or profile.margin is None:
        return None
    if width < KNIFE_EDGE_MM or profile.internal is None:
        return "knife edge"
    fillet = profile.internal
    if fillet.radius < width / 2.0:
        return "shoulder"
    return "deep chamfer" if abs(_arc_end_deg(profile)) <= SQUARE_WITHIN_DEG else "chamfer"


def _arc_end_deg(profile: Profile) -> float:
    """Direction of the arc at its outer end (or at the margin, where that comes first) against a right angle to the path."""
    assert profile.internal is not None
    assert profile.margin is not None
    fillet = profile.internal
    wall, normal = fillet.axes()
    centre = fillet.start * wall + (fillet.offset + fillet.radius) * normal
    to_margin = profile.margin - centre
    reached = math.atan2(-float(to_margin @ wall), -float(to_margin @ normal))
    turned = min(fillet.sweep, reached) if reached > 0.0 else fillet.sweep
    return math.degrees(turned + fillet.lean) - 90.0


def finish_line_form(stump: Stump) -> tuple[Reading, ...]:
    """Fraction of the circumference with each form."""
    name, profiles = "crown.finish_line_form", stump.about_path.profiles
    forms = [form_of(p) for p in profiles]
    found = [f for f in forms if f is not None]
    if len(found) < LEAST_SHARE * len(profiles):
        reason = _missing(len(found), profiles)
        return tuple(unmeasured(name, reason, unit="1", where=form) for form in FORMS)
    left_out = None if len(found) == len(profiles) else _missing(len(found), profiles)
    return tuple(_share(stump, form, forms, left_out) for form in FORMS)


def _share(stump: Stump, form: str, forms: list[str | None], left_out: str | None) -> Reading:
    profiles, n = stump.about_path.profiles, sum(f is not None for f in forms)
    share = forms.count(form) / n
    near = sum(_near_a_border(p, stump) for p, f in zip(profiles, forms, strict=True) if f is not None)
    alike = [p for p, f in zip(profiles, forms, strict=True) if f == form]
    points = [stump.about_path.place(p, p.margin) for p in alike if p.margin is not None]
    budget = (
        Component("sections every 5°", 0.5 / n if 0.0 < share < 1.0 else 0.0),
        Component("sections near a border between forms", math.sqrt(near) / 2.0 / n),
        Component("landmarks", 0.25 / n),
    )
    witness = Witness("points", points_mm=np.array(points).reshape(-1, 3))
    return measured(
        "crown.finish_line_form", share, unit="1", where=form, budget=budget, witness=witness, reason=left_out
    )


def _near_a_border(profile: Profile, stump: Stump) -> bool:
    """Whether radius, width or angle lies within two standard uncertainties of a limit between forms."""
    width = width_mm(profile)
    if width is None:
        return False
    if abs(width - KNIFE_EDGE_MM) < 2.0 * section_width_u_mm(stump):
        return True
    if profile.internal is None or width < KNIFE_EDGE_MM:
        return False
    arc = 5.0 * stump.noise_mm  # the radius of an arc this short is known far worse than the surface
    near_shoulder = abs(profile.internal.radius - width / 2.0) < arc
    chamfered = profile.internal.radius >= width / 2.0
    return near_shoulder or (chamfered and abs(abs(_arc_end_deg(profile)) - SQUARE_WITHIN_DEG) < 3.0)


def _missing(found: int, sections: tuple[Profile, ...]) -> str:
    reasons = [p.trouble for p in sections if p.trouble]
    common = max(set(reasons), key=reasons.count) if reasons else "margin or foot was not found"
    return f"{len(sections) - found} of {len(sections)} sections left out: {common}"
