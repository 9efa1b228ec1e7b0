"""What a criterion may ask for: every reading's id, unit, family, the words its `where` takes, and its statistics.

One table. The measures themselves live in `kerfmark.measurement`; a test there keeps the two in step.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf
from typing import Final, Literal, TypeAlias

from kerfmark.records import Limits2

__all__ = [
    "DIRECTIONS",
    "FORMS",
    "PLANES",
    "SIDES",
    "STATISTICS",
    "THIRDS",
    "VOCABULARY",
    "WALLS",
    "Term",
    "WherePool",
    "range_of",
    "statistic_word",
]

WherePool: TypeAlias = Literal["site", "layer", "orifice", "instrument"]
"""Words the exercise itself supplies: names of its sites, layers and instruments, numbers of its orifices."""

PLANES = ("BL", "MD", "MF-DL", "ML-DF")
WALLS = ("buccal", "lingual", "mesial", "distal")
SIDES = ("mesial", "distal")
THIRDS = tuple(f"{wall}/{third}" for wall in WALLS for third in ("cervical", "middle", "occlusal"))
DIRECTIONS = (*WALLS, "occlusal", "gingival")
CAVITY_WALLS = (*WALLS, "occlusal", "gingival", "pulpal", "axial")
FORMS = ("shoulder", "chamfer", "deep chamfer", "knife edge")
STATISTICS = ("median", "mean", "min", "max", "p01", "p05", "p50", "p95", "p99", "rms")


@dataclass(frozen=True, slots=True)
class Term:
    """One reading a criterion may name.

    Attributes
    ----------
    id : str
        The reading, family first: `crown.taper_deg`.
    unit : str
        `mm`, `um`, `deg`, `mm2`, `mm3`, `s`, `N`, … or `1` for a plain number.
    wheres : tuple of str
        The words its `where` takes; empty where there is only one.
    pool : str or None
        Where further words come from: the exercise's sites, layers, orifices or instruments.
    where_needed : bool
        False where `where` may also be left out (a cavity with one box).
    stats : tuple of str
        The statistics it has; empty where it is one number.
    stat_needed : bool
        False where `stat` may also be left out, for the quantity itself.
    """

    id: str
    unit: str
    wheres: tuple[str, ...] = ()
    pool: WherePool | None = None
    where_needed: bool = True
    stats: tuple[str, ...] = ()
    stat_needed: bool = True

    @property
    def family(self) -> str:
        """The word before the first dot."""
        return self.id.partition(".")[0]

    @property
    def takes_where(self) -> bool:
        """Whether the reading has a `where` at all."""
        return bool(self.wheres) or self.pool is not None

    @property
    def must_say_where(self) -> bool:
        """Whether `where` has to be given."""
        return self.takes_where and self.where_needed


def statistic_word(stat: str) -> str:
    """A statistic as a person says it: `p05` is "5th percentile"."""
    words = {
        "p01": "1st percentile",
        "p05": "5th percentile",
        "p50": "50th percentile",
        "p95": "95th percentile",
        "p99": "99th percentile",
    }
    return words.get(stat, {"min": "least", "max": "greatest", "rms": "root mean square"}.get(stat, stat))


_CROWN = (
    Term("crown.total_occlusal_convergence_deg", "deg", PLANES),
    Term("crown.taper_deg", "deg", WALLS),
    Term("crown.path_of_insertion", "deg", stats=("tilt", "azimuth")),
    Term("crown.undercut_depth_mm", "mm", ("path", "long_axis")),
    Term("crown.undercut_area_mm2", "mm2", ("path", "long_axis")),
    Term("crown.occlusal_reduction_mm", "mm", pool="site", stats=("p05", "median")),
    Term("crown.axial_reduction_mm", "mm", THIRDS, stats=("p05", "median")),
    Term("crown.finish_line_width_mm", "mm", WALLS, stats=("median", "p05", "p95")),
    Term("crown.finish_line_form", "1", FORMS),
    Term("crown.margin_smoothness_um", "um"),
    Term("crown.margin_to_gingiva_mm", "mm", WALLS),
    Term("crown.margin_continuity", "1"),
    Term("crown.height_mm", "mm", WALLS),
    Term("crown.height_to_base_ratio", "1", PLANES),
    Term("crown.limiting_convergence_deg", "deg", PLANES, stats=("excess",), stat_needed=False),
    Term("crown.occluso_axial_radius_mm", "mm"),
    Term("crown.facial_two_plane_deg", "deg"),
    Term("crown.wall_roughness_um", "um"),
    Term("crown.neighbour.damage_depth_mm", "mm", SIDES),
    Term("crown.neighbour.damage_volume_mm3", "mm3", SIDES),
    Term("crown.neighbour.damage_area_mm2", "mm2", SIDES),
    Term("crown.abutments.common_path_deg", "deg"),
    Term("crown.abutments.undercut_volume_mm3", "mm3"),
)
_CAVITY = (
    Term("cavity.outline_area_mm2", "mm2"),
    Term("cavity.outline_overlap", "1"),
    Term("cavity.extension_mm", "mm", DIRECTIONS),
    Term("cavity.pulpal_depth_mm", "mm", ("central", *WALLS)),
    Term("cavity.axial_depth_mm", "mm", ("central", *DIRECTIONS), where_needed=False),
    Term("cavity.gingival_depth_mm", "mm", ("central", *WALLS), where_needed=False),
    Term("cavity.floor_flatness_um", "um", ("pulpal", "gingival", "axial"), where_needed=False),
    Term("cavity.floor_tilt_deg", "deg", ("pulpal", "gingival", "axial"), where_needed=False),
    Term("cavity.isthmus_width_mm", "mm"),
    Term("cavity.isthmus_to_intercuspal", "1"),
    Term("cavity.marginal_ridge_mm", "mm", SIDES),
    Term("cavity.wall_angle_deg", "deg", CAVITY_WALLS),
    Term("cavity.cavosurface_angle_deg", "deg", CAVITY_WALLS),
    Term("cavity.internal_radius_mm", "mm"),
    Term("cavity.proximal_clearance_mm", "mm", ("buccal", "lingual", "gingival")),
    Term("cavity.box_width_mm", "mm", SIDES, where_needed=False),
    Term("cavity.axial_wall_height_mm", "mm", SIDES, where_needed=False),
    Term("cavity.gingival_floor_mm", "mm", SIDES, where_needed=False),
    Term("cavity.bevel_width_mm", "mm"),
    Term("cavity.bevel_angle_deg", "deg"),
    Term("cavity.unsupported_enamel_mm3", "mm3"),
    Term("cavity.caries_left_mm3", "mm3", ("dej",), where_needed=False),
    Term("cavity.caries_left_thickness_mm", "mm", ("dej",), where_needed=False),
    Term("cavity.sound_removed_mm3", "mm3", pool="layer", where_needed=False),
    Term("cavity.remaining_dentine_mm", "mm"),
    Term("cavity.pulp_exposed_mm2", "mm2"),
    Term("cavity.neighbour.damage_depth_mm", "mm", SIDES),
    Term("cavity.neighbour.damage_volume_mm3", "mm3", SIDES),
    Term("cavity.neighbour.damage_area_mm2", "mm2", SIDES),
)
_ACCESS = (
    Term("access.outline_overlap", "1"),
    Term("access.outline_area_mm2", "mm2"),
    Term("access.roof_left_mm2", "mm2"),
    Term("access.floor_cut_mm", "mm"),
    Term("access.gouge_depth_mm", "mm"),
    Term("access.straight_line_deg", "deg", pool="orifice"),
    Term("access.wall_left_mm", "mm"),
    Term("access.perforation", "1"),
    Term("access.centring_mm", "mm"),
    Term("access.crown_lost_mm3", "mm3"),
)
_BED_SIDES = ("mesial", "distal", "bed/mesial", "bed/distal")
_IMPLANT = (
    Term("implant.canal_clearance_mm", "mm", ("bed",), where_needed=False),
    Term("implant.root_clearance_mm", "mm", _BED_SIDES),
    Term("implant.implant_clearance_mm", "mm", _BED_SIDES),
    Term("implant.plate_thickness_mm", "mm", ("buccal", "lingual", "bed/buccal", "bed/lingual")),
    Term("implant.sinus_clearance_mm", "mm", ("bed",), where_needed=False),
    Term("implant.bone_density", "1"),
    Term("implant.prosthetic_axis_deg", "deg"),
    Term("implant.entry_deviation_mm", "mm"),
    Term("implant.apex_deviation_mm", "mm"),
    Term("implant.depth_deviation_mm", "mm"),
    Term("implant.lateral_deviation_mm", "mm"),
    Term("implant.angle_deg", "deg"),
    Term("implant.oversize_mm", "mm"),
    Term("implant.drill_order", "1"),
    Term("implant.contact_time_s", "s", pool="instrument"),
    Term("implant.breach", "1", ("canal", "root", "sinus", "plate")),
)
_LINE = (
    Term("line.lateral_rms_mm", "mm"),
    Term("line.lateral_95_mm", "mm"),
    Term("line.lateral_max_mm", "mm"),
    Term("line.completeness", "1"),
    Term("line.overrun_mm", "mm", ("start", "end")),
    Term("line.depth_mean_mm", "mm"),
    Term("line.depth_sd_mm", "mm"),
    Term("line.width_sd_mm", "mm"),
    Term("line.lifts", "1"),
    Term("line.passes", "1"),
    Term("line.time_s", "s"),
    Term("line.steering_bits_per_s", "bit/s"),
)
_BLOCK = (
    Term("block.target_cleared", "1"),
    Term("block.left_mm3", "mm3", ("all", "other"), pool="layer"),
    Term("block.overcut_mm3", "mm3", ("all", "other"), pool="layer"),
    Term("block.floor_depth_mm", "mm"),
    Term("block.floor_flatness_um", "um"),
    Term("block.wall_squareness_deg", "deg", WALLS, where_needed=False),
    Term("block.outline_overlap", "1"),
)
_PROCESS = (
    Term("process.duration_s", "s"),
    Term("process.cutting_s", "s"),
    Term("process.path_mm", "mm"),
    Term("process.sparc", "1"),
    Term("process.ldlj", "1"),
    Term("process.tremor_um_rms", "um"),
    Term("process.force_mean_n", "N"),
    Term("process.force_peak_n", "N"),
    Term("process.force_sd_n", "N"),
    Term("process.removal_rate_mm3_s", "mm3/s", ("all", "other"), pool="layer"),
    Term("process.pauses", "1"),
    Term("process.reorientation_deg", "deg"),
    Term("process.entries_outside", "1"),
    Term("process.mirror_s", "s"),
    Term("process.neck_flexion_deg", "deg"),
)
_SURFACE = (
    Term("surface.deviation_mm", "mm", stats=("p01", "p05", "p50", "p95", "p99", "rms")),
    Term("surface.removed_mm3", "mm3", ("all", "other"), pool="layer"),
)

VOCABULARY: dict[str, Term] = {
    term.id: term
    for family in (_CROWN, _CAVITY, _ACCESS, _IMPLANT, _LINE, _BLOCK, _PROCESS, _SURFACE)
    for term in family
}
"""Every reading a criterion may name, by its id, in the order of the families."""

_SIGNED: Final = {
    "crown.total_occlusal_convergence_deg", "crown.taper_deg", "crown.margin_to_gingiva_mm", "crown.facial_two_plane_deg",
    "cavity.extension_mm", "cavity.wall_angle_deg", "cavity.bevel_angle_deg", "implant.depth_deviation_mm", "implant.oversize_mm",
    "implant.bone_density", "implant.canal_clearance_mm", "implant.root_clearance_mm", "implant.implant_clearance_mm",
    "implant.sinus_clearance_mm", "implant.plate_thickness_mm", "surface.deviation_mm", "process.sparc", "process.ldlj",
}  # fmt: skip
_SIGNED_STATS: Final = ("excess", "azimuth")
_FRACTIONS: Final = ("continuity", "overlap", "completeness", "target_cleared", "finish_line_form")


def range_of(reading: str, stat: str | None = None) -> Limits2:
    """The least and the greatest value a reading can have: a depth is never below 0, a fraction never above 1.

    >>> range_of("crown.undercut_depth_mm"), range_of("line.completeness"), range_of("surface.deviation_mm", "rms")
    ((0.0, inf), (0.0, 1.0), (0.0, inf))
    >>> range_of("implant.oversize_mm")
    (-inf, inf)
    """
    signed = stat != "rms" and (reading in _SIGNED or stat in _SIGNED_STATS)
    return -inf if signed else 0.0, 1.0 if reading.endswith(_FRACTIONS) else inf
