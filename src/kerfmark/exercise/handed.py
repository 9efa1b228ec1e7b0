"""What an implant exercise is handed: beds, plans, or either; its criteria decide."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal, TypeAlias

__all__ = ["OF_BED", "OF_PLAN", "Handed", "handed_in_for"]

Handed: TypeAlias = Literal["bed", "plan", "either"]

CLEARANCES = (
    "implant.canal_clearance_mm",
    "implant.root_clearance_mm",
    "implant.implant_clearance_mm",
    "implant.sinus_clearance_mm",
    "implant.plate_thickness_mm",
)
OF_PLAN = ("implant.prosthetic_axis_deg", "implant.bone_density")
"""Read of a plan alone, as are clearances whose `where` does not begin with `bed`."""
OF_BED = ("implant.oversize_mm", "implant.drill_order", "implant.contact_time_s")
"""Read of a bed alone, as are clearances whose `where` begins with `bed`."""


def handed_in_for(criteria: Iterable[tuple[str, str | None]]) -> Handed:
    """What is handed in for an exercise with such criteria (reading, where).

    A criterion on a plan's own clearance, crown axis or bone asks for a plan: of a drilled bed it would mark the teacher's plan.
    One on a bed's clearance, width or drills asks for a bed. With neither, or with both, either is taken: what does not apply to it
    is left out of its mark.

    Examples
    --------
    >>> handed_in_for([("implant.canal_clearance_mm", None), ("implant.angle_deg", None)])
    'plan'
    >>> handed_in_for([("implant.canal_clearance_mm", "bed"), ("implant.angle_deg", None)])
    'bed'
    >>> handed_in_for([("implant.apex_deviation_mm", None)])
    'either'
    """
    named = list(criteria)
    beds = any(r in OF_BED or (r in CLEARANCES and (w or "").startswith("bed")) for r, w in named)
    plans = any(r in OF_PLAN or (r in CLEARANCES and not (w or "").startswith("bed")) for r, w in named)
    if beds == plans:
        return "either"
    return "bed" if beds else "plan"
