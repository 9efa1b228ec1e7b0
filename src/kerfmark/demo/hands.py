"""Simulated hands: how far each level strays from the ideal preparation.

Spread of convergence: as many of each level as of the others come to the 15.4 ± 6.7° of students on practice teeth (South African
students, n = 75, mesiodistal [seen]), skewed to the right, a third of them within 6 to 12°. The other spreads are practice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from kerfmark.anatomy.preparations import CrownPlan
from kerfmark.errors import InputError, printable

__all__ = ["LEVELS", "Hand", "hand", "strayed_plan"]


@dataclass(frozen=True, slots=True)
class Hand:
    """How one level of learner strays: means and standard deviations about the ideal, and how often each fault comes."""

    taper_deg: float
    taper_sd_deg: float
    width_sd_mm: float
    reduction_sd_mm: float
    reduction_bias_mm: float
    margin_sd_mm: float
    ripple_mm: float
    tilt_sd_deg: float
    ledge_chance: float
    nick_chance: float
    nick_mm: tuple[float, float]


LEVELS: Mapping[str, Hand] = {
    "able": Hand(6.0, 1.3, 0.06, 0.08, 0.0, 0.05, 0.008, 0.8, 0.0, 0.1, (0.03, 0.08)),
    "middle": Hand(7.0, 3.7, 0.12, 0.16, -0.05, 0.10, 0.016, 2.0, 0.15, 0.4, (0.06, 0.2)),
    "novice": Hand(10.2, 6.4, 0.2, 0.28, -0.2, 0.15, 0.03, 4.0, 0.4, 0.7, (0.1, 0.45)),
}


def hand(level: str) -> Hand:
    """The hand of a level, by its name."""
    if level not in LEVELS:
        raise InputError(
            f"level is '{printable(level, limit=40)}', expected one of {', '.join(LEVELS)}. Choose one of them."
        )
    return LEVELS[level]


def strayed_plan(ideal: CrownPlan, of: Hand, rng: np.random.Generator) -> tuple[CrownPlan, tuple[str, ...]]:
    """The ideal plan as this hand would cut it, and the faults it made in words.

    Parameters
    ----------
    ideal : CrownPlan
    of : Hand
    rng : numpy Generator

    Notes
    -----
    Tapers are gamma-distributed (never below a degree, skewed to the right, as measured students are).
    """
    shape = (of.taper_deg / of.taper_sd_deg) ** 2
    taper = {wall: float(np.clip(rng.gamma(shape, of.taper_deg / shape), 1.0, 24.0)) for wall in ideal.taper_deg}
    width = {
        wall: float(np.clip(value + rng.normal(0.0, of.width_sd_mm), 0.25, 1.9))
        for wall, value in ideal.width_mm.items()
    }
    reduction = {
        name: float(np.clip(value + rng.normal(of.reduction_bias_mm, of.reduction_sd_mm), 0.3, 2.6))
        for name, value in ideal.reduction_mm.items()
    }
    ledge = float(rng.uniform(0.25, 0.5)) if rng.random() < of.ledge_chance else 0.0
    plan = replace(
        ideal,
        taper_deg=taper,
        width_mm=width,
        reduction_mm=reduction,
        margin_mm={wall: value + float(rng.normal(0.0, of.margin_sd_mm)) for wall, value in ideal.margin_mm.items()},
        ripple_mm=of.ripple_mm * float(rng.uniform(0.5, 1.5)),
        ripple_waves=int(rng.integers(14, 24)),
        **_lean(
            ideal, tilt_deg=abs(float(rng.normal(0.0, of.tilt_sd_deg))), towards_deg=float(rng.uniform(0.0, 360.0))
        ),
        ledge_mm=ledge,
        ledge_azimuth_deg=float(rng.uniform(0.0, 360.0)),
    )
    return plan, _faults(plan, ideal)


def _lean(ideal: CrownPlan, *, tilt_deg: float, towards_deg: float) -> dict[str, float]:
    """The ideal lean with the hand's own on top of it, as small tilts add."""
    if ideal.tilt_deg == 0.0:
        return {"tilt_deg": tilt_deg, "tilt_azimuth_deg": towards_deg}
    tilts, towards = np.radians([ideal.tilt_deg, tilt_deg]), np.radians([ideal.tilt_azimuth_deg, towards_deg])
    x, y = (float((np.tan(tilts) * part(towards)).sum()) for part in (np.cos, np.sin))
    tilt = float(np.degrees(np.arctan(np.hypot(x, y))))
    return {"tilt_deg": tilt, "tilt_azimuth_deg": float(np.degrees(np.arctan2(y, x)) % 360.0)}


def _faults(plan: CrownPlan, ideal: CrownPlan) -> tuple[str, ...]:
    """What a teacher would say of the plan, worst kinds only."""
    found = []
    if (
        max(plan.taper_deg["buccal"] + plan.taper_deg["lingual"], plan.taper_deg["mesial"] + plan.taper_deg["distal"])
        > 20.0
    ):
        found.append("over-tapered")
    if (
        ideal.reduction_mm
        and min(plan.reduction_mm[name] - ideal.reduction_mm[name] for name in ideal.reduction_mm) < -0.25
    ):
        found.append("under-reduced")
    if plan.tilt_deg > 5.0:
        found.append("tilted path")
    if plan.ledge_mm > 0.0:
        found.append("ledge")
    if plan.ripple_mm > 0.025:
        found.append("unsteady margin")
    return tuple(found)
