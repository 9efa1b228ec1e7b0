"""How far the bed, or a learner's own plan, departs from the plan: entry, apex, depth, sideways, angle, width.

Plan axis from P0 to P1 with unit way u, placed axis from Q0 to Q1. Source: the trade's usual definitions [practice].
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from kerfmark.geometry.cylinders import Cylinder
from kerfmark.measurement.budget import alignment_u_deg, combined, measured, unmeasured
from kerfmark.measurement.implant.bed import Bed
from kerfmark.measurement.implant.case import Case
from kerfmark.records import Component, FloatArray, Reading, Witness

__all__ = [
    "angle_deg",
    "apex_deviation_mm",
    "depth_deviation_mm",
    "entry_deviation_mm",
    "lateral_deviation_mm",
    "oversize_mm",
    "prosthetic_axis_deg",
]

NO_WAY = 1e-9
RIGHT_DEG = 90.0
TURNED = "its apex lies on the crown's side of its entry, as if the two were exchanged"
AT_0: Final = {2: 0.75, 3: 1.02}
"""How much of u a size of so many errors square to each other needs added at 0, for 1.96 u to hold 95 %."""
FADED = 4.0


def entry_deviation_mm(case: Case) -> tuple[Reading, ...]:
    """`implant.entry_deviation_mm`: |Q0 − P0|."""
    reading, placed = "implant.entry_deviation_mm", _placed(case)
    if isinstance(placed, str):
        return (unmeasured(reading, placed, unit="mm"),)
    away = placed.entry_mm - case.plan.entry_mm
    return (_length(case, reading, away, placed.entry_mm, case.plan.entry_mm, _entry_budget(case, away)),)


def lateral_deviation_mm(case: Case) -> tuple[Reading, ...]:
    """`implant.lateral_deviation_mm`: the part of Q0 − P0 square to u."""
    reading, placed = "implant.lateral_deviation_mm", _placed(case)
    if isinstance(placed, str):
        return (unmeasured(reading, placed, unit="mm"),)
    away = placed.entry_mm - case.plan.entry_mm
    square = away - (away @ case.plan.way) * case.plan.way
    start = case.plan.entry_mm
    return (_length(case, reading, square, start + square, start, _entry_budget(case, square)),)


def apex_deviation_mm(case: Case) -> tuple[Reading, ...]:
    """`implant.apex_deviation_mm`: |Q1 − P1|; the bed's apex is the end of its full diameter."""
    reading, placed = "implant.apex_deviation_mm", _placed(case, with_apex=True)
    if isinstance(placed, str):
        return (unmeasured(reading, placed, unit="mm"),)
    away = placed.apex_mm - case.plan.apex_mm
    budget = _apex_budget(case, _unit(away))
    return (_length(case, reading, away, placed.apex_mm, case.plan.apex_mm, budget, ways=3),)


def depth_deviation_mm(case: Case) -> tuple[Reading, ...]:
    """`implant.depth_deviation_mm`: (Q1 − P1) · u, + too deep."""
    reading, placed = "implant.depth_deviation_mm", _placed(case, with_apex=True)
    if isinstance(placed, str):
        return (unmeasured(reading, placed, unit="mm"),)
    way, planned = case.plan.way, case.plan.apex_mm
    deep = float((placed.apex_mm - planned) @ way)
    witness = Witness("length", segments_mm=np.array([[planned, planned + deep * way]]), plane=case.plane("MD"))
    return (measured(reading, deep, unit="mm", budget=_apex_budget(case, way), witness=witness),)


def angle_deg(case: Case) -> tuple[Reading, ...]:
    """`implant.angle_deg`: between the two axes, entry to apex, 0 to 180°; above 90° a plan points the other way."""
    reading, placed = "implant.angle_deg", _placed(case)
    if isinstance(placed, str):
        return (unmeasured(reading, placed, unit="deg"),)
    found, leaning = _angle(placed.way, case.plan.way)
    budget: tuple[Component, ...] = ()
    if isinstance(case.bed, Bed) and case.own_plan is None:
        lean = tuple(Component(c.source, math.degrees(c.u)) for c in case.bed.lean_budget(leaning))
        about = np.cross(case.plan.way, leaning)
        budget = (*lean, Component("alignment", alignment_u_deg(case.piece.alignment, _unit(about))))
    plane = case.plane("BL" if abs(leaning[1]) > abs(leaning[0]) else "MD")
    segments = np.array([[case.plan.entry_mm, case.plan.apex_mm], [placed.entry_mm, placed.apex_mm]])
    witness = Witness("angle", segments_mm=segments, plane=plane)
    reason = TURNED if found > RIGHT_DEG else None
    budget = _never_below_0(found, budget)
    return (measured(reading, found, unit="deg", budget=budget, witness=witness, reason=reason),)


def oversize_mm(case: Case) -> tuple[Reading, ...]:
    """`implant.oversize_mm`: diameter of the bed less that of the last permitted drill."""
    reading = "implant.oversize_mm"
    if case.own_plan is not None:
        return (unmeasured(reading, "the piece is a plan", unit="mm", status="not_applicable"),)
    if case.last_drill_mm is None:
        return (unmeasured(reading, "the exercise names no drills", unit="mm", status="not_applicable"),)
    if isinstance(case.bed, str):
        return (unmeasured(reading, case.bed, unit="mm"),)
    wall = case.bed.wall
    budget = [Component(c.source, 2.0 * c.u) for c in case.bed.radius_budget()]
    budget.append(Component("triangles' chords", case.edge_mm**2 / (24.0 * wall.radius_mm)))
    across = case.plane("BL").across
    square = _unit(across - (across @ wall.way) * wall.way)
    ends = np.array([wall.middle_mm - wall.radius_mm * square, wall.middle_mm + wall.radius_mm * square])
    witness = Witness("length", segments_mm=ends[None], plane=case.plane("BL"))
    return (measured(reading, 2.0 * wall.radius_mm - case.last_drill_mm, unit="mm", budget=budget, witness=witness),)


def prosthetic_axis_deg(case: Case) -> tuple[Reading, ...]:
    """`implant.prosthetic_axis_deg`: between the plan's axis and the tooth's long axis, on which the crown will stand."""
    up = np.array([0.0, 0.0, 1.0])
    found, leaning = _angle(-case.judged.way, up)
    plane = case.plane("BL" if abs(leaning[1]) > abs(leaning[0]) else "MD")
    entry = case.judged.entry_mm
    segments = np.array([[entry, case.judged.apex_mm], [entry, entry - case.judged.length_mm * up]])
    witness = Witness("angle", segments_mm=segments, plane=plane)
    reason = TURNED if found > RIGHT_DEG else None
    return (measured("implant.prosthetic_axis_deg", found, unit="deg", budget=(), witness=witness, reason=reason),)


def _placed(case: Case, *, with_apex: bool = False) -> Cylinder | str:
    """What is compared with the plan: the learner's own plan, or the bed; or why there is none."""
    if case.own_plan is not None:
        return case.judged
    if isinstance(case.bed, str):
        return case.bed
    if with_apex and isinstance(case.bed.floor, str):
        return case.bed.floor
    return case.bed.cylinder


def _length(
    case: Case,
    reading: str,
    away: FloatArray,
    to: FloatArray,
    start: FloatArray,
    budget: tuple[Component, ...],
    *,
    ways: int = 2,
) -> Reading:
    plane = case.plane("BL" if abs(away[1]) > abs(away[0]) else "MD")
    witness = Witness("length", segments_mm=np.array([[start, to]]), plane=plane)
    size = float(np.linalg.norm(away))
    return measured(reading, size, unit="mm", budget=_never_below_0(size, budget, ways=ways), witness=witness)


def _never_below_0(value: float, budget: tuple[Component, ...], *, ways: int = 2) -> tuple[Component, ...]:
    """A size of errors square to each other is read too large near 0; what that adds there, and nothing a few u away.

    At 0 a size of two is Rayleigh distributed, 95 % of it within 2.45 u, and one of three after Maxwell, within 2.80 u: what 1.96 u
    combined with 0.75 u, or with 1.02 u, reaches.
    """
    u = combined(budget)
    if u == 0.0:
        return budget
    return (*budget, Component("a size is never below 0", AT_0[ways] * u * math.exp(-0.5 * (value / u / FADED) ** 4)))


def _entry_budget(case: Case, away: FloatArray) -> tuple[Component, ...]:
    """Sideways errors of the axis move its entry along the bone's surface, which does not move with the piece."""
    bed = case.bed
    if case.own_plan is not None or isinstance(bed, str):
        return ()
    unit = _unit(away)
    slope = float(unit @ bed.wall.way) / float(bed.normal @ bed.wall.way)
    towards = unit - slope * bed.normal
    return (*bed.offset_budget(towards, bed.entry_mm), bed.alignment(bed.entry_mm, towards))


def _apex_budget(case: Case, unit: FloatArray) -> tuple[Component, ...]:
    bed = case.bed
    if case.own_plan is not None or isinstance(bed, str) or bed.apex_mm is None:
        return ()
    along = abs(float(unit @ bed.wall.way))
    return (
        *bed.offset_budget(unit, bed.apex_mm),
        *(Component(c.source, c.u * along) for c in bed.floor_budget()),
        bed.alignment(bed.apex_mm, unit),
    )


def _angle(one: FloatArray, other: FloatArray) -> tuple[float, FloatArray]:
    """Between two unit directions, degrees, exact near 0; and the way, square to `one`, in which it departs from the other."""
    away = one - other
    leaning = away - (away @ one) * one
    angle = math.degrees(2.0 * math.asin(min(1.0, 0.5 * float(np.linalg.norm(away)))))
    return angle, _unit(leaning)


def _unit(vector: FloatArray) -> FloatArray:
    """Of length 1; of nothing, the first axis: any direction serves where there is no departure."""
    length = float(np.linalg.norm(vector))
    return np.asarray(vector / length) if length > NO_WAY else np.array([1.0, 0.0, 0.0])
