"""Criteria of the built-in exercises: limits with the source beside each. A school overrides them in its own exercise.toml.

Marks: *seen* is read in an abstract or a quoted text, *weak* in course notes, *memory* is recalled and not re-read, *practice* is
ordinary teaching practice with no source at hand. Where a source gives one value, the limits round it are practice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf

from kerfmark.records import Limits2

__all__ = [
    "CERAMIC",
    "FRONT",
    "METAL",
    "PASS_PERCENT",
    "CrownRules",
    "Rule",
    "block_rules",
    "crown_rules",
    "line_rules",
]

WALLS = ("buccal", "mesial", "lingual", "distal")
PASS_PERCENT = 75.0
"""Pass line of cavities, accesses, implants and bridges. Published rubrics give 81 to 85 for acceptable and 61 to 67 for what needs modification
[seen]: the line lies between the two, 75 [practice]. A critical criterion carries no weight where every piece that is not ruined meets it."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One criterion as the exercise file holds it, and where its limits come from."""

    reading: str
    where: str | None
    stat: str | None
    limits: Limits2
    weight: float
    ask: str
    source: str
    critical: bool = False

    def as_toml(self) -> dict[str, object]:
        """The keys of `[[criteria]]`."""
        values: dict[str, object] = {
            "reading": self.reading,
            "where": self.where,
            "stat": self.stat,
            "limits": list(self.limits),
            "weight": self.weight,
            "critical": self.critical,
            "ask": self.ask,
            "source": self.source,
        }
        return {key: value for key, value in values.items() if value is not None}


@dataclass(frozen=True, slots=True)
class CrownRules:
    """What differs between kinds of crown; limits in mm and degrees, each with its source."""

    convergence: tuple[Limits2, str]
    functional: tuple[Limits2, str]
    nonfunctional: tuple[Limits2, str]
    width: Mapping[str, tuple[Limits2, str]]
    height_mm: tuple[float, str]
    ratio: tuple[float, str]
    facial_planes: tuple[Limits2, str] | None = None


_TOC = "Goodacre, Campagni, Aquilino 2001: 10 to 20° [seen]"

_SHORT_MOLAR = (
    "molars at least 4 mm, Goodacre 2001 [seen]; dentists reached 1.87 mm on lower molars, Tiu et al. 2015 [seen]; "
    "an ideal preparation of this 7.5 mm crown leaves 2.4 to 3.4 mm in the middle of the buccal wall, so a lower limit [practice]"
)
_SHORT_RATIO = "at least 0.4, Goodacre 2001 [seen]; lower here for the same reason as the height [practice]"

CERAMIC = CrownRules(
    convergence=((10.0, 20.0), _TOC),
    functional=((1.5, 2.0), "all-ceramic 1.5 (bonded glass) to 2.0 mm, Goodacre summary [seen, weak]"),
    nonfunctional=((1.0, 2.0), "all-ceramic 1.0 [seen, weak] to 2.0 mm, Goodacre summary [seen, weak]"),
    width=dict.fromkeys(
        WALLS, ((0.8, 1.2), "shoulder or chamfer 1.0 mm, Goodacre summary [seen, weak]; ± 0.2 mm [practice]")
    ),
    height_mm=(2.5, _SHORT_MOLAR),
    ratio=(0.3, _SHORT_RATIO),
)
METAL = CrownRules(
    convergence=((10.0, 20.0), _TOC),
    functional=((1.3, 1.8), "full metal 1.5 mm at functional cusps, Rosenstiel [seen]; −0.2, +0.3 mm [practice]"),
    nonfunctional=((0.8, 1.3), "full metal 1.0 mm, Shillingburg, Rosenstiel [memory]; −0.2, +0.3 mm [practice]"),
    width=dict.fromkeys(
        WALLS,
        ((0.3, 0.7), "chamfer 0.3 (Goodacre summary) to 0.5 mm and more (Rosenstiel) [seen]; upper limit [practice]"),
    ),
    height_mm=(2.0, _SHORT_MOLAR),
    ratio=(0.25, _SHORT_RATIO),
)
FRONT = CrownRules(
    convergence=((10.0, 20.0), _TOC),
    functional=((2.0, 2.5), "incisal 2.0 to 2.5 mm, course notes [seen, weak]"),
    nonfunctional=((0.5, 1.0), "lingual 0.5 to 1.0 mm, course notes [seen, weak]"),
    width={
        "buccal": ((1.0, 1.3), "facial modified shoulder 1.0 to 1.2 mm [seen, weak]; upper limit [practice]"),
        "mesial": ((0.7, 1.2), "between facial shoulder and lingual chamfer [practice]"),
        "distal": ((0.7, 1.2), "between facial shoulder and lingual chamfer [practice]"),
        "lingual": ((0.5, 1.0), "lingual chamfer 0.5 to 1.0 mm [seen, weak]"),
    },
    height_mm=(3.0, "teeth other than molars at least 3 mm, Goodacre 2001 [seen]"),
    ratio=(0.4, "at least 0.4, Goodacre 2001 [seen]"),
    facial_planes=((5.0, 25.0), "facial reduction in two planes [seen, weak]; degrees [practice]"),
)


def crown_rules(rules: CrownRules, *, functional: list[str], nonfunctional: list[str], front: bool) -> list[Rule]:
    """The criteria of a crown exercise, in the order a teacher looks: convergence, path, reduction, finish line, walls, neighbours.

    Parameters
    ----------
    rules : CrownRules
    functional, nonfunctional : list of str
        The tooth's sites; for front teeth the incisal edge, and the lingual sites.
    front : bool
        Front teeth are read in MD only (their facial wall has two planes, and the lingual one is short), and along the two facial planes.
    """
    found = [
        *_convergence(rules, ("MD",) if front else ("BL", "MD", "MF-DL", "ML-DF"), front=front),
        *_path(),
        *_reductions(rules, functional, nonfunctional),
        *_finish_line(rules),
        *_walls(rules, front=front),
        *_neighbours(),
    ]
    if rules.facial_planes is not None:
        limits, source = rules.facial_planes
        found.append(
            Rule(
                "crown.facial_two_plane_deg",
                None,
                None,
                limits,
                1.0,
                "Are there two facial planes, at the angle asked for?",
                source,
            )
        )
    return found


def _convergence(rules: CrownRules, planes: tuple[str, ...], *, front: bool) -> list[Rule]:
    limits, source = rules.convergence
    seen = {
        "BL": "from the front",
        "MD": "from the lip" if front else "from the cheek",
        "MF-DL": "along one diagonal",
        "ML-DF": "along the other diagonal",
    }
    return [
        Rule(
            "crown.total_occlusal_convergence_deg",
            p,
            None,
            limits,
            2.0,
            f"Is the convergence, seen {seen[p]}, within limits?",
            source,
        )
        for p in planes
    ]


def _path() -> list[Rule]:
    return [
        Rule(
            "crown.undercut_depth_mm", "path", None, (-inf, 0.05), 2.0, "Is there no undercut along the path of insertion?",
            "no undercut: usual critical error [practice]; 0.05 mm is what a scan of this noise can tell from none", critical=True,
        ),
        Rule("crown.path_of_insertion", None, "tilt", (-inf, 5.0), 1.0, "Does the preparation stand upright?", "5° [practice]"),
    ]  # fmt: skip


def _reductions(rules: CrownRules, functional: list[str], nonfunctional: list[str]) -> list[Rule]:
    pairs = [(site, rules.functional) for site in functional] + [(site, rules.nonfunctional) for site in nonfunctional]
    return [
        Rule(
            "crown.occlusal_reduction_mm",
            site,
            "median",
            limits,
            1.0,
            f"Is enough, and not too much, taken off at the {site}?",
            source,
        )
        for site, (limits, source) in pairs
    ]


def _finish_line(rules: CrownRules) -> list[Rule]:
    widths = [
        Rule(
            "crown.finish_line_width_mm",
            wall,
            "median",
            limits,
            1.0,
            f"Is the {wall} finish line as wide as asked?",
            source,
        )
        for wall, (limits, source) in rules.width.items()
    ]
    return [
        *widths,
        Rule("crown.margin_smoothness_um", None, None, (-inf, 60.0), 1.0, "Is the margin smooth all round?", "reasonable smoothness, Goodacre 2001 [seen]; 60 µm [practice]"),
        Rule("crown.margin_continuity", None, None, (0.95, inf), 1.0, "Can the margin be followed all round?", "95 % of the way round [practice]"),
        Rule("crown.margin_to_gingiva_mm", "buccal", None, (0.2, 0.9), 1.0, "Does the buccal margin lie just above the gingiva?", "0.5 mm above in exercises [seen, weak]; limits [practice]"),
    ]  # fmt: skip


def _walls(rules: CrownRules, *, front: bool) -> list[Rule]:
    (least, source), (ratio, why) = rules.height_mm, rules.ratio
    wall = "mesial" if front else "buccal"
    return [
        Rule("crown.height_mm", wall, None, (least, inf), 1.0, f"Is the {wall} wall tall enough to hold a crown?", source),
        Rule("crown.height_to_base_ratio", "MD" if front else "BL", None, (ratio, inf), 1.0, "Is the preparation tall enough for its base?", why),
        Rule("crown.wall_roughness_um", None, None, (-inf, 25.0), 0.5, "Are the walls smooth?", "reasonable smoothness, Goodacre 2001 [seen]; 25 µm [practice]"),
    ]  # fmt: skip


def _neighbours() -> list[Rule]:
    return [
        Rule(
            "crown.neighbour.damage_depth_mm", side, None, (-inf, 0.05), 1.0, f"Is the {side} neighbour untouched?",
            "a nick that would need a restoration fails the piece [practice]; 0.05 mm tells a nick from noise [practice]", critical=True,
        )
        for side in ("mesial", "distal")
    ]  # fmt: skip


def block_rules(*, layer: str, depth_mm: float) -> list[Rule]:
    """The criteria of a block whose layer is to be cleared to a floor at `depth_mm`."""
    practice = "[practice]"
    return [
        Rule("block.target_cleared", None, None, (0.97, inf), 2.0, "Is all of the coloured layer gone?", practice),
        Rule("block.left_mm3", layer, None, (-inf, 1.0), 1.0, "Is next to nothing left?", practice),
        Rule("block.overcut_mm3", "body", None, (-inf, 6.0), 2.0, "Is the block round the layer left whole?", practice),
        Rule("block.floor_depth_mm", None, None, (depth_mm - 0.15, depth_mm + 0.15), 2.0, "Is the floor at the depth asked for?", "± 0.15 mm [practice]"),
        Rule("block.floor_flatness_um", None, None, (-inf, 80.0), 1.0, "Is the floor flat?", practice),
        Rule("block.wall_squareness_deg", None, None, (-inf, 5.0), 1.0, "Do the walls stand square?", practice),
        Rule("block.outline_overlap", None, None, (0.93, inf), 1.0, "Does the outline follow the box?", practice),
    ]  # fmt: skip


def line_rules(*, depth_mm: float) -> list[Rule]:
    """The criteria of a line cut at `depth_mm`."""
    practice = "[practice]"
    return [
        Rule("line.lateral_rms_mm", None, None, (-inf, 0.15), 2.0, "Did you stay on the line?", practice),
        Rule("line.lateral_max_mm", None, None, (-inf, 0.4), 1.0, "Did you never stray far?", practice),
        Rule("line.completeness", None, None, (0.97, inf), 1.0, "Is the whole line cut?", practice),
        Rule("line.overrun_mm", "start", None, (-inf, 0.3), 1.0, "Did you begin where the line begins?", practice),
        Rule("line.overrun_mm", "end", None, (-inf, 0.3), 1.0, "Did you stop where the line ends?", practice),
        Rule("line.depth_mean_mm", None, None, (depth_mm - 0.15, depth_mm + 0.15), 2.0, "Is the groove as deep as asked?", "± 0.15 mm [practice]"),
        Rule("line.depth_sd_mm", None, None, (-inf, 0.12), 1.0, "Is the depth even?", practice),
        Rule("line.width_sd_mm", None, None, (-inf, 0.1), 1.0, "Is the width even?", practice),
    ]  # fmt: skip
