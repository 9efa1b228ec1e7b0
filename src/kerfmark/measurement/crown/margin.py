"""The margin as a curve: is it there all round, how smooth is it, how far above the gingiva."""

from __future__ import annotations

import math

import numpy as np

from kerfmark.geometry.grids import sample
from kerfmark.geometry.sections import radial_profiles
from kerfmark.measurement.budget import alignment_u_mm, effective_count, measured, shared_u_mm, unmeasured
from kerfmark.measurement.crown.finish_line import LEAST_SHARE
from kerfmark.measurement.crown.outer_margin import guard_mm
from kerfmark.measurement.crown.profile import Profile
from kerfmark.measurement.crown.sections import even_section
from kerfmark.measurement.crown.stump import WALLS, Round, Stump, compacted
from kerfmark.records import Component, FloatArray, Reading, Surface, Witness

__all__ = ["gaussian_low_pass", "margin_continuity", "margin_smoothness", "margin_to_gingiva"]

CUTOFF_MM = 2.0
FORM_CUTOFFS = 4.0
GAPS_CLOSED = 0.1
BESIDE_TOOTH_MM = 0.25


def margin_continuity(stump: Stump) -> tuple[Reading, ...]:
    """Fraction of the circumference, in sections every 5°, that has a margin."""
    name, around = "crown.margin_continuity", stump.about_path
    share = sum(p.margin is not None for p in around.profiles) / len(around.profiles)
    if share == 0.0:
        return (unmeasured(name, around.profiles[0].trouble or "no margin was found", unit="1"),)
    gaps = _gap_count(around.profiles)
    budget = (
        Component("sections every 5°", math.sqrt(2.0 * gaps / 12.0) / len(around.profiles)),
        Component("landmarks", 0.25 / len(around.profiles)),
    )
    witness = Witness("curve", points_mm=around.margin_mm, curves_mm=(around.margin_mm,))
    return (measured(name, share, unit="1", budget=budget, witness=witness),)


def _gap_count(profiles: tuple[Profile, ...]) -> int:
    there = np.array([p.margin is not None for p in profiles])
    return int(np.count_nonzero(there & ~np.roll(there, -1)))


def margin_smoothness(stump: Stump) -> tuple[Reading, ...]:
    """RMS of the margin about itself low-passed at 2 mm, the source's own noise taken off."""
    name, fine = "crown.margin_smoothness_um", stump.fine_margin
    there = np.array([p.margin is not None for p in fine.profiles])
    if there.mean() < 1.0 - GAPS_CLOSED:
        reason = f"the margin was found over {100.0 * there.mean():.0f} % of the circumference, 90 % are needed"
        return (unmeasured(name, reason, unit="um"),)
    curve, known = _closed(fine, there)
    smooth = gaussian_low_pass(curve, cutoff_mm=CUTOFF_MM)
    off = _across(curve - smooth, smooth)[known]
    rms = 1000.0 * math.sqrt(float((off**2).sum(axis=1).mean()))
    noise = _noise_um(stump)
    value = math.sqrt(max(rms**2 - noise**2, 0.0))
    # The noise itself is known to about a tenth, and its mean square over the curve's independent stretches.
    stretches = max(len(curve) * _spacing_mm(curve) / 0.3, 2.0)
    square = math.hypot(0.2 * noise**2, rms**2 * math.sqrt(2.0 / stretches))
    budget = (
        Component("surface noise", square / (2.0 * max(value, noise, 1.0))),
        Component("grid and mesh spacing", 4.2),
    )
    return (measured(name, value, unit="um", budget=budget, witness=Witness("curve", curves_mm=(curve, smooth))),)


def gaussian_low_pass(curve_mm: FloatArray, *, cutoff_mm: float) -> FloatArray:
    """A closed curve of evenly spaced points (n, d) with waves shorter than `cutoff_mm` taken out.

    Notes
    -----
    Source: ISO 16610-21, Gaussian filter: half of a wave of the cutoff length passes, 2^−(cutoff / λ)² of one of length λ.
    Waves of four cutoffs and longer are form, which the standard has taken out before the filter; they pass whole. (The
    filter alone would shrink a ring 10 mm across by 14 µm.)
    """
    spacing = _spacing_mm(curve_mm)
    per_mm = np.fft.rfftfreq(len(curve_mm), spacing)[:, None]
    passed = np.where(per_mm * FORM_CUTOFFS * cutoff_mm <= 1.0, 1.0, 2.0 ** -((cutoff_mm * per_mm) ** 2))
    return np.asarray(np.fft.irfft(np.fft.rfft(curve_mm, axis=0) * passed, len(curve_mm), axis=0))


def _spacing_mm(curve: FloatArray) -> float:
    return float(np.linalg.norm(np.roll(curve, -1, axis=0) - curve, axis=1).mean())


def _closed(fine: Round, there: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The margin evenly sampled by arc length, gaps bridged, and which samples lie on what was found."""
    angles = np.array([p.azimuth_deg for p in fine.profiles])
    found = np.array([fine.place(p, p.margin) for p in fine.profiles if p.margin is not None])
    whole = np.column_stack([np.interp(angles, angles[there], found[:, i], period=360.0) for i in range(3)])
    ring = np.concatenate([whole, whole[:1]])
    rough = gaussian_low_pass(whole, cutoff_mm=1.0)  # lengths along the curve itself would grow with its noise
    steps = np.linalg.norm(np.roll(rough, -1, axis=0) - rough, axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    wanted = np.linspace(0.0, along[-1], len(whole), endpoint=False)
    curve = np.column_stack([np.interp(wanted, along, ring[:, i]) for i in range(3)])
    known = np.interp(wanted, along, np.append(there, there[0]).astype(float)) > 0.99
    return curve, known


def _across(offsets: FloatArray, curve: FloatArray) -> FloatArray:
    """Offsets less their part along the curve."""
    along = np.roll(curve, -1, axis=0) - np.roll(curve, 1, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    return np.asarray(offsets - (offsets * along).sum(axis=1)[:, None] * along)


def _noise_um(stump: Stump) -> float:
    """What the surface's noise alone puts on a margin point: the old surface's level and the floor drawn out to it.

    A line fitted over a length L and read a distance e from its middle is uncertain by (1 + 12 e² / L²) / n.
    """
    length = 0.35
    guard = guard_mm(stump.edge_mm)
    drawn = [
        np.hypot(*(p.margin - p.section.points[p.first_cut]))
        for p in stump.fine_margin.profiles
        if p.margin is not None
    ]
    lever = float(np.median(drawn)) + guard + length / 2.0
    level = 1.0 / effective_count(edge_mm=stump.edge_mm, length_mm=0.7)
    floor = (1.0 + 12.0 * (lever / length) ** 2) / effective_count(edge_mm=stump.edge_mm, length_mm=length)
    return 1000.0 * stump.noise_mm * math.sqrt(level + floor)


def margin_to_gingiva(stump: Stump) -> tuple[Reading, ...]:
    """Height of the margin above the gingiva's crest, or the cervical line where there is none; median of each wall."""
    line = _cervical_heights(stump)
    return tuple(_to_gingiva(stump, wall, line) for wall in WALLS)


def _to_gingiva(stump: Stump, wall: str, line: dict[float, float] | None) -> Reading:
    name, around = "crown.margin_to_gingiva_mm", stump.about_path
    if line is None:
        reason = "the exercise has neither a gingiva nor an enamel layer to measure from"
        return unmeasured(name, reason, unit="mm", where=wall, status="not_applicable")
    sections = around.wall(wall)
    found = [(p, p.margin[1] - line[p.azimuth_deg]) for p in sections if p.margin is not None and p.azimuth_deg in line]
    if len(found) < LEAST_SHARE * len(sections):
        return unmeasured(
            name,
            f"margin and gingiva were both found in {len(found)} of {len(sections)} sections",
            unit="mm",
            where=wall,
        )
    value = float(np.median([d for _, d in found]))
    middle, distance = min(found, key=lambda pair: abs(pair[1] - value))
    assert middle.margin is not None
    below = np.array([middle.margin[0], middle.margin[1] - distance])
    margins = np.array([around.place(p, p.margin) for p, _ in found if p.margin is not None])
    count = effective_count(edge_mm=stump.edge_mm, length_mm=0.4)
    budget = (
        Component("surface noise", 2.2 * stump.noise_mm / math.sqrt(count * len(found))),
        Component("trueness", shared_u_mm(stump.shared_mm, margins, np.full(len(margins), 1.0 / len(margins)))),
        Component("alignment", alignment_u_mm(stump.piece.alignment, margins, around.turning.path)),
        Component("crest of the gingiva", 0.01),
    )
    plane = around.turning.plane(f"{wall} {middle.azimuth_deg:.0f}°", middle.azimuth_deg)
    witness = Witness("length", segments_mm=around.place(middle, np.array([[below, middle.margin]])), plane=plane)
    return measured(name, value, unit="mm", where=wall, budget=budget, witness=witness)


def _cervical_heights(stump: Stump) -> dict[float, float] | None:
    """Height of the gingiva's crest at the tooth, or of the enamel's lower border, at each section's azimuth."""
    prepared = stump.prepared
    if prepared.gingiva is not None:
        return _extremes(stump, prepared.gingiva, crest=True)
    enamel = prepared.layers.get("enamel")
    return None if enamel is None else _extremes(stump, enamel, crest=False)


def _extremes(stump: Stump, surface: Surface, *, crest: bool) -> dict[float, float]:
    turning = stump.about_path.turning
    azimuths = np.array([p.azimuth_deg for p in stump.about_path.profiles])
    if crest:
        beside = np.abs(sample(stump.prepared.subject_grid, surface.vertices_mm)) < 2.0 * BESIDE_TOOTH_MM
        surface = compacted(surface, beside[surface.faces].any(axis=1))
    chains = radial_profiles(
        surface, origin_mm=turning.origin_mm, path=turning.path, azimuths_deg=azimuths, mesial_sign=turning.mesial_sign
    )
    runs = [np.concatenate([even_section((c,), 0.0).points for c in own] or [np.empty((0, 2))]) for own in chains]
    if crest:
        placed = np.concatenate([turning.to_space(r, float(a)) for r, a in zip(runs, azimuths, strict=True)])
        beside = np.abs(sample(stump.prepared.subject_grid, placed)) < BESIDE_TOOTH_MM
        runs = [r[b] for r, b in zip(runs, np.split(beside, np.cumsum([len(r) for r in runs])[:-1]), strict=True)]
    ends = {float(a): r[:, 1] for a, r in zip(azimuths, runs, strict=True) if len(r)}
    return {a: float(heights.max() if crest else heights.min()) for a, heights in ends.items()}
