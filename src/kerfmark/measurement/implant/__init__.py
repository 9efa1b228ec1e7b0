"""Implant beds: the plan's clearances, what was drilled against the plan, and how it was drilled.

Training only, not for treatment: local rules and licensed practice come first.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from kerfmark.measurement.implant.bone import bone_density
from kerfmark.measurement.implant.breach import breach
from kerfmark.measurement.implant.case import Case
from kerfmark.measurement.implant.clearances import (
    canal_clearance_mm,
    implant_clearance_mm,
    plate_thickness_mm,
    root_clearance_mm,
    sinus_clearance_mm,
)
from kerfmark.measurement.implant.deviations import (
    angle_deg,
    apex_deviation_mm,
    depth_deviation_mm,
    entry_deviation_mm,
    lateral_deviation_mm,
    oversize_mm,
    prosthetic_axis_deg,
)
from kerfmark.measurement.implant.drilling import Drilling, contact_time_s, drill_order
from kerfmark.measurement.measures import Measure
from kerfmark.records import Reading

__all__ = ["IMPLANT"]

SIDES = ("mesial", "distal", "bed/mesial", "bed/distal")


def _measure(
    name: str,
    unit: str,
    definition: str,
    function: Callable[[Any], tuple[Reading, ...]],
    *,
    wheres: tuple[str, ...] = (),
    context: Callable[..., Any] = Case,
) -> Measure:
    return Measure(f"implant.{name}", "implant", unit, definition, context, function, wheres=wheres)


IMPLANT: tuple[Measure, ...] = (
    _measure(
        "entry_deviation_mm",
        "mm",
        "Distance of the bed's entry from the planned one.",
        entry_deviation_mm,
    ),
    _measure(
        "apex_deviation_mm",
        "mm",
        "Distance of the end of the bed's full diameter from the planned apex.",
        apex_deviation_mm,
    ),
    _measure(
        "depth_deviation_mm",
        "mm",
        "How far the bed's apex lies beyond the planned one along the plan, + too deep.",
        depth_deviation_mm,
    ),
    _measure(
        "lateral_deviation_mm",
        "mm",
        "How far the bed's entry lies beside the planned axis.",
        lateral_deviation_mm,
    ),
    _measure("angle_deg", "deg", "Angle between the bed's axis and the planned one.", angle_deg),
    _measure("oversize_mm", "mm", "Diameter of the bed less that of the last permitted drill.", oversize_mm),
    _measure(
        "canal_clearance_mm",
        "mm",
        "Least distance of the plan, or of the bed, from the canal's wall; negative = cut into it.",
        canal_clearance_mm,
        wheres=("bed",),
    ),
    _measure(
        "root_clearance_mm",
        "mm",
        "Least distance of the plan, or of the bed, from the root on each side.",
        root_clearance_mm,
        wheres=SIDES,
    ),
    _measure(
        "implant_clearance_mm",
        "mm",
        "Least distance of the plan, or of the bed, from the implant on each side.",
        implant_clearance_mm,
        wheres=SIDES,
    ),
    _measure(
        "sinus_clearance_mm",
        "mm",
        "Least distance of the plan, or of the bed, from the sinus.",
        sinus_clearance_mm,
        wheres=("bed",),
    ),
    _measure(
        "plate_thickness_mm",
        "mm",
        "Least bone between the plan, or the bed, and the outer surface, from 1 mm below the entry.",
        plate_thickness_mm,
        wheres=("buccal", "lingual", "bed/buccal", "bed/lingual"),
    ),
    _measure(
        "bone_density",
        "1",
        "Mean grey of the CT in a sleeve 1 mm thick round the plan; cone-beam greys are not Hounsfield units.",
        bone_density,
    ),
    _measure(
        "prosthetic_axis_deg",
        "deg",
        "Angle between the plan's axis and the tooth's long axis.",
        prosthetic_axis_deg,
    ),
    _measure(
        "drill_order",
        "1",
        "1 where each permitted drill was used, in the order given; else 0.",
        drill_order,
        context=Drilling,
    ),
    _measure(
        "contact_time_s",
        "s",
        "How long each drill was removing bone.",
        contact_time_s,
        context=Drilling,
    ),
    _measure(
        "breach",
        "1",
        "1 where the bed reaches into canal, root or sinus, or out through a plate; else 0.",
        breach,
        wheres=("canal", "root", "sinus", "plate"),
    ),
)
