"""The built-in crown exercises: a virtual tooth, its neighbours and gingiva, and an ideal preparation as target."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from kerfmark.anatomy.preparations import CrownPlan, CutCrown, cut_crown
from kerfmark.anatomy.tooth import Tooth, tooth
from kerfmark.exercise.builtin.criteria import CERAMIC, FRONT, METAL, CrownRules, crown_rules
from kerfmark.geometry.frames import azimuth_direction
from kerfmark.geometry.grids import distance_grid, surface_of
from kerfmark.geometry.mesh import bounds_mm
from kerfmark.geometry.solids import Solid, intersection, loft
from kerfmark.records import Surface

__all__ = ["CROWNS", "CrownSpec", "crown_parts", "ideal_plan", "reduced_sites"]

ROUND_TAPER = {
    "name": "round-end taper 0.6 to 1.2",
    "profile_mm": [[0.0, 0.0], [0.04, 0.15], [0.15, 0.26], [0.3, 0.3], [8.0, 0.6], [8.0, 0.0]],
}
SHOULDER_TAPER = {
    "name": "flat-end taper, soft corner, 1.0 to 1.6",
    "profile_mm": [[0.0, 0.0], [0.0, 0.25], [0.07, 0.42], [0.25, 0.5], [8.0, 0.8], [8.0, 0.0]],
}


@dataclass(frozen=True, slots=True)
class CrownSpec:
    """A built-in crown: what it is called, which tooth, which rules, the ideal plan's numbers."""

    name: str
    title: str
    fdi: int
    instruction: str
    rules: CrownRules
    width_mm: Mapping[str, float]
    internal_radius_mm: float
    functional_mm: float
    nonfunctional_mm: float
    front: bool = False


def _all(value: float) -> dict[str, float]:
    return dict.fromkeys(("buccal", "mesial", "lingual", "distal"), value)


CROWNS = (
    CrownSpec("full-crown-46", "Full ceramic crown, lower right first molar", 46, "Prepare for a full ceramic crown.", CERAMIC, _all(1.0), 0.3, 1.75, 1.5),
    CrownSpec("full-crown-26", "Full ceramic crown, upper left first molar", 26, "Prepare for a full ceramic crown.", CERAMIC, _all(1.0), 0.3, 1.75, 1.5),
    CrownSpec("metal-crown-36", "Full metal crown, lower left first molar", 36, "Prepare for a full metal crown with a chamfer.", METAL, _all(0.5), 0.6, 1.55, 1.05),
    CrownSpec(
        "anterior-crown-11", "Ceramic crown, upper right central incisor", 11, "Prepare for a ceramic crown; reduce the facial surface in two planes.", FRONT,
        {"buccal": 1.15, "mesial": 0.95, "lingual": 0.75, "distal": 0.95}, 0.3, 2.25, 0.65, front=True,
    ),
)  # fmt: skip


def reduced_sites(made: Tooth, *, front: bool) -> tuple[list[str], list[str]]:
    """The sites at which reduction is asked for: functional cusps (or the incisal edge), then the others and the central groove."""
    by_role: dict[str, list[str]] = {}
    for name, site in made.sites.items():
        by_role.setdefault(site.role, []).append(name)
    if front:
        return by_role.get("incisal_edge", [])[:1], [name for name in made.sites if name == "lingual fossa"]
    return by_role.get("functional_cusp", []), by_role.get("nonfunctional_cusp", []) + by_role.get(
        "central_groove", []
    )[:1]


def served_sites(spec: CrownSpec, made: Tooth, ideal: CutCrown) -> tuple[list[str], list[str]]:
    """Of the reduced sites, those at which the ideal preparation holds its own limits.

    A cusp that stands over the finish line (the distal cusp of a lower molar, the distolingual of an upper) is cut away by the
    wall, whatever is taken off its tip; asking for a depth there would ask for a wrong wall.
    """
    functional, nonfunctional = reduced_sites(made, front=spec.front)
    rules = ((functional, spec.rules.functional[0]), (nonfunctional, spec.rules.nonfunctional[0]))
    kept = [[name for name in names if low <= ideal.reduction_mm.get(name, low) <= high] for names, (low, high) in rules]
    return kept[0], kept[1]


def ideal_plan(spec: CrownSpec, made: Tooth) -> CrownPlan:
    """The plan in the middle of the limits, margin 0.5 mm above the gingiva (which lies 0.5 mm above the cervical line)."""
    functional, nonfunctional = reduced_sites(made, front=spec.front)
    plan = CrownPlan(
        taper_deg=_all(7.0),
        width_mm=dict(spec.width_mm),
        internal_radius_mm=spec.internal_radius_mm,
        margin_mm=_all(1.0),
        reduction_mm={
            **dict.fromkeys(functional, spec.functional_mm),
            **dict.fromkeys(nonfunctional, spec.nonfunctional_mm),
        },
        edge_radius_mm=0.3,
    )
    if not spec.front:
        return plan
    reductions = {name: value for name, value in plan.reduction_mm.items() if name not in functional}
    return replace(plan, reduction_mm=reductions, flat_reduction_mm=spec.functional_mm, second_plane_deg=9.0, edge_radius_mm=0.15, scallop=0.7,
        margin_mm={"buccal": 0.8, "mesial": 0.3, "lingual": 0.8, "distal": 0.3})


def crown_parts(spec: CrownSpec, *, cache_dir: Path | None) -> tuple[dict[str, object], dict[str, Surface]]:
    """The exercise's keys and surfaces, as `exercise.builtin` writes them.

    Parameters
    ----------
    spec : CrownSpec
    cache_dir : path or None
        Where teeth are kept once made.
    """
    from kerfmark.anatomy.arch import local_gingiva, neighbours

    made = tooth(spec.fdi, cache_dir=cache_dir)
    plan = ideal_plan(spec, made)
    ideal = cut_tooth(made, plan)
    surfaces: dict[str, Surface] = {"subject": made.outer, "target": ideal.surface, "envelope": _envelope(made, ideal)}
    surfaces |= {f"layer-{name}": surface for name, surface in made.layers.items()}
    surfaces |= {f"neighbour-{side}": surface for side, surface in neighbours(spec.fdi, cache_dir=cache_dir).items()}
    surfaces["gingiva"] = local_gingiva(spec.fdi, cache_dir=cache_dir)
    return _keys(spec, made, ideal, surfaces), surfaces


def cut_tooth(made: Tooth, plan: CrownPlan) -> CutCrown:
    """A plan cut into a virtual tooth."""
    points = {name: np.asarray(site.point_mm) for name, site in made.sites.items()}
    return cut_crown(
        made.outer, sites=points, cervical_line_mm=made.cervical_line_mm, mesial_sign=made.mesial_sign, plan=plan
    )


def _keys(spec: CrownSpec, made: Tooth, ideal: CutCrown, surfaces: Mapping[str, Surface]) -> dict[str, object]:
    functional, nonfunctional = served_sites(spec, made, ideal)
    rules = crown_rules(spec.rules, functional=functional, nonfunctional=nonfunctional, front=spec.front)
    layers = {name.removeprefix("layer-"): f"{name}.ply" for name in surfaces if name.startswith("layer-")}
    beside = {name.removeprefix("neighbour-"): f"{name}.ply" for name in surfaces if name.startswith("neighbour-")}
    return {
        "format": 1,
        "id": spec.name,
        "title": spec.title,
        "family": "crown",
        "tooth": spec.fdi,
        "instruction": spec.instruction,
        "subject": {"surface": "subject.ply", "layers": layers, "neighbours": beside, "gingiva": "gingiva.ply"},
        "frame": {
            "origin": [0.0, 0.0, 0.0],
            "occlusal": [0.0, 0.0, 1.0],
            "facial": [0.0, 1.0, 0.0],
            "mesial": "+x" if made.mesial_sign > 0 else "-x",
        },
        "target": {"surface": "target.ply", "outline": ideal.margin_mm[::4].round(4).tolist()},
        "permitted": {
            "instruments": [ROUND_TAPER["name"], SHOULDER_TAPER["name"], "806 314 001 524 023"],
            "envelope": "envelope.ply",
            "time_limit_s": 3600.0,
        },
        "instruments": [ROUND_TAPER, SHOULDER_TAPER],
        "sites": [
            {
                "name": name,
                "role": made.sites[name].role,
                "point": np.asarray(made.sites[name].point_mm).round(4).tolist(),
            }
            for name in (*functional, *nonfunctional)
        ],
        "source": {"kind": "scan", "noise_um": 10.0, "trueness_um": 15.0},
        "criteria": [rule.as_toml() for rule in rules],
        "pass": {"minimum_percent": 60.0, "met_at": 0.95, "too_close": "refer"},
    }


def _envelope(made: Tooth, ideal: CutCrown) -> Surface:
    """Where cutting is allowed: the crown and 0.3 mm round it, down to 0.4 mm below the planned margin."""
    grid = distance_grid(made.outer, spacing_mm=0.2, band_mm=0.8)
    round_it = Solid.from_surface(surface_of(grid, level_mm=0.3))
    outwards = azimuth_direction(np.arange(0.0, 360.0, 4.0), mesial_sign=made.mesial_sign)
    low = 12.0 * outwards + (ideal.margin_mm[::4, 2:] - 0.4) * np.array([0.0, 0.0, 1.0])
    high = 12.0 * outwards + np.array([0.0, 0.0, float(bounds_mm(made.outer)[1, 2]) + 1.0])
    return intersection(round_it, loft(np.stack([low, high]))).surface()
