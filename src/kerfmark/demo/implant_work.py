"""Simulated implant beds and plans: as scans, as drilling motions, as a second CT. Everything here is simulated.

Spread: newcomers on training models, free hand, stray 1.01 to 1.14 mm at the neck, 1.02 to 1.35 mm at the apex and 4.65 to 7.79°
(doi 10.1186/s40729-020-0205-3 [seen]), which `middle` comes near; with full guidance 0.5 mm, 0.7 mm and 2.5°, which `able` comes near.
`novice` strays as far as free hands do in patients, 1.62 mm at the shoulder and 8.7° (Schnutenhaus et al. 2021 [seen]), and in a plan, where
no hand is unsteady, does not know one of its rules besides [practice].
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from kerfmark.anatomy.voxels import write_nrrd
from kerfmark.demo.operators.hand import Steadiness, Stroke
from kerfmark.errors import InputError, printable
from kerfmark.exercise import builtin
from kerfmark.exercise.builtin.implants import DRILLS, IMPLANTS, ImplantSpec, bed_solid
from kerfmark.exercise.prepared import Prepared
from kerfmark.geometry.frames import perpendiculars, rigid_inverse, rotation_about
from kerfmark.geometry.grids import distance_grid
from kerfmark.geometry.mesh import submesh, transformed
from kerfmark.geometry.phantoms import random_pose, scanned
from kerfmark.geometry.rays import RayCaster
from kerfmark.geometry.solids import Solid, difference
from kerfmark.instruments import instrument
from kerfmark.pipeline import open_exercise
from kerfmark.planned import plan_bytes
from kerfmark.records import FloatArray, ImplantPlan, Surface
from kerfmark.settings import Settings

if TYPE_CHECKING:
    from kerfmark.demo.learners import Key, SimulatedPiece

__all__ = [
    "STRAYS",
    "Bed",
    "drilling",
    "guided",
    "implant_piece",
    "strayed_bed",
    "write_simulated",
    "write_simulated_plan",
    "write_simulated_volume",
]

NOISE_UM, EDGE_MM = 10.0, 0.15
CT_MM, CT_BLUR_MM, CT_NOISE = 0.25, 0.12, 40.0
AIR, BONE = -950.0, 1250.0
PECK_MM, BACK_MM = 2.0, 1.2
DRILL_MM_S, CLEAR_MM = 2.0, 3.0
GUIDED = 0.3
"""How much of a hand's unsteadiness is left to a drill that its own hole guides [practice]."""


@dataclass(frozen=True, slots=True)
class Stray:
    """How far a level strays: standard deviations at the entry (each way), of the tilt (each way), of depth, and its bias; widening."""

    entry_mm: float
    tilt_deg: float
    depth_mm: float
    too_deep_mm: float
    wider_mm: float


STRAYS: Mapping[str, Stray] = {
    "able": Stray(0.38, 1.9, 0.2, 0.0, 0.02),
    "middle": Stray(0.85, 4.6, 0.45, 0.15, 0.06),
    "novice": Stray(1.3, 7.0, 0.8, 0.4, 0.14),
}
NOVICE_ASIDE_MM, NOVICE_LEAN_DEG = (1.5, 2.5), (8.0, 14.0)
"""How far a novice's plan stands beside the crown's middle, or leans from the crown's axis, where that rule is not known [practice]."""


@dataclass(frozen=True, slots=True, eq=False)
class Bed:
    """A bed that was truly drilled, tooth frame: entry on the bone, end of the full diameter, diameter."""

    entry_mm: FloatArray
    apex_mm: FloatArray
    width_mm: float


def strayed_bed(prepared: Prepared, level: str, rng: np.random.Generator) -> Bed:
    """The planned bed as this level would drill it."""
    if level not in STRAYS:
        raise InputError(
            f"level is '{printable(level, limit=40)}', expected one of {', '.join(STRAYS)}. Choose one of them."
        )
    of = STRAYS[level]
    assert prepared.implant is not None
    assert prepared.subject is not None
    planned, apex = prepared.implant
    length, way = float(np.linalg.norm(apex - planned)), (apex - planned) / np.linalg.norm(apex - planned)
    first, second = perpendiculars(way)
    aside, lean = of.entry_mm * rng.normal(size=2), np.tan(np.radians(of.tilt_deg)) * rng.normal(size=2)
    above = planned + aside[0] * first + aside[1] * second - 20.0 * way
    distance, _face = RayCaster(prepared.subject).first_hit(above[None], way)
    entry = above + float(distance[0]) * way
    tilted = way + lean[0] * first + lean[1] * second
    tilted /= np.linalg.norm(tilted)
    # A hand goes by the depth mark on the drill: the planned length from where it went in.
    deep = length + of.too_deep_mm * rng.random() + of.depth_mm * rng.normal()
    width = 2.0 * float(instrument(DRILLS[-1]).profile_mm[:, 1].max()) + of.wider_mm * abs(rng.normal())
    return Bed(entry, entry + deep * tilted, width)


def _truth(bed: Bed, prepared: Prepared) -> dict[Key, float]:
    """The deviations by their definitions of the trade, from the numbers alone."""
    assert prepared.implant is not None
    p0, p1 = prepared.implant
    u, v = (
        (p1 - p0) / np.linalg.norm(p1 - p0),
        (bed.apex_mm - bed.entry_mm) / np.linalg.norm(bed.apex_mm - bed.entry_mm),
    )
    at_entry, at_apex = bed.entry_mm - p0, bed.apex_mm - p1
    last = 2.0 * float(instrument(DRILLS[-1]).profile_mm[:, 1].max())
    found = {
        "entry_deviation_mm": np.linalg.norm(at_entry),
        "apex_deviation_mm": np.linalg.norm(at_apex),
        "depth_deviation_mm": at_apex @ u,
        "lateral_deviation_mm": np.linalg.norm(at_entry - (at_entry @ u) * u),
        "angle_deg": np.degrees(np.arccos(np.clip(u @ v, -1.0, 1.0))),
        "oversize_mm": bed.width_mm - last,
    }
    return {(f"implant.{name}", None, None): float(value) for name, value in found.items()}


def _left(bed: Bed, prepared: Prepared) -> Surface:
    assert prepared.subject is not None
    tool = bed_solid(bed.entry_mm, bed.apex_mm, width_mm=bed.width_mm)
    return difference(Solid.from_surface(prepared.subject), tool).surface()


def implant_piece(spec: ImplantSpec, level: str, rng: np.random.Generator, settings: Settings) -> SimulatedPiece:
    """A drilled bed, scanned in a random pose without its underside."""
    from kerfmark.demo.learners import SimulatedPiece

    _loaded, prepared = open_exercise(spec.name, settings=settings)
    bed = strayed_bed(prepared, level, rng)
    pose = random_pose(rng) @ rigid_inverse(prepared.frame)
    whole = scanned(_left(bed, prepared), noise_um=NOISE_UM, edge_mm=EDGE_MM, rng=rng)
    heights = whole.vertices_mm[whole.faces][:, :, 2]
    seen = submesh(whole, heights.min(axis=1) > float(heights.min()) + 0.1)
    return SimulatedPiece(transformed(seen, pose), level, (), _truth(bed, prepared), pose=pose)


def write_simulated_volume(
    path: Path, spec: ImplantSpec, *, level: str, seed: int, settings: Settings
) -> dict[Key, float]:
    """A CT of a drilled practice jaw, of one grey, in a random pose, as NRRD; gives back what was truly drilled."""
    from scipy.ndimage import gaussian_filter

    rng = np.random.default_rng([seed, 2])
    _loaded, prepared = open_exercise(spec.name, settings=settings)
    bed = strayed_bed(prepared, level, rng)
    grid = distance_grid(transformed(_left(bed, prepared), random_pose(rng)), spacing_mm=CT_MM, band_mm=3.0 * CT_MM)
    filled = np.clip(0.5 - grid.values / CT_MM, 0.0, 1.0)
    greys = gaussian_filter(AIR + (BONE - AIR) * filled, CT_BLUR_MM / CT_MM) + rng.normal(0.0, CT_NOISE, filled.shape)
    write_nrrd(path, np.rint(greys).astype(np.int16), origin_mm=grid.origin_mm, spacing_mm=CT_MM, simulated=True)
    return _truth(bed, prepared)


def write_simulated_plan(path: Path, spec: ImplantSpec, *, level: str, seed: int, settings: Settings) -> ImplantPlan:
    """A learner's plan as TOML, strayed as far as a bed of this level; gives back the plan, tooth frame."""
    rng = np.random.default_rng([seed, 3])
    _loaded, prepared = open_exercise(spec.name, settings=settings)
    bed = strayed_bed(prepared, level, rng)
    target = prepared.exercise.target.implant
    assert target is not None
    plan = ImplantPlan(bed.entry_mm, bed.apex_mm, target.diameter_mm)
    if level == "novice":
        plan = _without_a_rule(plan, rng)
    path.write_bytes(plan_bytes(spec.name, plan, frame=prepared.frame, simulated=True))
    return plan


def _without_a_rule(plan: ImplantPlan, rng: np.random.Generator) -> ImplantPlan:
    """The plan of one who does not know that the crown decides: beside its middle towards a neighbour, or leaning across the ridge."""
    way, sign = plan.apex_mm - plan.entry_mm, float(rng.choice([-1.0, 1.0]))
    if rng.random() < 0.5:
        aside = np.array([sign * rng.uniform(*NOVICE_ASIDE_MM), 0.0, 0.0])
        return replace(plan, entry_mm=plan.entry_mm + aside, apex_mm=plan.apex_mm + aside)
    turn = rotation_about(np.array([1.0, 0.0, 0.0]), sign * rng.uniform(*NOVICE_LEAN_DEG))[:3, :3]
    return replace(plan, apex_mm=plan.entry_mm + turn @ way)


def write_simulated(path: Path, exercise: str, *, level: str, seed: int, settings: Settings) -> None:
    """A simulated CT or plan of a built-in implant exercise, by the path's suffix.

    Raises
    ------
    InputError
        If there is no such implant exercise.
    """
    spec = builtin.spec_of(exercise) if exercise in builtin.names() else None
    if not isinstance(spec, ImplantSpec):
        known = [s.name for s in IMPLANTS]
        raise InputError(
            f"'{printable(exercise, limit=60)}' is no built-in implant exercise, expected one of {', '.join(known)} for a CT or a plan. "
            "Choose one of them, or write a scan or a motion."
        )
    write = write_simulated_plan if path.suffix.lower() == ".toml" else write_simulated_volume
    write(path, spec, level=level, seed=seed, settings=settings)


def drilling(prepared: Prepared, level: str, rng: np.random.Generator) -> list[Stroke]:
    """Each drill in turn, in pecks along nearly the same axis; a novice now and then leaves the middle one out."""
    bed = strayed_bed(prepared, level, rng)
    drills = list(DRILLS)
    if level == "novice" and rng.random() < 0.4:
        drills.remove(DRILLS[1])
    strokes = []
    for n, name in enumerate(drills):
        point = float(instrument(name).profile_mm[1, 0])
        looseness = 0.0 if n == len(drills) - 1 else 0.25 * STRAYS[level].entry_mm
        shift = 0.3 * looseness * rng.normal(size=3)
        strokes.append(_pecks(bed, name, point, shift))
    return strokes


def _pecks(bed: Bed, name: str, point_mm: float, shift: FloatArray) -> Stroke:
    """Down a little and part of it back, until the full diameter is as deep as the bed; then out."""
    way = (bed.apex_mm - bed.entry_mm) / np.linalg.norm(bed.apex_mm - bed.entry_mm)
    deepest = float(np.linalg.norm(bed.apex_mm - bed.entry_mm)) + point_mm
    depths = [-CLEAR_MM]
    for down in np.arange(PECK_MM, deepest, PECK_MM):
        depths += [float(down), float(down) - BACK_MM]
    depths += [deepest, -CLEAR_MM]
    tips = bed.entry_mm + shift + np.array(depths)[:, None] * way
    return Stroke(tips, np.tile(-way, (len(depths), 1)), DRILL_MM_S, name)


def guided(of: Steadiness) -> Steadiness:
    """A hand's steadiness where the hole guides the drill."""
    return replace(
        of,
        tremor_um=GUIDED * of.tremor_um,
        wander_um=GUIDED * of.wander_um,
        wander_um_s_mm=GUIDED * of.wander_um_s_mm,
        lean_deg=GUIDED * of.lean_deg,
        slip_chance=0.0,
    )
