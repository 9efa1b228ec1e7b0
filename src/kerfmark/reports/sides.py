"""Which way each reading is wrong when it is large: material left, cut too far, or neither.

One table for every reading the project measures, so that left is material left and right is cut too far on every
strip, whatever the unit does. A reading that is not in it has no side, which is drawn hatched instead of coloured.
"""

from __future__ import annotations

from math import inf, isfinite
from typing import Final, Literal

from kerfmark.exercise.vocabulary import range_of
from kerfmark.records import Limits2

__all__ = [
    "CUT_TOO_FAR",
    "MATERIAL_LEFT",
    "NO_SIDE",
    "SIDE_OF_LARGE",
    "Side",
    "effective_limits",
    "guarded",
    "side_of_large",
]

Side = Literal["left", "over", None]

CUT_TOO_FAR: Final = (
    # Crown: the walls lean in further, more is taken off, the finish line goes deeper, a neighbour is hit.
    "crown.total_occlusal_convergence_deg", "crown.taper_deg", "crown.occlusal_reduction_mm", "crown.axial_reduction_mm",
    "crown.finish_line_width_mm", "crown.neighbour.damage_depth_mm", "crown.neighbour.damage_volume_mm3",
    "crown.neighbour.damage_area_mm2",
    # Cavity: wider, deeper, further out than asked, into sound tissue or the pulp.
    "cavity.outline_area_mm2", "cavity.extension_mm", "cavity.pulpal_depth_mm", "cavity.axial_depth_mm",
    "cavity.gingival_depth_mm", "cavity.isthmus_width_mm", "cavity.isthmus_to_intercuspal", "cavity.wall_angle_deg",
    "cavity.proximal_clearance_mm", "cavity.box_width_mm", "cavity.axial_wall_height_mm", "cavity.gingival_floor_mm",
    "cavity.bevel_width_mm", "cavity.sound_removed_mm3", "cavity.pulp_exposed_mm2", "cavity.neighbour.damage_depth_mm",
    "cavity.neighbour.damage_volume_mm3", "cavity.neighbour.damage_area_mm2",
    # Access: floor, walls or crown lost.
    "access.outline_area_mm2", "access.floor_cut_mm", "access.gouge_depth_mm", "access.perforation", "access.crown_lost_mm3",
    # Implant bed: too deep, too wide, through a structure.
    "implant.depth_deviation_mm", "implant.oversize_mm", "implant.breach",
    # Line: past its ends or too deep. Complete is more cut, too little of it is material left.
    "line.overrun_mm", "line.depth_mean_mm", "line.completeness",
    # Block: likewise.
    "block.target_cleared", "block.overcut_mm3", "block.floor_depth_mm",
    # Whole piece and process.
    "surface.removed_mm3", "removed_mm3", "process.entries_outside",
)  # fmt: skip

MATERIAL_LEFT: Final = (
    # Crown: the margin stands too high above the gingiva, the stump too tall.
    "crown.margin_to_gingiva_mm", "crown.height_mm", "crown.height_to_base_ratio", "crown.limiting_convergence_deg",
    # Cavity: remaining thicknesses, decay and unsupported enamel left standing.
    "cavity.marginal_ridge_mm", "cavity.unsupported_enamel_mm3", "cavity.caries_left_mm3", "cavity.caries_left_thickness_mm",
    "cavity.remaining_dentine_mm",
    # Access: roof left, walls thick, the way to the canal still bent.
    "access.roof_left_mm2", "access.straight_line_deg", "access.wall_left_mm",
    # Block and whole piece: positive deviation is material left.
    "block.left_mm3", "surface.deviation_um", "surface.deviation_mm", "deviation_mm", "deviation_um",
)  # fmt: skip

NO_SIDE: Final = (
    # A direction, a form, a smoothness, an overlap, a radius, a duration: wrong either way, or for more than one reason.
    "crown.path_of_insertion", "crown.undercut_depth_mm", "crown.undercut_area_mm2", "crown.finish_line_form",
    "crown.margin_smoothness_um", "crown.margin_continuity", "crown.occluso_axial_radius_mm", "crown.facial_two_plane_deg",
    "crown.wall_roughness_um", "crown.abutments.common_path_deg", "crown.abutments.undercut_volume_mm3",
    "cavity.outline_overlap", "cavity.floor_flatness_um", "cavity.floor_tilt_deg", "cavity.cavosurface_angle_deg",
    "cavity.internal_radius_mm", "cavity.bevel_angle_deg", "access.outline_overlap", "access.centring_mm",
    "implant.bone_density", "implant.prosthetic_axis_deg", "implant.entry_deviation_mm", "implant.apex_deviation_mm",
    "implant.lateral_deviation_mm", "implant.angle_deg", "implant.drill_order", "implant.contact_time_s",
    # What a bed or a plan keeps clear of: nothing is left by keeping farther away, and a plan cuts nothing.
    "implant.canal_clearance_mm", "implant.root_clearance_mm", "implant.implant_clearance_mm", "implant.plate_thickness_mm",
    "implant.sinus_clearance_mm",
    "line.lateral_rms_mm", "line.lateral_95_mm", "line.lateral_max_mm", "line.depth_sd_mm", "line.width_sd_mm", "line.lifts",
    "line.passes", "line.time_s", "line.steering_bits_per_s", "block.floor_flatness_um", "block.wall_squareness_deg",
    "block.outline_overlap", "process.duration_s", "process.cutting_s", "process.path_mm", "process.sparc", "process.ldlj",
    "process.tremor_um_rms", "process.force_mean_n", "process.force_peak_n", "process.force_sd_n",
    "process.removal_rate_mm3_s", "process.pauses", "process.reorientation_deg", "process.mirror_s",
    "process.neck_flexion_deg",
)  # fmt: skip

SIDE_OF_LARGE: Final[dict[str, Side]] = {
    **dict.fromkeys(CUT_TOO_FAR, "over"),
    **dict.fromkeys(MATERIAL_LEFT, "left"),
    **dict.fromkeys(NO_SIDE, None),
}


def side_of_large(reading: str, stat: str | None = None) -> Side:
    """What a large value of this reading means: `left`, `over`, or None where it has no side.

    An `excess` over a limiting angle and a root mean square differ from their reading: the first is cut too far, the
    second has no side.

    >>> side_of_large("crown.height_mm"), side_of_large("crown.taper_deg"), side_of_large("process.duration_s")
    ('left', 'over', None)
    """
    if stat == "rms":
        return None
    return "over" if stat == "excess" else SIDE_OF_LARGE.get(reading)


def guarded(limits: Limits2, side_of_large: Side) -> tuple[bool, bool]:
    """Whether limits guard against material left, and against a cut too far; neither where a reading has no side.

    >>> guarded((-0.3, 0.3), "over"), guarded((1.5, float("inf")), "left"), guarded((1.5, float("inf")), None)
    ((True, True), (False, True), (False, False))
    """
    low, high = (isfinite(limit) for limit in limits)
    return {"over": (low, high), "left": (high, low)}.get(side_of_large or "", (False, False))


def effective_limits(reading: str, limits: Limits2, stat: str | None = None) -> Limits2:
    """Limits without those nothing can pass: below 0 for a depth, above 1 for a fraction. They are drawn one-sided.

    >>> effective_limits("crown.undercut_depth_mm", (0.0, 0.03))
    (-inf, 0.03)
    >>> effective_limits("line.completeness", (0.95, 1.0))
    (0.95, inf)
    """
    low, high = limits
    least, most = range_of(reading, stat)
    return (-inf if low == least and high < inf else low), (inf if high == most and low > -inf else high)
