"""The built-in endodontic accesses: a layered tooth, the outline its chamber asks for, its orifices, the ideal cavity.

Training only, not for treatment: local rules and licensed practice come first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf
from pathlib import Path

import numpy as np

from kerfmark.anatomy.preparations.access import AccessPlan, AccessSite, CutAccess, access_site, cut_access, outline_on
from kerfmark.anatomy.tooth import Tooth, tooth
from kerfmark.exercise.builtin.criteria import PASS_PERCENT, Rule
from kerfmark.geometry.frames import rigid_inverse
from kerfmark.geometry.solids import loft
from kerfmark.records import FloatArray, Surface

__all__ = ["ACCESSES", "AccessSpec", "access_parts", "access_rules", "has_floor", "site_of"]

ROOM_MM = 1.0
"""How far beside the planned outline the envelope lets a bur go, and how far below the orifices."""
LONG_TAPER = {
    "name": "long round-end taper 0.6 to 1.0",
    "profile_mm": [[0.0, 0.0], [0.04, 0.15], [0.15, 0.26], [0.3, 0.3], [12.0, 0.5], [12.0, 0.0]],
}
FINE_TAPER = {
    "name": "long fine taper 0.3 to 0.8",
    "profile_mm": [[0.0, 0.0], [0.03, 0.09], [0.15, 0.15], [12.0, 0.4], [12.0, 0.0]],
}


@dataclass(frozen=True, slots=True)
class AccessSpec:
    """A built-in access: which tooth, its axis in the tooth frame, and what may bend at most at each orifice."""

    name: str
    title: str
    fdi: int
    axis: tuple[float, float, float]
    bend_deg: float
    overlap: float
    wall_mm: float


ACCESSES = (
    AccessSpec("access-11", "Endodontic access, upper right central incisor", 11, (0.0, -0.2, 1.0), 10.0, 0.85, 0.6),
    AccessSpec("access-14", "Endodontic access, upper right first premolar", 14, (0.0, 0.0, 1.0), 10.0, 0.85, 0.5),
    AccessSpec("access-26", "Endodontic access, upper left first molar", 26, (0.0, 0.0, 1.0), 10.0, 0.88, 1.0),
    AccessSpec("access-36", "Endodontic access, lower left first molar", 36, (0.0, 0.0, 1.0), 10.0, 0.88, 0.8),
)


def site_of(spec: AccessSpec, made: Tooth) -> AccessSite:
    """Where the tooth is opened."""
    return access_site(made, axis=np.array(spec.axis))


def access_parts(spec: AccessSpec, *, cache_dir: Path | None) -> tuple[dict[str, object], dict[str, Surface]]:
    """The exercise's keys and surfaces, as `exercise.builtin` writes them."""
    from kerfmark.anatomy.arch import neighbours
    from kerfmark.anatomy.gingiva import local_gingiva

    made = tooth(spec.fdi, cache_dir=cache_dir)
    site = site_of(spec, made)
    ideal = cut_access(made, site, AccessPlan())
    surfaces: dict[str, Surface] = {"subject": made.outer, "target": ideal.surface, "envelope": _envelope(site)}
    surfaces |= {f"layer-{name}": surface for name, surface in made.layers.items()}
    surfaces |= {f"neighbour-{side}": surface for side, surface in neighbours(spec.fdi).items()}
    surfaces["gingiva"] = local_gingiva(spec.fdi, margin_mm=0.4)
    return _keys(spec, made, site, ideal, surfaces), surfaces


def _envelope(site: AccessSite) -> Surface:
    away = site.ring_mm - site.middle_mm
    wide = site.middle_mm + away * (1.0 + ROOM_MM / np.linalg.norm(away, axis=1, keepdims=True))
    rings = [np.column_stack([wide, np.full(len(wide), z)]) for z in (site.floor_mm - ROOM_MM, 16.0)]
    return loft(np.stack(rings)).transformed(rigid_inverse(site.into)).surface()


def access_rules(spec: AccessSpec, *, orifices: tuple[str, ...], floored: bool) -> list[Rule]:
    """The criteria of an access, in the order a teacher looks: opening, roof, floor and walls, ways in, what is left."""
    practice = "[practice]"
    major = "roof, floor and walls weigh most: they are what an access is judged by [practice]"
    found = [
        Rule("access.outline_overlap", None, None, (spec.overlap, inf), 1.0, "Does the opening follow the planned outline?",
             "outline from the chamber by the laws of its floor, Krasner & Rankow 2004 [seen]; share [practice]"),
        Rule("access.centring_mm", None, None, (-inf, 0.5), 1.0, "Is the opening centred over the chamber?", practice),
        Rule("access.roof_left_mm2", None, None, (-inf, 0.3), 3.0, "Is the whole roof of the chamber gone, horns included?",
             "absence of overhangs, a published grid [seen]; no ledge over any horn [practice]; 0.3 mm² tells a ledge from noise [practice]; " + major),
    ]  # fmt: skip
    if floored:
        found.append(
            Rule("access.floor_cut_mm", None, None, (-inf, 0.15), 3.0, "Is the floor of the chamber untouched?",
                 "preserved floor, a published grid [seen]; 0.15 mm tells a cut from noise [practice]; " + major)
        )  # fmt: skip
    found.append(
        Rule("access.gouge_depth_mm", None, None, (-inf, 0.5), 3.0, "Are the walls free of gouges?",
             "beyond the plan over 0.5 mm minor, over 1.0 mm major [practice]; " + major)
    )  # fmt: skip
    found += [
        Rule("access.straight_line_deg", str(number), None, (-inf, spec.bend_deg), round(2.0 / len(orifices), 2),
             f"Does a straight instrument reach the {name} orifice with little bend?", f"{spec.bend_deg:g}° [practice]")
        for number, name in enumerate(orifices, start=1)
    ]  # fmt: skip
    found += [
        Rule("access.wall_left_mm", None, None, (spec.wall_mm, inf), 1.0, "Is enough wall left at the thinnest place?",
             "at least 1 mm of dentine at the thinnest place [practice]"
             + ("" if spec.wall_mm >= 1.0 else "; less here, where the opening runs out between steep slopes of the crown [practice]")),
        Rule("access.perforation", None, None, (-inf, 0.5), 0.0, "Is the outer surface unbroken below the crown?",
             "any through-cut fails the piece [practice]", critical=True),
    ]  # fmt: skip
    return found


def _keys(
    spec: AccessSpec, made: Tooth, site: AccessSite, ideal: CutAccess, surfaces: Mapping[str, Surface]
) -> dict[str, object]:
    layers = {name.removeprefix("layer-"): f"{name}.ply" for name in surfaces if name.startswith("layer-")}
    beside = {name.removeprefix("neighbour-"): f"{name}.ply" for name in surfaces if name.startswith("neighbour-")}
    outline: FloatArray = outline_on(made, site, ideal.ring_mm)
    rules = access_rules(spec, orifices=tuple(made.orifices), floored=has_floor(made))
    return {
        "format": 1,
        "id": spec.name,
        "title": spec.title,
        "family": "access",
        "tooth": spec.fdi,
        "instruction": "Open the pulp chamber: all of its roof away, floor and walls untouched, a straight way to every orifice. "
        "Training only, not for treatment.",
        "subject": {"surface": "subject.ply", "layers": layers, "neighbours": beside, "gingiva": "gingiva.ply"},
        "frame": {
            "origin": [0.0, 0.0, 0.0],
            "occlusal": [0.0, 0.0, 1.0],
            "facial": [0.0, 1.0, 0.0],
            "mesial": "+x" if made.mesial_sign > 0 else "-x",
        },
        "target": {
            "surface": "target.ply",
            "outline": outline.round(4).tolist(),
            "orifices": [at.round(4).tolist() for at in made.orifices.values()],
            "axis": [float(x) for x in spec.axis],
        },
        "permitted": {
            "instruments": [LONG_TAPER["name"], FINE_TAPER["name"], "round 1.4"],
            "envelope": "envelope.ply",
            "time_limit_s": 1800.0,
        },
        "instruments": [LONG_TAPER, FINE_TAPER],
        "source": {"kind": "scan", "noise_um": 10.0, "trueness_um": 15.0},
        "criteria": [rule.as_toml() for rule in rules],
        "pass": {"minimum_percent": PASS_PERCENT, "met_at": 0.95, "too_close": "refer"},
    }


def has_floor(made: Tooth) -> bool:
    """Whether the chamber has a floor of its own: where several canals leave it at one level."""
    return len(made.orifices) > 2
