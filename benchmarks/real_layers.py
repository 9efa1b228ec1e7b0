"""Lesions, orifices and accesses on the real layered teeth, measured with trimesh alone: what is asked beside what is found.

`python benchmarks/layers.py --real` writes the section of `docs/layers-truth.md`; the tests read the same functions.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
import trimesh
from real_teeth import WHOLE, real_layered

from kerfmark.anatomy.layered import Layered, LayeredTooth
from kerfmark.anatomy.lesions import Lesion, with_lesion
from kerfmark.anatomy.preparations.access import AccessPlan, AccessSite, access_site, cut_access
from kerfmark.records import FloatArray, Surface

ON_MM = 1e-6
SIZES = ((1.2, 0.5, 0.4), (2.0, 1.0, 0.6))
"""Width, depth, spread of the small and the large lesion; cervical ones 2.0 wide, 0.8 deep and 3.0 wide, 1.2 deep."""
DISHES = ((2.0, 0.8), (3.0, 1.2))


@dataclass(frozen=True)
class Found:
    """What a lesion came to, mm and mm³; `sides_mm` half its width beyond the junction, `over_mm` its mouth over the neck or under the contact."""

    closed: bool
    parts: int
    volume_mm3: float
    tiling: float
    outside_mm: float
    depth_mm: float
    mouth_mm: float
    sides_mm: float
    over_mm: float
    pulp_mm: float


@cache
def real(fdi: int) -> LayeredTooth:
    """A real tooth, built once."""
    return real_layered(fdi)


def mesh(surface: Surface) -> trimesh.Trimesh:
    """For the general library."""
    return trimesh.Trimesh(surface.vertices_mm, surface.faces, process=False)


def lesions_of(made: Layered) -> Iterator[Lesion]:
    """All three kinds at two sizes, in the places this tooth has."""
    hollow = next(name for name in sorted(made.sites) if name.endswith("fossa"))
    for width, depth, spread in SIZES:
        yield Lesion("fissure", hollow, width, depth, spread)
    for width, depth, spread in SIZES:
        yield Lesion("proximal", "mesial", width, depth, spread)
    for width, depth in DISHES:
        yield Lesion("cervical", "facial", width, depth)


def measured(made: Layered, lesion: Lesion, carious: Layered) -> Found:
    """A carious tooth read by trimesh: volumes, distances, what lies inside what."""
    layers = {name: mesh(layer) for name, layer in carious.layers.items()}
    caries, outer, enamel = layers["caries"], mesh(made.outer), mesh(made.layers["enamel"])
    points = np.asarray(caries.vertices)
    off = _distance(outer, points)
    free = points[off > ON_MM]
    out = np.flatnonzero(~outer.contains(free))
    outside = off[off > ON_MM][out[winding(outer, free[out]) < 0.5]]
    mouth = (off <= ON_MM)[caries.faces].all(axis=1)
    middles, areas = np.asarray(caries.triangles_center)[mouth], caries.area_faces[mouth]
    centre = areas @ middles / areas.sum()
    beyond = free[~enamel.contains(free)]
    deep = _distance(outer if lesion.kind == "cervical" else enamel, beyond)
    extent = np.ptp(beyond, axis=0)
    return Found(
        closed=all(layer.is_watertight for layer in layers.values()),
        parts=len(caries.split(only_watertight=False)),
        volume_mm3=float(caries.volume),
        tiling=float(sum(layer.volume for layer in layers.values()) / outer.volume - 1.0),
        outside_mm=float(outside.max(initial=0.0)),
        depth_mm=float(deep.max()),
        mouth_mm=float(2.0 * np.linalg.norm(middles - centre, axis=1).max()),
        sides_mm=0.5 * float((extent[1:] if lesion.kind == "proximal" else extent[:2]).max()),
        over_mm=float(centre[2]) - _from_height(made, lesion),
        pulp_mm=float(_distance(caries, np.asarray(layers["pulp"].vertices)).min()),
    )


def _from_height(made: Layered, lesion: Lesion) -> float:
    if lesion.kind == "proximal":
        return float(made.sites[f"{lesion.at} contact"].point_mm[2])
    if lesion.kind == "fissure":
        return float(made.sites[lesion.at].point_mm[2])
    line = made.cervical_line_mm
    return float(line[np.argmax(line[:, 1]), 2])


def winding(body: trimesh.Trimesh, points: FloatArray) -> FloatArray:
    """How often a surface winds round points: 1 inside, 0 outside. Rays may slip through slivers, solid angles do not.

    Source: Van Oosterom & Strackee (1983).
    """
    a, b, c = np.moveaxis(np.asarray(body.triangles)[None] - points[:, None, None], 2, 0)
    la, lb, lc = (np.linalg.norm(v, axis=-1) for v in (a, b, c))
    above = np.einsum("...i,...i", a, np.cross(b, c))
    dots = [np.einsum("...i,...i", u, v) for u, v in ((a, b), (b, c), (c, a))]
    under = la * lb * lc + dots[0] * lc + dots[1] * la + dots[2] * lb
    return np.asarray(2.0 * np.arctan2(above, under).sum(axis=1) / (4.0 * np.pi))


def _distance(body: trimesh.Trimesh, points: FloatArray) -> FloatArray:
    return np.asarray(trimesh.proximity.closest_point(body, points)[1])


def lesion_rows() -> Iterator[str]:
    """A line for each lesion on each real tooth."""
    for fdi in WHOLE:
        for lesion in lesions_of(real(fdi)):
            f = measured(real(fdi), lesion, with_lesion(real(fdi), lesion))
            spread = "–" if lesion.kind == "cervical" else f"{0.5 * lesion.width_mm + lesion.spread_mm:.2f}"
            sides = "–" if lesion.kind == "cervical" else f"{f.sides_mm:.2f}"
            yield (
                f"| {fdi} | {lesion.kind}, {lesion.at} | {lesion.depth_mm:.2f} | {f.depth_mm:.2f} | {spread} | {sides} | {lesion.width_mm:.2f} | "
                f"{f.mouth_mm:.2f} | {f.over_mm:+.2f} | {f.pulp_mm:.2f} | {f.volume_mm3:.2f} | {abs(f.tiling):.0e} | {f.outside_mm:.0e} |"
            )


def orifice_row(name: str, made: Layered, found: dict[str, FloatArray]) -> str:
    """Orifices found on a pulp beside those it was made with."""
    known, at = np.array(list(made.orifices.values())), np.array(list(found.values()))
    apart = np.linalg.norm(known[:, None] - at, axis=2).min(axis=1)
    level = np.linalg.norm((known[:, None] - at)[..., :2], axis=2).min(axis=1)
    return f"| {name} | {len(known)} | {len(at)} | {level.max():.2f} | {apart.max():.2f} |"


def access_row(name: str, made: Layered, axis: tuple[float, float, float] = (0.0, 0.0, 1.0)) -> str:
    """The cervical section, the outline in it, and the tooth opened by it."""
    site: AccessSite = access_site(made, axis=np.array(axis))
    wall, ring = site.neck.inside_mm(site.neck.chamber_mm), site.neck.inside_mm(site.ring_mm)
    off = np.linalg.norm(site.neck.chamber_mm.mean(axis=0) - site.neck.outer_mm.mean(axis=0))
    opened = mesh(cut_access(made, site, AccessPlan()).surface)
    low, high = np.percentile(wall, [5.0, 95.0])
    whole = "closed, one part" if opened.is_watertight and opened.body_count == 1 else "broken"
    return (
        f"| {name} | {site.neck.wall_mm:.2f} | {low:.2f}–{high:.2f} | {off:.2f} | {ring.min():.2f} | {ring.max():.2f} | "
        f"{mesh(made.outer).volume - opened.volume:.1f} | {whole} |"
    )
