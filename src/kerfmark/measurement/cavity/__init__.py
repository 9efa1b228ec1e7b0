"""Cavities of class I to V: every reading of the family, in the order in which they are reported."""

from __future__ import annotations

from collections.abc import Callable

from kerfmark.measurement.cavity import bevels, box, depths, outline, pulp, tissues, walls
from kerfmark.measurement.cavity.pit import SIDES, WALLS, Pit
from kerfmark.measurement.measures import Measure
from kerfmark.measurement.surface.neighbours import neighbour_measures
from kerfmark.records import Reading

__all__ = ["CAVITY", "Pit"]

_DIRECTIONS, _CAVITY_WALLS = (*WALLS, "occlusal", "gingival"), walls.WHERES
_FLOORS = depths.FLOORS


def _measure(
    name: str,
    unit: str,
    function: Callable[[Pit], tuple[Reading, ...]],
    definition: str,
    *,
    wheres: tuple[str, ...] = (),
    by_layer: bool = False,
) -> Measure:
    return Measure(f"cavity.{name}", "cavity", unit, definition, Pit, function, wheres, by_layer=by_layer)


CAVITY: tuple[Measure, ...] = (
    _measure("outline_area_mm2", "mm2", outline.outline_area,
             "Area of the margin projected along the axis, the opening alone."),
    _measure("outline_overlap", "1", outline.outline_overlap,
             "Dice of the opening and the planned outline, seen along the axis."),
    _measure("extension_mm", "mm", outline.extension,
             "Signed distance of the margin to the planned outline, median of a side, + beyond the plan.",
             wheres=_DIRECTIONS),
    _measure("pulpal_depth_mm", "mm", depths.pulpal_depth,
             "From the best plane of the opening's margin to the pulpal floor, at right angles to that plane.",
             wheres=("central", *WALLS)),
    _measure("axial_depth_mm", "mm", depths.axial_depth,
             "From the old surface in to the axial wall.", wheres=("central", *_DIRECTIONS)),
    _measure("gingival_depth_mm", "mm", depths.gingival_depth,
             "From the level of the opening's margin to the gingival floor, along the axis.",
             wheres=("central", *WALLS)),
    _measure("floor_flatness_um", "um", depths.floor_flatness,
             "RMS height of a floor off its best plane.", wheres=_FLOORS),
    _measure("floor_tilt_deg", "deg", depths.floor_tilt,
             "Tilt of a floor's best plane against the plane at right angles to the axis.", wheres=_FLOORS),
    _measure("isthmus_width_mm", "mm", outline.isthmus_width,
             "Narrowest distance across the opening at the margin."),
    _measure("isthmus_to_intercuspal", "1", outline.isthmus_to_intercuspal,
             "Isthmus over the distance between the two cusp tips on either side of it."),
    _measure("marginal_ridge_mm", "mm", outline.marginal_ridge,
             "Least thickness left, mesiodistally, between the cavity and the proximal surface.", wheres=SIDES),
    _measure("wall_angle_deg", "deg", walls.wall_angle,
             "Angle of a wall against the axis, + divergent towards the opening.", wheres=_CAVITY_WALLS),
    _measure("cavosurface_angle_deg", "deg", walls.cavosurface_angle,
             "Angle through the tooth between a wall and the old surface at the margin.", wheres=_CAVITY_WALLS),
    _measure("internal_radius_mm", "mm", walls.internal_radius,
             "Radius of the rounded angle between the floor and the walls."),
    _measure("proximal_clearance_mm", "mm", box.proximal_clearance,
             "Least gap between the proximal margin and the neighbour.", wheres=("buccal", "lingual", "gingival")),
    _measure("box_width_mm", "mm", box.box_width,
             "Between the box's buccal and lingual walls, half way up its axial wall.", wheres=SIDES),
    _measure("axial_wall_height_mm", "mm", box.axial_wall_height,
             "From the gingival floor to the pulpal floor, both drawn out to the axial wall.", wheres=SIDES),
    _measure("gingival_floor_mm", "mm", box.gingival_floor,
             "Width of the gingival floor from the axial wall to the proximal face.", wheres=SIDES),
    _measure("bevel_width_mm", "mm", bevels.bevel_width,
             "Width of the bevel along its face, median along the margin."),
    _measure("bevel_angle_deg", "deg", bevels.bevel_angle,
             "Angle between the bevel's face and the old surface, median along the margin."),
    _measure("unsupported_enamel_mm3", "mm3", tissues.unsupported_enamel,
             "Enamel under whose rods no dentine is left within 1 mm of the enamel–dentine junction."),
    _measure("caries_left_mm3", "mm3", tissues.caries_left,
             "Volume of decay that is left; at the junction, within 0.5 mm of it.", wheres=("dej",)),
    _measure("caries_left_thickness_mm", "mm", tissues.caries_left_thickness,
             "Largest thickness of decay that is left.", wheres=("dej",)),
    _measure("sound_removed_mm3", "mm3", tissues.sound_removed,
             "Sound tissue gone beyond lesion and plan, in all and of each tissue.", by_layer=True),
    _measure("remaining_dentine_mm", "mm", pulp.remaining_dentine,
             "Least distance from the cut surface to the pulp, through whatever is left."),
    _measure("pulp_exposed_mm2", "mm2", pulp.pulp_exposed,
             "Area of the cut surface that lies in the pulp."),
    *neighbour_measures("cavity"),
)  # fmt: skip
"""Every reading of a cavity."""
