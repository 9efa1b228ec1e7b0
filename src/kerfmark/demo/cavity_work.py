"""Simulated pieces of the cavity exercises: the ideal plan as a level of learner strays from it. All spreads are practice."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from kerfmark.anatomy.preparations.cavity import CavityPlan
from kerfmark.anatomy.preparations.lesion_cut import LesionPlan
from kerfmark.anatomy.preparations.outlines import Fissure, Outline, Rounded
from kerfmark.demo.hands import hand
from kerfmark.errors import InputError
from kerfmark.exercise.builtin.cavities import CavitySpec, CutPiece, cut_piece, subject_of
from kerfmark.geometry.mesh import volume_mm3
from kerfmark.geometry.phantoms import random_pose
from kerfmark.geometry.solids import Solid, difference
from kerfmark.records import Surface
from kerfmark.settings import Settings

if TYPE_CHECKING:
    from kerfmark.anatomy.tooth import Tooth
    from kerfmark.demo.learners import Key, SimulatedPiece

__all__ = ["CavityHand", "cavity_piece", "cut_by_hand", "strayed_cavity"]

FAR_MM = 8.0
"""A side of an outline farther out than this lies beyond the tooth: the cavity is open there."""


@dataclass(frozen=True, slots=True)
class CavityHand:
    """How one level strays: standard deviations about the ideal, means where there is one, and how often each fault comes."""

    outline_sd_mm: float
    widen_mm: float
    depth_sd_mm: float
    wall_sd_deg: float
    tilt_sd_deg: float
    box_sd_mm: float
    decay_mm: tuple[float, float]
    too_deep_chance: float
    no_bevel_chance: float
    ridge_chance: float


HANDS: Mapping[str, CavityHand] = {
    "able": CavityHand(0.05, 0.0, 0.07, 1.2, 1.0, 0.06, (0.14, 0.03), 0.0, 0.0, 0.0),
    "middle": CavityHand(0.14, 0.11, 0.19, 3.4, 2.9, 0.17, (0.12, 0.14), 0.1, 0.12, 0.12),
    "novice": CavityHand(0.28, 0.32, 0.42, 6.5, 6.0, 0.33, (0.06, 0.32), 0.3, 0.4, 0.35),
}


def cut_by_hand(
    spec: CavitySpec, made: Tooth, layers: Mapping[str, Surface], level: str, rng: np.random.Generator
) -> tuple[CavityPlan | LesionPlan, tuple[str, ...], CutPiece]:
    """A plan as this hand strays from the exercise's, its faults in words, and the piece: the first that can be cut."""
    for _ in range(20):
        plan, faults = strayed_cavity(spec.plan, HANDS[level], rng)
        try:
            return plan, faults, cut_piece(made, layers, plan)
        except InputError:
            continue
    raise AssertionError(f"no plan of twenty could be cut into {spec.name}")


def cavity_piece(spec: CavitySpec, level: str, rng: np.random.Generator, settings: Settings) -> SimulatedPiece:
    """A cavity cut by this hand, scanned with its neighbours in a random pose."""
    from kerfmark.demo.learners import SimulatedPiece, nicked, scan, scan_beside
    from kerfmark.pipeline import open_exercise

    hand(level)
    made, layers = subject_of(spec, cache_dir=settings.cache_dir)
    _loaded, prepared = open_exercise(spec.name, settings=settings)
    plan, faults, cut = cut_by_hand(spec, made, layers, level, rng)
    whole = dict(prepared.neighbours)
    sides = [side for side in whole if _is_open(spec.plan, side, made.mesial_sign)]
    beside, truth, nicks = nicked({s: whole[s] for s in sides}, made, hand(level), rng, family="cavity")
    truth |= _truth(made.outer, layers, cut, plan)
    pose = random_pose(rng)
    neighbours = {side: scan_beside(surface, pose, rng) for side, surface in (whole | beside).items()}
    return SimulatedPiece(scan(cut.surface, pose, rng), level, (*faults, *nicks), truth, neighbours, pose)


def _is_open(plan: CavityPlan | LesionPlan, side: str, mesial_sign: int) -> bool:
    """Whether the cavity opens to a side, so that the neighbour there is in danger."""
    if isinstance(plan, LesionPlan):
        return False
    if plan.box is not None:
        return plan.box.side == side
    if not isinstance(plan.outline, Rounded):
        return False
    sign = mesial_sign if side == "mesial" else -mesial_sign
    end = (
        plan.outline.low_mm[0] if sign > 0 else plan.outline.high_mm[0]
    )  # looked at from the facial side x is turned round
    return abs(end) > FAR_MM


def strayed_cavity(
    ideal: CavityPlan | LesionPlan, of: CavityHand, rng: np.random.Generator
) -> tuple[CavityPlan | LesionPlan, tuple[str, ...]]:
    """The plan as this hand would cut it, and the faults it made in words."""
    if isinstance(ideal, LesionPlan):
        return _strayed_lesion(of, rng)
    faults = []
    depth = float(rng.normal(0.0, of.depth_sd_mm))
    if rng.random() < of.too_deep_chance:
        depth += float(rng.uniform(0.5, 0.9))
        faults.append("too deep")
    outline = _strayed_outline(ideal.outline, of, rng)
    if isinstance(outline, Fissure) and ideal.box is None and rng.random() < of.ridge_chance:
        outline = _into_ridge(outline)
        faults.append("marginal ridge thinned")
    bevel = ideal.bevel
    if bevel is not None:
        if rng.random() < of.no_bevel_chance:
            bevel = None
            faults.append("no bevel")
        else:
            width = max(0.15, bevel.width_mm * float(rng.normal(1.0, 2.0 * of.outline_sd_mm)))
            bevel = replace(
                bevel,
                width_mm=width,
                angle_deg=float(np.clip(rng.normal(bevel.angle_deg, 2 * of.wall_sd_deg), 20.0, 70.0)),
            )
    box = ideal.box
    if box is not None:
        box = replace(
            box,
            width_mm=box.width_mm + of.widen_mm + float(rng.normal(0.0, of.box_sd_mm)),
            axial_mm=box.axial_mm - float(rng.normal(0.5 * of.widen_mm, of.box_sd_mm)),
            height_mm=box.height_mm + float(rng.normal(0.0, of.box_sd_mm)),
            wall_deg=box.wall_deg + float(rng.normal(0.0, of.wall_sd_deg)),
            axial_deg=box.axial_deg + float(rng.normal(0.0, of.wall_sd_deg)),
        )
    leans = {side: lean + float(rng.normal(0.0, of.wall_sd_deg)) for side, lean in ideal.wall_deg.items()}
    plan = replace(
        ideal, outline=outline, depth_mm=_deeper(ideal, depth), wall_deg=leans, box=box, bevel=bevel,
        tilt_deg=abs(float(rng.normal(0.0, of.tilt_sd_deg))) if ideal.floor == "flat" else 0.0,
        tilt_azimuth_deg=float(rng.uniform(0.0, 360.0)),
    )  # fmt: skip
    return plan, tuple(faults)


def _deeper(ideal: CavityPlan, by_mm: float) -> float:
    """A plan's depth so much deeper; as a level it is a height, and lower is deeper."""
    return ideal.depth_mm - by_mm if ideal.floor == "level" else max(0.4, ideal.depth_mm + by_mm)


def _strayed_outline(outline: Outline, of: CavityHand, rng: np.random.Generator) -> Outline:
    def moved(point: tuple[float, float], out: float) -> tuple[float, float]:
        x, y = point
        return x + float(np.sign(x) * out + rng.normal(0.0, of.outline_sd_mm)), y + float(
            rng.normal(0.0, of.outline_sd_mm)
        )

    if isinstance(outline, Fissure):
        ends = (moved(outline.ends_mm[0], of.widen_mm), moved(outline.ends_mm[1], of.widen_mm))
        wider = of.widen_mm + abs(float(rng.normal(0.0, of.outline_sd_mm)))
        return replace(
            outline, ends_mm=ends, isthmus_mm=outline.isthmus_mm + wider, lobe_mm=outline.lobe_mm + 1.2 * wider
        )
    low = [_side(v, -of.widen_mm, of, rng) for v in outline.low_mm]
    high = [_side(v, of.widen_mm, of, rng) for v in outline.high_mm]
    return replace(outline, low_mm=(low[0], low[1]), high_mm=(high[0], high[1]))


def _side(value: float, out: float, of: CavityHand, rng: np.random.Generator) -> float:
    stray = out + float(rng.normal(0.0, of.outline_sd_mm))
    return value if abs(value) > FAR_MM else value + stray


def _into_ridge(outline: Fissure) -> Fissure:
    """The outline run 0.8 mm into the ridge on its right."""
    first, second = outline.ends_mm
    return replace(outline, ends_mm=(first, (second[0] + 0.8, second[1])))


def _strayed_lesion(of: CavityHand, rng: np.random.Generator) -> tuple[LesionPlan, tuple[str, ...]]:
    mean, sd = of.decay_mm
    grow = float(rng.normal(mean, sd))
    opening = grow - abs(float(rng.normal(0.0, 0.6 * sd)))
    aside = (float(rng.normal(0.0, of.outline_sd_mm)), float(rng.normal(0.0, of.outline_sd_mm)))
    deeper = float(rng.uniform(0.3, 0.7)) if rng.random() < of.too_deep_chance else 0.0
    words = [
        word
        for word, is_so in (
            ("decay left", grow < 0.0),
            ("undermined enamel", opening < grow - 0.15),
            ("too deep", deeper > 0),
        )
        if is_so
    ]
    return LesionPlan(grow, opening, deeper, aside), tuple(words)


def _truth(
    whole: Surface, layers: Mapping[str, Surface], cut: CutPiece, plan: CavityPlan | LesionPlan
) -> dict[Key, float]:
    """Volumes by booleans, and what the plan itself fixes."""
    truth: dict[Key, float] = {("surface.removed_mm3", "all", None): volume_mm3(whole) - volume_mm3(cut.surface)}
    if "caries" in layers:
        truth["cavity.caries_left_mm3", None, None] = difference(
            Solid.from_surface(layers["caries"]), cut.tool
        ).volume_mm3
    if isinstance(plan, CavityPlan) and plan.floor == "flat":
        truth["cavity.floor_tilt_deg", "pulpal", None] = plan.tilt_deg
        if plan.box is None:
            truth["cavity.internal_radius_mm", None, None] = plan.radius_mm
    return truth
