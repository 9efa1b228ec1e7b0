"""The built-in crown exercises: a virtual tooth, its neighbours and gingiva, and an ideal preparation as target."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from kerfmark.anatomy.form import NamedSite
from kerfmark.anatomy.preparations import CrownPlan, CutCrown, cut_crown
from kerfmark.anatomy.tooth import Tooth, tooth
from kerfmark.exercise.builtin.criteria import CERAMIC, FRONT, METAL, CrownRules, crown_rules
from kerfmark.exercise.preparing.places import site_patch
from kerfmark.geometry.frames import azimuth_direction
from kerfmark.geometry.grids import distance_grid, surface_of
from kerfmark.geometry.mesh import bounds_mm
from kerfmark.geometry.rays import RayCaster
from kerfmark.geometry.solids import Solid, intersection, loft
from kerfmark.records import FloatArray, Surface

__all__ = [
    "CROWNS",
    "GINGIVA_MM",
    "ROUND_TAPER",
    "SHOULDER_TAPER",
    "CrownSpec",
    "crown_parts",
    "cut_tooth",
    "envelope_of",
    "ideal_plan",
    "kept_sites",
    "reduced_sites",
    "site_points",
]

GINGIVA_MM = 0.4
DEEPEST_MM = 3.2
SERVED = 0.99
BESIDE_MM, AS_DEEP_MM = 0.1, 0.15
"""What reduction is read over: rays this far beside one count where they go as deep as it does."""

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


def ideal_plan(spec: CrownSpec, made: Tooth, sites: Mapping[str, FloatArray]) -> CrownPlan:
    """The plan in the middle of the limits, for the sites that are read."""
    functional, nonfunctional = reduced_sites(made, front=spec.front)
    depths = {**dict.fromkeys(functional, spec.functional_mm), **dict.fromkeys(nonfunctional, spec.nonfunctional_mm)}
    plan = replace(_plain_plan(spec), reduction_mm={name: depths[name] for name in sites})
    if not spec.front:
        return plan
    behind = {name: depth for name, depth in plan.reduction_mm.items() if name not in functional}
    return replace(plan, reduction_mm=behind, flat_reduction_mm=spec.functional_mm)


def _plain_plan(spec: CrownSpec) -> CrownPlan:
    """Walls and finish line only; the margin lies 0.5 mm above the gingiva, which lies `GINGIVA_MM` above the cervical line."""
    plan = CrownPlan(
        taper_deg=_all(7.0),
        width_mm=dict(spec.width_mm),
        internal_radius_mm=spec.internal_radius_mm,
        margin_mm=_all(GINGIVA_MM + 0.5),
    )
    if not spec.front:
        return plan
    margins = {"buccal": 0.5, "mesial": 0.1, "lingual": 0.5, "distal": 0.1}
    return replace(plan, second_plane_deg=9.0, edge_radius_mm=0.15, scallop=0.5, margin_mm=margins)


def crown_parts(spec: CrownSpec, *, cache_dir: Path | None) -> tuple[dict[str, object], dict[str, Surface]]:
    """The exercise's keys and surfaces, as `exercise.builtin` writes them.

    Parameters
    ----------
    spec : CrownSpec
    cache_dir : path or None
        Where teeth are kept once made.
    """
    from kerfmark.anatomy.arch import neighbours
    from kerfmark.anatomy.gingiva import local_gingiva

    made = tooth(spec.fdi, cache_dir=cache_dir)
    sites, ideal = _ideal(spec, made)
    surfaces: dict[str, Surface] = {
        "subject": made.outer,
        "target": ideal.surface,
        "envelope": envelope_of(made, ideal),
    }
    surfaces |= {f"layer-{name}": surface for name, surface in made.layers.items()}
    surfaces |= {f"neighbour-{side}": surface for side, surface in neighbours(spec.fdi).items()}
    surfaces["gingiva"] = local_gingiva(spec.fdi, margin_mm=GINGIVA_MM)
    return _keys(spec, made, ideal, sites, surfaces), surfaces


def site_points(spec: CrownSpec, made: Tooth) -> dict[str, FloatArray]:
    """Where each site's reduction is read: at its own point, or as little nearer the tooth's middle as is needed.

    From round a tip that stands over the edge of the stump, inward normals pass beside it. The point is moved in along the
    surface until, for a plain preparation, nearly all its rays meet the top. A site for which no such point is near is left out.
    """
    plain = cut_crown(
        made.outer, sites={}, cervical_line_mm=made.cervical_line_mm, mesial_sign=made.mesial_sign,
        plan=replace(_plain_plan(spec), flat_reduction_mm=spec.functional_mm if spec.front else None),
    )  # fmt: skip
    search = _SiteSearch(made.outer, plain.surface)
    functional, nonfunctional = reduced_sites(made, front=spec.front)
    points = {name: search.nearest_served(made.sites[name]) for name in (*functional, *nonfunctional)}
    return {name: point for name, point in points.items() if point is not None}


class _SiteSearch:
    """Tries points of the subject against a plain preparation."""

    def __init__(self, subject: Surface, cut: Surface) -> None:
        self._subject = subject
        self._onto, self._cut = RayCaster(subject), RayCaster(cut)
        self._top = float(bounds_mm(subject)[1, 2]) + 1.0

    def nearest_served(self, site: NamedSite) -> FloatArray | None:
        """The first of the points on the way to the middle (along an incisal edge, if it is one) whose rays meet the top."""
        point = np.asarray(site.point_mm, dtype=float)
        ways = self._along_edge(point) if site.role == "incisal_edge" else self._inwards(point)
        return next((moved for moved in ways if self.serves(moved, site.role)), None)

    def _inwards(self, point: FloatArray) -> Iterator[FloatArray]:
        yield point
        for inwards in (0.3, 0.6, 0.9, 1.2, 1.5):
            level = point[:2] * max(0.0, 1.0 - inwards / float(np.linalg.norm(point[:2])))
            yield self._dropped(level[None])[0]

    def _along_edge(self, point: FloatArray) -> Iterator[FloatArray]:
        """From the edge's highest point to its middle, each the highest across the edge."""
        for share in (0.0, 0.25, 0.5, 0.75, 1.0):
            across = point[1] + np.linspace(-0.6, 0.6, 25)
            row = self._dropped(np.column_stack([np.full(25, point[0] * (1.0 - share)), across]))
            yield row[np.nanargmax(row[:, 2])]

    def _dropped(self, level: FloatArray) -> FloatArray:
        """Points of the plane (n, 2) let down onto the subject."""
        origins = np.column_stack([level, np.full(len(level), self._top)])
        down = np.tile([0.0, 0.0, -1.0], (len(level), 1))
        distance, _face = self._onto.first_hit(origins, down, max_mm=50.0)
        return np.column_stack([level, self._top - distance])

    def serves(self, point: FloatArray, role: str) -> bool:
        patch = site_patch(self._subject, point, role=role)
        if patch is None:
            return False
        return bool(self._settled(*patch).mean() > SERVED)

    def _settled(self, points: FloatArray, inward: FloatArray) -> NDArray[np.bool_]:
        """Which rays meet the cut where at least two of six beside them meet it as deep: not on its edge."""
        first = np.cross(inward, [1.0, 0.0, 0.0])
        first /= np.linalg.norm(first, axis=1, keepdims=True)
        second, depth = np.cross(inward, first), self._depth(points, inward)
        like = np.zeros(len(points), dtype=int)
        for turn in np.arange(6) * np.pi / 3.0:
            beside = points + BESIDE_MM * (np.cos(turn) * first + np.sin(turn) * second)
            like += np.abs(self._depth(beside, inward) - depth) < AS_DEEP_MM
        return np.asarray(like >= 2)

    def _depth(self, points: FloatArray, inward: FloatArray) -> FloatArray:
        return self._cut.first_hit(points, inward, max_mm=DEEPEST_MM)[0]


def cut_tooth(made: Tooth, plan: CrownPlan, sites: Mapping[str, FloatArray]) -> CutCrown:
    """A plan cut into a virtual tooth, its reductions at these sites."""
    return cut_crown(
        made.outer, sites=sites, cervical_line_mm=made.cervical_line_mm, mesial_sign=made.mesial_sign, plan=plan
    )  # fmt: skip


def _ideal(spec: CrownSpec, made: Tooth) -> tuple[dict[str, FloatArray], CutCrown]:
    """The ideal preparation, and of the sites those that can still be read on it.

    Its top follows the reductions, and rays that met a plain preparation's may pass beside it: such a site is moved in once
    more, by what the ideal itself shows, before it is given up.
    """
    sites = site_points(spec, made)
    ideal = cut_tooth(made, ideal_plan(spec, made, sites), sites)
    kept = _served(made, ideal, sites)
    lost = {
        name: _SiteSearch(made.outer, ideal.surface).nearest_served(made.sites[name]) for name in sites.keys() - kept
    }
    moved = {name: lost.get(name, point) for name, point in sites.items()}
    tried = {name: point for name, point in moved.items() if point is not None}
    if len(tried) > len(kept):
        again = cut_tooth(made, ideal_plan(spec, made, tried), tried)
        if len(found := _served(made, again, tried)) > len(kept):
            sites, ideal, kept = tried, again, found
    return kept, ideal if len(kept) == len(sites) else cut_tooth(made, ideal_plan(spec, made, kept), kept)


def _served(made: Tooth, cut: CutCrown, sites: Mapping[str, FloatArray]) -> dict[str, FloatArray]:
    """Of some sites those that can be read on a preparation."""
    search = _SiteSearch(made.outer, cut.surface)
    return {name: point for name, point in sites.items() if search.serves(point, made.sites[name].role)}


def kept_sites(spec: CrownSpec, made: Tooth, lean: Mapping[str, float]) -> dict[str, FloatArray]:
    """The sites that can be read on the ideal preparation when it leans as a plan's `tilt_deg` and `tilt_azimuth_deg` say."""
    sites = site_points(spec, made)
    ideal = cut_tooth(made, replace(ideal_plan(spec, made, sites), **lean), sites)  # type: ignore[arg-type]
    search = _SiteSearch(made.outer, ideal.surface)
    return {name: point for name, point in sites.items() if search.serves(point, made.sites[name].role)}


def _keys(
    spec: CrownSpec, made: Tooth, ideal: CutCrown, sites: Mapping[str, FloatArray], surfaces: Mapping[str, Surface]
) -> dict[str, object]:
    functional, nonfunctional = (
        [name for name in names if name in sites] for names in reduced_sites(made, front=spec.front)
    )
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
        "target": {"surface": "target.ply", "outline": ideal.margin_mm[::2].round(4).tolist()},
        "permitted": {
            "instruments": [ROUND_TAPER["name"], SHOULDER_TAPER["name"], "round 2.3"],
            "envelope": "envelope.ply",
            "time_limit_s": 3600.0,
        },
        "instruments": [ROUND_TAPER, SHOULDER_TAPER],
        "sites": [
            {
                "name": name,
                "role": made.sites[name].role,
                "point": sites[name].round(4).tolist(),
            }
            for name in (*functional, *nonfunctional)
        ],
        "source": {"kind": "scan", "noise_um": 10.0, "trueness_um": 15.0},
        "criteria": [rule.as_toml() for rule in rules],
        "pass": {"minimum_percent": 60.0, "met_at": 0.95, "too_close": "refer"},
    }


def envelope_of(made: Tooth, ideal: CutCrown) -> Surface:
    """Where cutting is allowed: the crown and 0.3 mm round it, down to 0.4 mm below the planned margin."""
    grid = distance_grid(made.outer, spacing_mm=0.2, band_mm=0.8)
    round_it = Solid.from_surface(surface_of(grid, level_mm=0.3))
    outwards = azimuth_direction(np.arange(0.0, 360.0, 4.0), mesial_sign=made.mesial_sign)
    low = 12.0 * outwards + (ideal.margin_mm[::2, 2:] - 0.4) * np.array([0.0, 0.0, 1.0])
    high = 12.0 * outwards + np.array([0.0, 0.0, float(bounds_mm(made.outer)[1, 2]) + 1.0])
    return intersection(round_it, loft(np.stack([low, high]))).surface()
