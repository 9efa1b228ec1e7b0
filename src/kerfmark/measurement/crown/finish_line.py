"""The finish line: how wide its floor is, wall by wall, and what form it has round the tooth."""

from __future__ import annotations

import math

import numpy as np

from kerfmark.measurement.budget import effective_count, measured, shared_u_mm, unmeasured
from kerfmark.measurement.crown.fillet import SHARP_MM, SIGNIFICANT, Noise
from kerfmark.measurement.crown.outer_margin import UNCUT_MM, guard_mm
from kerfmark.measurement.crown.profile import LEAST_TOGETHER, Profile
from kerfmark.measurement.crown.sections import STEP_MM
from kerfmark.measurement.crown.spread import Percentile, percentile, smoothed
from kerfmark.measurement.crown.stump import WALLS, Stump
from kerfmark.records import Component, FloatArray, Reading, Witness

__all__ = [
    "FORMS",
    "LEAST_SHARE",
    "edge_u_mm",
    "finish_line_form",
    "finish_line_width",
    "foot_noise_mm",
    "form_of",
    "mean_u_mm",
    "unseen_arc_u_mm",
    "width_mm",
]

FORMS = ("shoulder", "chamfer", "deep chamfer", "knife edge")
PERCENTILES = {"median": 50.0, "p05": 5.0, "p95": 95.0}
LEAST_SHARE = 0.75
KNIFE_EDGE_MM = 0.3
SQUARE_WITHIN_DEG = 15.0
ARC_SEEN = 0.14
"""χ² by which an arc of radius r betters a sharp corner, over r³ / (side of a triangle · noise²)."""
SEEN_AND_FOUND = 4.75
"""Standard deviations above noise from which an arc is taken for one (3.1), and 1.65 more for one that is found 19 times of 20."""
EVENLY = 0.29
"""Standard deviation of what lies evenly between 0 and 1: √(1 / 12)."""
NEIGHBOURS = 7.0


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
    noise = _noise_mm(stump, [p for p, _ in found])
    smooth, left = smoothed(_round_about(stump), noise=noise.own)
    kept = math.hypot(left, noise.shared)
    # Smoothing and sharing make neighbours alike: of n sections' noise as much is left in the mean as they allow.
    mean_square = (noise.own**2 + NEIGHBOURS * noise.shared**2) / len(found)
    independent = float(np.clip(kept**2 / max(mean_square, 1e-18), 1.6, len(found)))
    beside = [stump.about_path.profiles.index(p) for p, _ in found]
    widths = smooth[beside]
    readings = []
    for stat, at in PERCENTILES.items():
        got = percentile(widths, at=at, noise=kept, independent=independent)
        budget = _budget(stump, [p for p, _ in found], got)
        witness = _witness(stump, wall, found, got.value)
        readings.append(
            measured(name, got.value, unit="mm", where=wall, stat=stat, budget=budget, witness=witness, reason=left_out)
        )
    return tuple(readings)


def _round_about(stump: Stump) -> FloatArray:
    """Widths of all sections round the stump; NaN where one has none."""
    widths = [width_mm(p) for p in stump.about_path.profiles]
    return np.array([math.nan if w is None else w for w in widths])


def _noise_mm(stump: Stump, found: list[Profile]) -> Noise:
    """Noise of one section's width: the usual one of every sixth section's."""
    some = [foot_noise_mm(stump, p).beside(edge_u_mm(stump, p)) for p in found[::6]]
    own, shared = np.median(np.array(some), axis=0)
    return Noise(float(own), float(shared))


def foot_noise_mm(stump: Stump, profile: Profile) -> Noise:
    """Noise of the place of one section's foot, from the fit of floor, arc and wall."""
    fillet, foot = profile.internal, profile.foot
    assert foot is not None
    if fillet is None:
        length = profile.wall.length_mm if profile.wall is not None else 1.0
        return Noise(3.0 * mean_u_mm(stump, profile, foot, length), 0.0)
    return fillet.noise_of(lambda fit: float(fit.tangent[0]), stump.noise_of_fits_mm)


def unseen_arc_u_mm(stump: Stump, found: list[Profile]) -> float:
    """What an arc too small to be seen in all sections together would move the foot of a leaning wall by.

    One instrument cuts one radius: the wall's sections err together. An arc of radius r betters each section's fit by
    `ARC_SEEN` r³ / (side · noise²) of χ².
    """
    sharp = [f for p in stump.about_path.profiles if (f := p.internal) is not None and f.radius <= SHARP_MM]
    beside = [f for p in found if (f := p.internal) is not None and f.radius <= SHARP_MM]
    if not beside:
        return 0.0
    alone, together = SIGNIFICANT[1], SEEN_AND_FOUND * math.sqrt(1.25 / len(sharp))
    seen = together if len(sharp) >= LEAST_TOGETHER else alone
    unseen = math.cbrt(seen * beside[0].along_mm * stump.noise_mm**2 / ARC_SEEN)
    drawn = [abs(math.sin(f.lean)) * math.tan(min(f.sweep, 2.0) / 2.0) for f in beside]
    return EVENLY * unseen * float(np.sum(drawn)) / len(found)


def edge_u_mm(stump: Stump, profile: Profile) -> float:
    """Noise of the place of one section's outer margin: the level of the uncut surface below it."""
    assert profile.margin is not None
    length = UNCUT_MM - guard_mm(stump.edge_mm)
    return mean_u_mm(stump, profile, profile.margin, length, before=True)


def mean_u_mm(stump: Stump, profile: Profile, begin: FloatArray, length_mm: float, *, before: bool = False) -> float:
    """Noise of the mean of a section's points over a length from a place upwards, or before it downwards."""
    start, steps = profile.section.near(begin), round(length_mm / STEP_MM)
    low, high = (start - steps, start) if before else (start, start + steps)
    along = profile.section.along_mm(max(low, 0), min(high, len(profile.section.points) - 1))
    return stump.noise_of_fits_mm / math.sqrt(effective_count(edge_mm=along, length_mm=length_mm))


def _budget(stump: Stump, found: list[Profile], got: Percentile) -> tuple[Component, ...]:
    around = stump.about_path
    margins = np.array([around.place(p, p.margin) for p in found if p.margin is not None])
    feet = np.array([around.place(p, p.foot) for p in found if p.foot is not None])
    points, weights = np.concatenate([margins[::3], feet[::3]]), np.repeat([1.0, -1.0], len(margins[::3]))
    return (
        Component("surface noise", got.noise),
        Component("noise taken out of the spread", got.widened),
        Component("trueness", shared_u_mm(stump.shared_mm, points, weights / len(margins[::3]))),
        Component("an arc too small to be seen", unseen_arc_u_mm(stump, found)),
        Component("triangles folded by noise", stump.folded_mm),
        Component("grid spacing", 0.0005),
        Component("place of the foot", _foot_u_mm(found, edge_mm=stump.edge_mm)),
    )


def section_width_u_mm(stump: Stump) -> float:
    """Noise of one section's width, of the usual one all round."""
    found = [p for p in stump.about_path.profiles[::4] if width_mm(p) is not None]
    return math.hypot(*_noise_mm(stump, found)) if found else stump.noise_mm


def _foot_u_mm(found: list[Profile], *, edge_mm: float) -> float:
    """The arc's start is known to a part of the arc and of a triangle, along a wall that leans: what that does."""
    fillets = [p.internal for p in found if p.internal is not None]
    along = [(0.005 * f.radius + 0.05 * edge_mm) * abs(math.sin(f.lean)) for f in fillets]
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
    width_u_mm = section_width_u_mm(stump)
    near = sum(_near_a_border(p, stump, width_u_mm) for p, f in zip(profiles, forms, strict=True) if f is not None)
    return tuple(_share(stump, form, forms, near, left_out) for form in FORMS)


def _share(stump: Stump, form: str, forms: list[str | None], near: int, left_out: str | None) -> Reading:
    profiles, n = stump.about_path.profiles, sum(f is not None for f in forms)
    share = forms.count(form) / n
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


def _near_a_border(profile: Profile, stump: Stump, width_u_mm: float) -> bool:
    """Whether radius, width or angle lies within two standard uncertainties of a limit between forms."""
    width = width_mm(profile)
    if width is None:
        return False
    if abs(width - KNIFE_EDGE_MM) < 2.0 * width_u_mm:
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
