"""The built-in bridges: two abutments where they stand in an arch, the tooth between them missing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import inf
from pathlib import Path

import numpy as np

from kerfmark.anatomy.arch import Arch, Placed, arch
from kerfmark.anatomy.gingiva import gingiva
from kerfmark.anatomy.notation import is_upper
from kerfmark.anatomy.preparations import CrownPlan
from kerfmark.anatomy.tooth import Tooth, tooth
from kerfmark.exercise.builtin.criteria import CERAMIC, FRONT, PASS_PERCENT, Rule, crown_rules
from kerfmark.exercise.builtin.crowns import (
    GINGIVA_MM,
    ROUND_TAPER,
    SHOULDER_TAPER,
    CrownSpec,
    cut_tooth,
    envelope_of,
    ideal_plan,
    kept_sites,
    reduced_sites,
)
from kerfmark.geometry.frames import rigid_inverse
from kerfmark.geometry.mesh import joined, transformed
from kerfmark.records import FloatArray, Surface

__all__ = ["BRIDGES", "Abutted", "BridgeSpec", "abutted", "bridge_parts", "bridge_rules", "leaning_plan"]

WALLS = ("buccal", "mesial", "lingual", "distal")


@dataclass(frozen=True, slots=True)
class BridgeSpec:
    """A built-in bridge: its abutments as crowns, the first named first, and the teeth missing between them."""

    name: str
    title: str
    instruction: str
    crowns: tuple[CrownSpec, ...]
    missing: tuple[int, ...]

    @property
    def teeth(self) -> tuple[int, ...]:
        """FDI numbers of the abutments."""
        return tuple(crown.fdi for crown in self.crowns)


def _molar(fdi: int) -> CrownSpec:
    return CrownSpec(f"abutment {fdi}", "", fdi, "", CERAMIC, dict.fromkeys(WALLS, 1.0), 0.3, 1.75, 1.5)


def _front(fdi: int) -> CrownSpec:
    widths = {"buccal": 1.15, "mesial": 0.95, "lingual": 0.75, "distal": 0.95}
    return CrownSpec(f"abutment {fdi}", "", fdi, "", FRONT, widths, 0.3, 2.25, 0.65, front=True)


BRIDGES = (
    BridgeSpec(
        "bridge-36-38", "Bridge abutments, lower left first and third molar",
        "Prepare both abutments for a full ceramic bridge with one path of insertion.", (_molar(36), _molar(38)), (37,),
    ),
    BridgeSpec(
        "bridge-11-13", "Bridge abutments, upper right central incisor and canine",
        "Prepare both abutments for a ceramic bridge with one path of insertion.", (_front(11), _front(13)), (12,),
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Abutted:
    """An abutment where it stands: its tooth in its own frame, the 4 × 4 into the frame of the first, the bridge's path in its own.

    `sites` are the named points at which its reduction is read, own frame.
    """

    crown: CrownSpec
    made: Tooth
    into_first: FloatArray
    path: FloatArray
    sites: Mapping[str, FloatArray]

    @property
    def label(self) -> str:
        """What begins the names of its sites and places."""
        return str(self.crown.fdi)


def abutted(spec: BridgeSpec, *, cache_dir: Path | None) -> tuple[Abutted, ...]:
    """The abutments of a bridge; its path is the middle of their long axes."""
    return _abutments(spec, _row(spec), cache_dir=cache_dir)


def _row(spec: BridgeSpec) -> Arch:
    jaw = "upper" if is_upper(spec.teeth[0]) else "lower"
    return arch(jaw, missing=spec.missing, third_molars=True)  # type: ignore[arg-type]


def _abutments(spec: BridgeSpec, row: Arch, *, cache_dir: Path | None) -> tuple[Abutted, ...]:
    standing = {placed.fdi: placed for placed in row.teeth}
    home = rigid_inverse(standing[spec.teeth[0]].matrix)
    into = [home @ standing[fdi].matrix for fdi in spec.teeth]
    middle = np.sum([matrix[:3, 2] for matrix in into], axis=0)
    found = []
    for crown, matrix in zip(spec.crowns, into, strict=True):
        made = tooth(crown.fdi, cache_dir=cache_dir)
        path = matrix[:3, :3].T @ middle / np.linalg.norm(middle)
        found.append(Abutted(crown, made, matrix, path, kept_sites(crown, made, _lean(made, path))))
    return tuple(found)


def _lean(made: Tooth, path: FloatArray) -> dict[str, float]:
    """A path of a tooth's frame as a plan says it: tilt, and azimuth from facial towards mesial."""
    return {
        "tilt_deg": float(np.degrees(np.arccos(min(1.0, path[2])))),
        "tilt_azimuth_deg": float(np.degrees(np.arctan2(made.mesial_sign * path[0], path[1])) % 360.0),
    }


def leaning_plan(abutment: Abutted) -> CrownPlan:
    """The ideal plan of an abutment, its walls about the bridge's path."""
    plan = ideal_plan(abutment.crown, abutment.made, abutment.sites)
    return replace(plan, **_lean(abutment.made, abutment.path))  # type: ignore[arg-type]


def bridge_parts(spec: BridgeSpec, *, cache_dir: Path | None) -> tuple[dict[str, object], dict[str, Surface]]:
    """The exercise's keys and surfaces, in the tooth frame of the first abutment."""
    row = _row(spec)
    abutments = _abutments(spec, row, cache_dir=cache_dir)
    ideals = [cut_tooth(a.made, leaning_plan(a), a.sites) for a in abutments]
    beside = _beside(spec, row)
    home = rigid_inverse(next(p.matrix for p in row.teeth if p.fdi == spec.teeth[0]))
    surfaces = {
        "subject": _together(abutments, [a.made.outer for a in abutments]),
        "target": _together(abutments, [ideal.surface for ideal in ideals]),
        "envelope": _together(abutments, [envelope_of(a.made, i) for a, i in zip(abutments, ideals, strict=True)]),
    }
    for name in abutments[0].made.layers:
        surfaces[f"layer-{name}"] = _together(abutments, [a.made.layers[name] for a in abutments])
    for side, placed in beside.items():
        surfaces[f"neighbour-{side}"] = transformed(placed.surface(edge_mm=0.1), home)
    surfaces["gingiva"] = transformed(_gum(spec, row, beside), home)
    return _keys(spec, abutments, surfaces), surfaces


def _together(abutments: tuple[Abutted, ...], surfaces: list[Surface]) -> Surface:
    return joined(transformed(s, a.into_first) for a, s in zip(abutments, surfaces, strict=True))


def _beside(spec: BridgeSpec, row: Arch) -> dict[str, Placed]:
    """The teeth on either side of the bridge: mesial of its first, distal of its last, as far as there are any."""
    order = [p.fdi for p in sorted((*row.teeth, *row.empty), key=lambda p: p.matrix[0, 3])]
    places = sorted(order.index(fdi) for fdi in spec.teeth)
    standing = {p.fdi: p for p in row.teeth}
    found: dict[str, Placed] = {}
    for at in (places[0] - 1, places[-1] + 1):
        if 0 <= at < len(order) and order[at] in standing:
            fdi = order[at]
            side = "mesial" if fdi // 10 != spec.teeth[0] // 10 or fdi % 10 < spec.teeth[0] % 10 else "distal"
            found[side] = standing[fdi]
    return found


def _gum(spec: BridgeSpec, row: Arch, beside: Mapping[str, Placed]) -> Surface:
    """Gingiva round abutments and neighbours, with the ridge between, in the arch's frame."""
    wanted = {*spec.teeth, *(p.fdi for p in beside.values())}
    teeth = [p for p in row.teeth if p.fdi in wanted]
    contacts = [c for c in row.contacts if set(c.between) <= wanted]
    return gingiva(teeth, contacts, empty=row.empty, margin_mm=GINGIVA_MM)


def _named(abutment: Abutted) -> tuple[list[str], list[str]]:
    """The functional and the other sites that are read, by the tooth's own names."""
    functional, others = reduced_sites(abutment.made, front=abutment.crown.front)
    return [n for n in functional if n in abutment.sites], [n for n in others if n in abutment.sites]


def bridge_rules(abutments: tuple[Abutted, ...], *, neighbours: tuple[str, ...]) -> list[Rule]:
    """The criteria of a bridge: what all abutments share, then of each what a crown of its kind is asked for."""
    found = [
        Rule("crown.abutments.undercut_volume_mm3", None, None, (-inf, 0.05), 3.0,
             "Can the bridge go down on all abutments along one path?",
             "no undercut along a common path: usual critical error [practice]; 0.05 mm³ tells one from noise [practice]", critical=True),
        Rule("crown.abutments.common_path_deg", None, None, (-inf, 8.0), 1.0,
             "Does the common path stand upright?", "8° [practice]"),
    ]  # fmt: skip
    for number, abutment in enumerate(abutments):
        functional, others = _named(abutment)
        rules = crown_rules(
            abutment.crown.rules, functional=functional, nonfunctional=others, front=abutment.crown.front
        )
        side = "mesial" if number == 0 else "distal"
        found += [_of(rule, abutment) for rule in rules if _is_asked(rule, side if side in neighbours else None)]
    return found


ASKED = ("total_occlusal_convergence_deg", "occlusal_reduction_mm", "finish_line_width_mm", "margin_smoothness_um",
         "margin_continuity", "neighbour.damage_depth_mm")  # fmt: skip


def _is_asked(rule: Rule, side: str | None) -> bool:
    """Of a crown's criteria those a bridge keeps for each abutment: the long list twice would hide what matters."""
    name = rule.reading.removeprefix("crown.")
    if name.startswith("neighbour."):
        return rule.where == side
    return name in ASKED and rule.where not in ("MF-DL", "ML-DF")


def _of(rule: Rule, abutment: Abutted) -> Rule:
    """A crown's criterion put to one abutment."""
    if ".neighbour." in rule.reading:
        return rule
    tooth_number = abutment.label
    ask = f"{tooth_number}: {rule.ask}"
    if rule.reading == "crown.occlusal_reduction_mm":
        return replace(rule, where=f"{tooth_number} {rule.where}", ask=ask)
    return replace(rule, where=tooth_number + (f"/{rule.where}" if rule.where else ""), ask=ask)


def _keys(spec: BridgeSpec, abutments: tuple[Abutted, ...], surfaces: Mapping[str, Surface]) -> dict[str, object]:
    first, *others = abutments
    layers = {name.removeprefix("layer-"): f"{name}.ply" for name in surfaces if name.startswith("layer-")}
    beside = {name.removeprefix("neighbour-"): f"{name}.ply" for name in surfaces if name.startswith("neighbour-")}
    rules = bridge_rules(abutments, neighbours=tuple(beside))
    return {
        "format": 1,
        "id": spec.name,
        "title": spec.title,
        "family": "crown",
        "tooth": first.crown.fdi,
        "instruction": spec.instruction,
        "subject": {"surface": "subject.ply", "layers": layers, "neighbours": beside, "gingiva": "gingiva.ply"},
        "frame": _frame(first),
        "target": {"surface": "target.ply"},
        "permitted": {
            "instruments": [ROUND_TAPER["name"], SHOULDER_TAPER["name"], "round 2.3"],
            "envelope": "envelope.ply",
            "time_limit_s": 7200.0,
        },
        "instruments": [ROUND_TAPER, SHOULDER_TAPER],
        "abutments": [{"tooth": a.crown.fdi, **_frame(a)} for a in others],
        "sites": [_site(a, name) for a in abutments for name in (*_named(a)[0], *_named(a)[1])],
        "source": {"kind": "scan", "noise_um": 10.0, "trueness_um": 15.0},
        "criteria": [rule.as_toml() for rule in rules],
        "pass": {"minimum_percent": PASS_PERCENT, "met_at": 0.95, "too_close": "refer"},
    }


def _frame(abutment: Abutted) -> dict[str, object]:
    into = abutment.into_first
    return {
        "origin": into[:3, 3].tolist(),
        "occlusal": into[:3, 2].tolist(),
        "facial": into[:3, 1].tolist(),
        "mesial": "+x" if abutment.made.mesial_sign > 0 else "-x",
    }


def _site(abutment: Abutted, name: str) -> dict[str, object]:
    point = abutment.into_first[:3, :3] @ abutment.sites[name] + abutment.into_first[:3, 3]
    return {
        "name": f"{abutment.label} {name}",
        "role": abutment.made.sites[name].role,
        "point": point.round(4).tolist(),
    }
