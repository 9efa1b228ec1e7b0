"""Criteria of the built-in cavities: rules for amalgam and for composite apart, each limit with its source beside it.

Marks as in `criteria`: *seen* read in an abstract, a quoted text or a published rubric, *weak* in course notes, *memory*
recalled and not re-read, *practice* ordinary teaching practice with no source at hand.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import inf

from kerfmark.exercise.builtin.criteria import Rule
from kerfmark.records import Limits2

__all__ = ["RULES"]

_DEPTH_I = "published class I rubric: 1.5 to 2.0 mm [seen]; 1.5 mm at the fissure, Sturdevant [seen]"
_PULP = "0.5 mm is the floor not to cross [seen]; fewer odontoblasts survive below it, Murray et al. 2003 [seen]"
_SEEN_BY_SCAN = "0.05 mm tells a nick from noise [practice]"


def _rule(
    reading: str, where: str | None, limits: Limits2, weight: float, ask: str, source: str, *, critical: bool = False
) -> Rule:
    return Rule(f"cavity.{reading}", where, None, limits, weight, ask, source, critical)


def _pulp(*, least_mm: float = 0.5, why: str = _PULP) -> list[Rule]:
    return [
        _rule("remaining_dentine_mm", None, (least_mm, inf), 2.0, "Is enough dentine left over the pulp?", why),
        _rule("pulp_exposed_mm2", None, (-inf, 0.05), 0.0, "Is the pulp closed?",
              "exposure is the usual critical error [practice]; 0.05 mm² is what a scan can tell from none [practice]", critical=True),
    ]  # fmt: skip


def _ridges(limits: Limits2, source: str, sides: tuple[str, ...] = ("mesial", "distal")) -> list[Rule]:
    return [
        _rule(
            "marginal_ridge_mm",
            side,
            limits,
            1.0,
            f"Is the {side} marginal ridge thick enough, and not needlessly thick?",
            source,
        )
        for side in sides
    ]


def _neighbour(side: str) -> list[Rule]:
    return [
        _rule("neighbour.damage_depth_mm", side, (-inf, 0.05), 1.0, f"Is the {side} neighbour untouched?",
              f"published rubrics: none ideal, a nick or damage unacceptable [seen]; {_SEEN_BY_SCAN}", critical=True),
    ]  # fmt: skip


def _plan(overlap: float, extension_mm: float, sides: tuple[str, ...]) -> list[Rule]:
    return [
        _rule("outline_overlap", None, (overlap, inf), 1.0, "Does the outline follow the plan?", "[practice]"),
        *(
            _rule(
                "extension_mm",
                side,
                (-extension_mm, extension_mm),
                0.5,
                f"Does the {side} margin lie where it was planned?",
                "[practice]",
            )
            for side in sides
        ),
    ]


def _floor() -> list[Rule]:
    return [
        _rule("floor_flatness_um", "pulpal", (-inf, 80.0), 0.5, "Is the pulpal floor flat?", "flat floor [practice]; 80 µm [practice]"),
        _rule("floor_tilt_deg", "pulpal", (-inf, 6.0), 0.5, "Is the pulpal floor level?", "at right angles to the long axis [practice]; 6° [practice]"),
    ]  # fmt: skip


_AMALGAM_I = [
    _rule("pulpal_depth_mm", "central", (1.5, 2.0), 2.0, "Is the floor as deep as asked, and no deeper?", _DEPTH_I),
    _rule("isthmus_width_mm", None, (1.3, 1.8), 1.5, "Is the isthmus narrow, and wide enough to condense?",
          "published rubric 1.5 to 1.8 mm, below 1.0 unacceptable [seen]; course notes from 1.0 mm [seen, weak]; 1.3 between them [practice]"),
    _rule("isthmus_to_intercuspal", None, (-inf, 0.33), 1.0, "Does the isthmus keep to a third of the way between the cusps?",
          "a quarter at most, Sturdevant [seen]; a quarter to a third in other teaching [seen, weak]"),
    *_ridges((1.5, 2.5), "published rubric: 1.5 to 2.0 ideal, below 1.0 or above 2.5 unacceptable [seen]; 2.0 mm on molars [seen, weak]"),
    *_plan(0.85, 0.3, ("buccal", "lingual", "mesial", "distal")),
    *(
        _rule("wall_angle_deg", wall, (0.0, 12.0), 0.5, f"Does the {wall} wall open a little towards the ridge?",
              "slightly divergent, 6 to 8° [seen, weak]; limits round it [practice]")
        for wall in ("mesial", "distal")
    ),
    *(
        _rule("wall_angle_deg", wall, (-8.0, 2.0), 0.5, f"Does the {wall} wall close a little towards the opening?",
              "slightly convergent [seen]; degrees [practice]")
        for wall in ("buccal", "lingual")
    ),
    *_floor(),
    _rule("internal_radius_mm", None, (0.15, 0.6), 0.5, "Are the internal line angles rounded?",
          "rounded [seen]; 0.3 to 0.5 mm follows from the bur's corner [practice]"),
    _rule("unsupported_enamel_mm3", None, (-inf, 0.5), 1.0, "Does all enamel stand on dentine?",
          "remove all of it for amalgam [seen, weak]; 0.5 mm³ is what slopes of the cusps leave [practice]"),
    *_pulp(),
]  # fmt: skip
_COMPOSITE_I = [
    _rule("pulpal_depth_mm", "central", (1.4, 2.1), 2.0, "Is the floor in dentine, and no deeper than need be?",
          "no fixed depth: it follows decay and load [seen, weak]; limits round this plan [practice]"),
    *_plan(0.88, 0.25, ("buccal", "lingual", "mesial", "distal")),
    _rule("isthmus_to_intercuspal", None, (-inf, 0.3), 1.0, "Is the opening kept narrow?",
          "outline set by the lesion, no extension for prevention [seen, weak]; 0.3 [practice]"),
    *_ridges((1.6, inf), "no extension for prevention [seen, weak]; at least 1.6 mm [seen, weak]"),
    *(
        _rule("cavosurface_angle_deg", wall, (90.0, 150.0), 0.5, f"Is the {wall} margin left without a bevel, at the angle the cusp gives it?",
              "no occlusal bevel on posterior teeth: the rods' ends are cut already [seen, weak]; degrees [practice]")
        for wall in ("buccal", "lingual")
    ),
    _rule("internal_radius_mm", None, (0.2, 0.8), 1.0, "Are the internal line angles rounded?", "rounded [seen]; radius [practice]"),
    _rule("unsupported_enamel_mm3", None, (-inf, 1.0), 0.5, "Does nearly all enamel stand on dentine?",
          "supported by the restoration where it is bonded [practice]; 1 mm³ [practice]"),
    *_pulp(),
]  # fmt: skip


def _axial() -> Rule:
    return _rule("axial_depth_mm", "central", (1.0, 2.0), 1.5, "Does the axial wall lie just inside the dentine?",
                 "0.2 to 0.5 mm inside the junction [seen, weak], under 1.0 to 1.4 mm of enamel [seen]; limits [practice]")  # fmt: skip


def _box(side: str, *, clearance: Limits2, why: str) -> list[Rule]:
    return [
        _rule("box_width_mm", side, (2.6, 5.2), 1.0, "Is the box as wide as asked?", "walls just clear of the contact [practice]; mm [practice]"),
        _rule("axial_wall_height_mm", side, (1.2, 2.0), 1.0, "Is the axial wall as high as asked?", "about 1.5 mm [seen, weak]; limits [practice]"),
        _rule("gingival_floor_mm", side, (0.8, 1.8), 1.0, "Is the gingival floor wide enough, and no wider?",
              "about 0.8 mm, Sturdevant [memory]; upper limit [practice]"),
        *(
            _rule("proximal_clearance_mm", where, clearance, 1.0, f"Is the box free of the neighbour on its {where} side, and not by too much?", why)
            for where in ("buccal", "lingual", "gingival")
        ),
        *_neighbour(side),
    ]  # fmt: skip


_AMALGAM_II = [
    _rule("pulpal_depth_mm", "central", (1.5, 2.0), 2.0, "Is the pulpal floor as deep as asked?", _DEPTH_I),
    _axial(),
    _rule("isthmus_width_mm", None, (1.3, 1.8), 1.0, "Is the isthmus narrow, and wide enough to condense?",
          "molar 1.5 to 1.7 mm [seen, weak]; as class I [seen]; limits [practice]"),
    _rule("isthmus_to_intercuspal", None, (-inf, 0.33), 1.0, "Does the isthmus keep to a third of the way between the cusps?",
          "a quarter at most, Sturdevant [seen]; a quarter to a third in other teaching [seen, weak]"),
    *_ridges((1.5, 2.5), "published class I rubric [seen]; 2.0 mm on molars [seen, weak]", ("distal",)),
    *_plan(0.85, 0.3, ("buccal", "lingual", "distal")),
    *_box("mesial", clearance=(0.2, 0.9), why="0.5 mm from the neighbour [seen, weak]; limits round it [practice]"),
    *_floor(),
    _rule("unsupported_enamel_mm3", None, (-inf, 0.8), 1.0, "Does all enamel stand on dentine?",
          "remove all of it for amalgam [seen, weak]; 0.8 mm³ is what slopes of the cusps leave [practice]"),
    *_pulp(),
]  # fmt: skip
_COMPOSITE_II = [
    _rule("pulpal_depth_mm", "central", (1.3, 2.0), 2.0, "Is the pulpal floor in dentine, and no deeper than need be?",
          "no fixed depth: it follows decay and load [seen, weak]; limits round this plan [practice]"),
    _axial(),
    _rule("isthmus_width_mm", None, (0.9, 1.6), 1.0, "Is the opening kept narrow?", "outline set by the lesion [seen, weak]; premolar 1.2 to 1.5 mm [seen, weak]; limits [practice]"),
    *_ridges((1.4, inf), "1.6 mm on premolars [seen, weak]; 1.4 [practice]", ("mesial",)),
    *_plan(0.85, 0.3, ("buccal", "lingual", "mesial")),
    *_box("distal", clearance=(0.05, 0.9), why="the contact may stay for composite [seen, weak]; limits [practice]"),
    _rule("internal_radius_mm", None, (0.15, 0.6), 0.5, "Are the internal line angles rounded?", "rounded [seen]; radius [practice]"),
    *_pulp(),
]  # fmt: skip
_COMPOSITE_III = [
    _rule("axial_depth_mm", "central", (1.0, 1.5), 2.0, "Is the axial wall as deep as asked?",
          "published rubric 1.0 to 1.5 mm [seen]; 0.75 gingivally to 1.25 mm incisally, 0.2 to 0.5 mm into dentine [seen, weak]"),
    _rule("bevel_width_mm", None, (0.2, 0.6), 1.0, "Is the bevel as wide as asked?", "0.2 to 0.5 mm [seen, weak]; upper limit for a practice tooth [practice]"),
    _rule("bevel_angle_deg", None, (30.0, 60.0), 1.0, "Does the bevel lie at half a right angle?", "45° to the surface [seen, weak]; ± 15° [practice]"),
    *_plan(0.88, 0.4, ("occlusal", "gingival")),
    *_neighbour("mesial"),
    *_pulp(),
]  # fmt: skip
_COMPOSITE_IV = [
    _rule("axial_depth_mm", "central", (1.2, 3.0), 1.5, "Is no more of the corner taken than was planned?", "the fracture sets it [practice]"),
    _rule("bevel_width_mm", None, (1.0, 2.0), 1.5, "Is the facial bevel wide enough to hide the joint?", "1 to 2 mm [practice]"),
    _rule("bevel_angle_deg", None, (30.0, 65.0), 1.0, "Does the bevel run out flat?", "60° [seen, weak]; 45° is common [practice]; limits [practice]"),
    *_plan(0.92, 0.35, ("gingival",)),
    *_neighbour("mesial"),
    *_pulp(),
]  # fmt: skip
_COMPOSITE_V = [
    _rule("axial_depth_mm", "central", (1.0, 1.5), 2.0, "Is the axial wall as deep as asked?",
          "1.25 mm occlusally, 0.75 to 1.0 mm gingivally, Sturdevant [memory]; a rubric for larger teeth asks 1.5 to 2.0 mm [seen]; limits for a premolar [practice]"),
    _rule("axial_depth_mm", "occlusal", (1.0, 1.75), 1.0, "Is it deep enough at the occlusal wall?", "1.5 to 1.75 mm [seen, weak]; 1.25 mm, Sturdevant [memory]; limits [practice]"),
    _rule("axial_depth_mm", "gingival", (0.75, 1.5), 1.0, "Is it deep enough at the gingival wall?", "1.0 to 1.25 mm [seen, weak]; 0.75 to 1.0 mm, Sturdevant [memory]; limits [practice]"),
    *_plan(0.88, 0.3, ("mesial", "distal", "occlusal", "gingival")),
    _rule("outline_area_mm2", None, (5.5, 9.5), 1.0, "Is it no larger than planned?", "4 to 5 by 2 to 3 mm on larger teeth [seen]; this plan's 7.4 mm² ± a quarter [practice]"),
    *_pulp(),
]  # fmt: skip
_CARIES = [
    _rule("caries_left_mm3", "dej", (-inf, 0.15), 2.0, "Is the enamel–dentine junction free of decay?",
          "any left at the junction is graded harder than over the pulp [practice]; 0.15 mm³ is what a scan can tell from none [practice]", critical=True),
    _rule("caries_left_mm3", None, (-inf, 0.5), 1.5, "Is next to no decay left?", "volume and largest thickness left [practice]; mm³ [practice]"),
    _rule("caries_left_thickness_mm", None, (-inf, 0.3), 1.0, "Is what is left thin?", "leathery dentine may stay over the pulp, ICCC 2016 [memory]; 0.3 mm [practice]"),
    _rule("sound_removed_mm3", None, (-inf, 4.0), 2.0, "Is sound tissue kept?", "sound volume removed beyond lesion and plan [practice]; mm³ [practice]"),
    _rule("sound_removed_mm3", "dentine", (-inf, 2.0), 1.0, "Is sound dentine kept?", "[practice]"),
    _rule("unsupported_enamel_mm3", None, (-inf, 2.0), 1.0, "Is undermined enamel taken away?", "[practice]"),
    *_pulp(),
]  # fmt: skip

RULES: Mapping[str, list[Rule]] = {
    "amalgam I": _AMALGAM_I,
    "composite I": _COMPOSITE_I,
    "amalgam II": _AMALGAM_II,
    "composite II": _COMPOSITE_II,
    "composite III": _COMPOSITE_III,
    "composite IV": _COMPOSITE_IV,
    "composite V": _COMPOSITE_V,
    "caries": _CARIES,
}
"""Criteria by material and class."""
