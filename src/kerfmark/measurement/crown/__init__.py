"""Crown preparations: every reading of the family, in the order in which they are reported."""

from __future__ import annotations

from collections.abc import Callable

from kerfmark.measurement.crown import (
    abutments,
    edges,
    finish_line,
    heights,
    margin,
    path,
    reduction,
    roughness,
    walls,
)
from kerfmark.measurement.crown.bridge import Bridge, of_each
from kerfmark.measurement.crown.stump import PLANES, WALLS, Stump
from kerfmark.measurement.measures import Measure
from kerfmark.measurement.surface.neighbours import neighbour_measures
from kerfmark.records import Reading

__all__ = ["CROWN", "Bridge", "Stump"]

_PLANES, _WALLS = tuple(PLANES), tuple(WALLS)
_THIRDS = tuple(f"{wall}/{third}" for wall in WALLS for third in reduction.THIRDS)


def _measure(
    name: str,
    unit: str,
    function: Callable[[Stump], tuple[Reading, ...]],
    definition: str,
    *,
    wheres: tuple[str, ...] = (),
    stats: tuple[str, ...] = (),
    by_site: bool = False,
) -> Measure:
    taken = of_each(function, by_site=by_site)
    return Measure(f"crown.{name}", "crown", unit, definition, Bridge, taken, wheres, stats, by_site)


CROWN: tuple[Measure, ...] = (
    _measure("total_occlusal_convergence_deg", "deg", walls.total_occlusal_convergence,
             "Angle between the two opposing walls' fitted lines, + converging occlusally.", wheres=_PLANES),
    _measure("taper_deg", "deg", walls.taper,
             "Angle of a wall's fitted line against the path of insertion, − undercut.", wheres=_WALLS),
    _measure("path_of_insertion", "deg", path.path_of_insertion,
             "Direction within 15° of the long axis that hides least.", stats=("tilt", "azimuth")),
    _measure("undercut_depth_mm", "mm", path.undercut_depth,
             "Deepest overhang above the finish line, at right angles to the direction looked along.", wheres=path.WAYS),
    _measure("undercut_area_mm2", "mm2", path.undercut_area,
             "Surface above the finish line that is hidden.", wheres=path.WAYS),
    _measure("occlusal_reduction_mm", "mm", reduction.occlusal_reduction,
             "Depth cut at a named site, along the old surface's inward normal.",
             stats=("p05", "median"), by_site=True),
    _measure("axial_reduction_mm", "mm", reduction.axial_reduction,
             "Depth cut over a third of a wall, along the old surface's inward normal.",
             wheres=_THIRDS, stats=("p05", "median")),
    _measure("finish_line_width_mm", "mm", finish_line.finish_line_width,
             "From the outer margin to the foot of the wall, at right angles to the path.",
             wheres=_WALLS, stats=("median", "p05", "p95")),
    _measure("finish_line_form", "1", finish_line.finish_line_form,
             "Fraction of the circumference with this form of finish line.", wheres=finish_line.FORMS),
    _measure("margin_smoothness_um", "um", margin.margin_smoothness,
             "RMS of the margin about itself low-passed at 2 mm."),
    _measure("margin_to_gingiva_mm", "mm", margin.margin_to_gingiva,
             "Height of the margin above the gingiva, or the cervical line; median over the wall.", wheres=_WALLS),
    _measure("margin_continuity", "1", margin.margin_continuity,
             "Fraction of the circumference with a margin."),
    _measure("height_mm", "mm", heights.height,
             "In the wall's middle section, from the margin's level to where wall and occlusal surface would meet.",
             wheres=_WALLS),
    _measure("height_to_base_ratio", "1", heights.height_to_base_ratio,
             "Mean height of the two sides over the base from foot to foot.", wheres=_PLANES),
    _measure("limiting_convergence_deg", "deg", heights.limiting_convergence,
             "arcsin(height / base); `excess` is the measured convergence less this limit.",
             wheres=_PLANES, stats=("", "excess")),
    _measure("occluso_axial_radius_mm", "mm", edges.occluso_axial_radius,
             "Radius of the edge between wall and occlusal surface, median of sections."),
    _measure("facial_two_plane_deg", "deg", walls.facial_two_plane,
             "Angle between the cervical and the incisal plane of a front tooth's facial wall."),
    _measure("wall_roughness_um", "um", roughness.wall_roughness,
             "Sa of the axial walls over a Gaussian regression of 0.8 mm."),
    *neighbour_measures("crown"),
    Measure("crown.abutments.common_path_deg", "crown", "deg",
            "Lean of the best single path for all abutments of a bridge from the middle of their long axes.",
            Bridge, abutments.common_path),
    Measure("crown.abutments.undercut_volume_mm3", "crown", "mm3",
            "Volume that all abutments of a bridge together hide along their best single path.",
            Bridge, abutments.undercut_volume),
)  # fmt: skip
"""Every reading of a crown preparation."""
