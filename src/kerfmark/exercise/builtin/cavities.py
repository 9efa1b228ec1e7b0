"""The built-in cavities: a virtual tooth with its tissues and neighbours, perhaps a lesion, and an ideal cavity as target."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from kerfmark.anatomy.lesions import Lesion, with_lesion
from kerfmark.anatomy.preparations.cavity import Bevel, Box, CavityPlan, cut_cavity, exact_margin
from kerfmark.anatomy.preparations.lesion_cut import LesionPlan, cut_lesion
from kerfmark.anatomy.preparations.outlines import Fissure, Rounded
from kerfmark.anatomy.tooth import Tooth, tooth
from kerfmark.exercise.builtin.cavity_rules import RULES
from kerfmark.exercise.builtin.criteria import PASS_PERCENT
from kerfmark.geometry.grids import distance_grid, surface_of
from kerfmark.geometry.mesh import bounds_mm
from kerfmark.geometry.solids import Solid, box, intersection
from kerfmark.records import FloatArray, Surface

__all__ = ["CAVITIES", "CavitySpec", "CutPiece", "cavity_parts", "cut_piece", "subject_of"]

GINGIVA_MM = 0.4
BEYOND_MM = 0.75
"""How far past the ideal cavity cutting is allowed."""
PEAR = "long pear 0.8"


@dataclass(frozen=True, slots=True)
class CavitySpec:
    """A built-in cavity: what it is called, which tooth and class, which rules, the ideal cavity's numbers."""

    name: str
    title: str
    fdi: int
    cavity_class: int
    instruction: str
    rules: str
    plan: CavityPlan | LesionPlan
    lesion: Lesion | None = None
    instruments: tuple[str, ...] = (PEAR, "round 1.0")


@dataclass(frozen=True, slots=True, eq=False)
class CutPiece:
    """A tooth with a cavity cut: its surface, what was taken away, the margin's closed curves."""

    surface: Surface
    tool: Solid
    margin_mm: tuple[FloatArray, ...]


def _fissure(first: tuple[float, float], second: tuple[float, float], isthmus: float, lobe: float) -> Fissure:
    return Fissure((first, second), isthmus, lobe)


_ROUND_WALLS = {"right": 5.0, "left": 5.0, "up": -2.0, "down": -2.0}
_MOLAR_36 = CavityPlan(_fissure((-3.05, -0.95), (3.0, -0.8), 1.5, 1.9), 1.75, wall_deg=_ROUND_WALLS, radius_mm=0.3)

CAVITIES = (
    CavitySpec(
        "cavity-i-36", "Class I for amalgam, lower left first molar", 36, 1,
        "Prepare the occlusal fissures for amalgam; keep both marginal ridges.", "amalgam I", _MOLAR_36,
    ),
    CavitySpec(
        "cavity-i-46", "Class I for composite, lower right first molar", 46, 1,
        "Open the central fissure for composite, no wider than the decay asks for.", "composite I",
        CavityPlan(_fissure((-2.0, -0.8), (2.0, -0.95), 1.3, 1.7), 1.7, wall_deg=dict.fromkeys(_ROUND_WALLS, 0.0), radius_mm=0.35),
    ),
    CavitySpec(
        "cavity-ii-mo-36", "Class II mesio-occlusal for amalgam, lower left first molar", 36, 2,
        "Prepare a mesio-occlusal cavity for amalgam; free the box from the neighbour and leave it untouched.", "amalgam II",
        replace(_MOLAR_36, outline=_fissure((-3.05, -0.95), (5.0, -0.8), 1.5, 1.9), wall_deg={"left": 5.0, "up": -2.0, "down": -2.0},
                box=Box("mesial", -0.75, 4.2, 3.9, 1.6, -2.0, 2.0, 0.2)),
    ),
    CavitySpec(
        "cavity-ii-do-25", "Class II disto-occlusal for composite, upper left second premolar", 25, 2,
        "Prepare a disto-occlusal cavity for composite; leave the neighbour untouched.", "composite II",
        CavityPlan(_fissure((-1.4, -0.03), (3.2, -0.05), 1.3, 1.6), 1.6, wall_deg={"left": 3.0}, radius_mm=0.3,
                   box=Box("distal", -0.12, 3.3, 2.35, 1.5, -2.0, 2.0, 0.2)),
    ),
    CavitySpec(
        "cavity-iii-11", "Class III for composite, upper right central incisor", 11, 3,
        "Prepare the mesial surface from the facial side for composite, with a bevel.", "composite III",
        CavityPlan(Rounded((-9.0, 4.6), (-2.75, 6.9), 0.5), -0.35, facing="facial", floor="level", radius_mm=0.3, bevel=Bevel(0.4, 45.0)),
        instruments=("round 1.0", "round 0.5", "flame 1.0"),
    ),
    CavitySpec(
        "cavity-iv-21", "Class IV for composite, upper left central incisor", 21, 4,
        "Prepare the lost mesio-incisal corner for composite, with a wide facial bevel.", "composite IV",
        CavityPlan(Rounded((2.0, 5.6), (9.0, 14.0), 0.5), -7.0, facing="facial", floor="level", radius_mm=0.05, bevel=Bevel(1.2, 45.0)),
        instruments=("round 1.0", "flame 1.0"),
    ),
    CavitySpec(
        "cavity-v-34", "Class V for composite, lower left first premolar", 34, 5,
        "Prepare the facial neck for composite; follow the gingiva.", "composite V",
        CavityPlan(Rounded((-1.75, 0.9), (1.75, 3.1), 0.7), 1.25, facing="facial", floor="follows", wall_deg={"right": 18.0, "left": 18.0, "up": 8.0, "down": 4.0}),
    ),
    CavitySpec(
        "caries-26", "Caries removal, upper left first molar", 26, 1,
        "Remove all decay, first along the enamel–dentine junction; keep sound tissue and keep off the pulp.", "caries",
        LesionPlan(), Lesion("fissure", "central fossa", 1.6, 0.9, 0.5), instruments=("round 1.0", PEAR),
    ),
)  # fmt: skip


def subject_of(spec: CavitySpec, *, cache_dir: Path | None) -> tuple[Tooth, dict[str, Surface]]:
    """The tooth, and its layers in the exercise's order: a lesion lies over the tissues it overlaps and wins."""
    made = tooth(spec.fdi, cache_dir=cache_dir)
    layers = {name: made.layers[name] for name in ("enamel", "dentine")}
    if spec.lesion is not None:
        layers["caries"] = with_lesion(made, spec.lesion).layers["caries"]
    return made, layers | {"pulp": made.layers["pulp"]}


def cut_piece(made: Tooth, layers: Mapping[str, Surface], plan: CavityPlan | LesionPlan) -> CutPiece:
    """A plan cut into the exercise's tooth."""
    if isinstance(plan, LesionPlan):
        surface, tool = cut_lesion(made.outer, layers["caries"], plan)
        return CutPiece(surface, tool, exact_margin(surface, made.outer))
    cut = cut_cavity(made.outer, plan, mesial_sign=made.mesial_sign)
    return CutPiece(cut.surface, cut.tool, cut.margin_mm)


def cavity_parts(spec: CavitySpec, *, cache_dir: Path | None) -> tuple[dict[str, object], dict[str, Surface]]:
    """The exercise's keys and surfaces, as `exercise.builtin` writes them."""
    from kerfmark.anatomy.arch import neighbours
    from kerfmark.anatomy.gingiva import local_gingiva

    made, layers = subject_of(spec, cache_dir=cache_dir)
    ideal = cut_piece(made, layers, spec.plan)
    surfaces: dict[str, Surface] = {"subject": made.outer, "target": ideal.surface, "envelope": _envelope(made, ideal)}
    surfaces |= {f"layer-{name}": surface for name, surface in layers.items()}
    surfaces |= {f"neighbour-{side}": surface for side, surface in neighbours(spec.fdi).items()}
    surfaces["gingiva"] = local_gingiva(spec.fdi, margin_mm=GINGIVA_MM)
    return _keys(spec, made, ideal, surfaces), surfaces


def _envelope(made: Tooth, ideal: CutPiece) -> Surface:
    """Where cutting is allowed: what the ideal cavity takes and 0.75 mm round it, within 0.5 mm of the tooth."""
    low, high = bounds_mm(made.outer)
    near = Solid.from_surface(surface_of(distance_grid(made.outer, spacing_mm=0.2, band_mm=0.8), level_mm=0.5))
    taken = intersection(ideal.tool, near, box(low - 2.0, high + 2.0)).parts()[0]
    return surface_of(distance_grid(taken.surface(), spacing_mm=0.15, band_mm=BEYOND_MM + 0.3), level_mm=BEYOND_MM)


def _keys(spec: CavitySpec, made: Tooth, ideal: CutPiece, surfaces: Mapping[str, Surface]) -> dict[str, object]:
    layers = {name.removeprefix("layer-"): f"{name}.ply" for name in surfaces if name.startswith("layer-")}
    beside = {name.removeprefix("neighbour-"): f"{name}.ply" for name in surfaces if name.startswith("neighbour-")}
    cusps = {n: s for n, s in made.sites.items() if s.role in ("functional_cusp", "nonfunctional_cusp")}
    target: dict[str, object] = {"surface": "target.ply"}
    if spec.lesion is None:
        ring = ideal.margin_mm[0]
        target["outline"] = ring[:: max(1, len(ring) // 240)].round(4).tolist()
    else:
        target["clear"] = "caries"
    return {
        "format": 1,
        "id": spec.name,
        "title": spec.title,
        "family": "cavity",
        "cavity_class": spec.cavity_class,
        "tooth": spec.fdi,
        "instruction": spec.instruction,
        "subject": {"surface": "subject.ply", "layers": layers, "neighbours": beside, "gingiva": "gingiva.ply"},
        "frame": {
            "origin": [0.0, 0.0, 0.0],
            "occlusal": [0.0, 0.0, 1.0],
            "facial": [0.0, 1.0, 0.0],
            "mesial": "+x" if made.mesial_sign > 0 else "-x",
        },
        "target": target,
        "permitted": {"instruments": list(spec.instruments), "envelope": "envelope.ply", "time_limit_s": 2700.0},
        "sites": [
            {"name": n, "role": s.role, "point": np.asarray(s.point_mm).round(4).tolist()} for n, s in cusps.items()
        ],
        "source": {"kind": "scan", "noise_um": 10.0, "trueness_um": 15.0},
        "criteria": [rule.as_toml() for rule in RULES[spec.rules]],
        "pass": {"minimum_percent": PASS_PERCENT, "met_at": 0.95, "too_close": "refer"},
    }
