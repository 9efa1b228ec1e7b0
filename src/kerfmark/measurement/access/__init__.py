"""Endodontic access: the opening, what is left of the roof, what was cut too far, and how straight the way to each canal is.

Training only, not for treatment: local rules and licensed practice come first.
"""

from __future__ import annotations

from collections.abc import Callable

from kerfmark.measurement.access.chamber import floor_cut, roof_left
from kerfmark.measurement.access.opened import Opened
from kerfmark.measurement.access.opening import centring, outline_area, outline_overlap
from kerfmark.measurement.access.straight import straight_line
from kerfmark.measurement.access.walls import crown_lost, gouge_depth, perforation, wall_left
from kerfmark.measurement.measures import Measure
from kerfmark.records import Reading

__all__ = ["ACCESS"]


def _measure(
    name: str,
    unit: str,
    function: Callable[[Opened], tuple[Reading, ...]],
    definition: str,
    *,
    by_orifice: bool = False,
) -> Measure:
    return Measure(f"access.{name}", "access", unit, definition, Opened, function, by_orifice=by_orifice)


ACCESS: tuple[Measure, ...] = (
    _measure("outline_overlap", "1", outline_overlap,
             "Dice of the opening and the planned outline, both seen along the access axis."),
    _measure("outline_area_mm2", "mm2", outline_area, "Area of the opening, seen along the access axis."),
    _measure("centring_mm", "mm", centring,
             "From the chamber's middle to the opening's, seen along the access axis."),
    _measure("roof_left_mm2", "mm2", roof_left,
             "Part of the chamber, seen along the access axis, that still has its roof."),
    _measure("floor_cut_mm", "mm", floor_cut, "Deepest cut into the chamber's floor, along the access axis."),
    _measure("gouge_depth_mm", "mm", gouge_depth,
             "Deepest cut into the walls beyond what was planned to go and beyond the pulp."),
    _measure("straight_line_deg", "deg", straight_line,
             "Least bend of a straight instrument that leaves the orifice and touches no wall.", by_orifice=True),
    _measure("wall_left_mm", "mm", wall_left, "Least thickness round cavity and chamber; 0 where perforated."),
    _measure("perforation", "1", perforation,
             "1 where the cavity breaks through the outer surface other than by its opening, else 0."),
    _measure("crown_lost_mm3", "mm3", crown_lost, "All enamel and dentine removed; the emptied chamber does not count."),
)  # fmt: skip
"""Every reading of an endodontic access."""
