"""Caries let into a tooth: in a fissure, between teeth, at the neck; through enamel, then spreading along the junction.

In a fissure the enamel lesion widens inwards, on smooth surfaces it narrows; in dentine both start wider than they came
through enamel and narrow towards the pulp (the classical picture of operative textbooks; common practice).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal, TypeVar

import numpy as np

from kerfmark.anatomy.enamel import smooth_max
from kerfmark.anatomy.layered import Layered
from kerfmark.errors import InputError, printable
from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.grids import distance_grid, surface_of
from kerfmark.geometry.mesh import components, face_areas_mm2, face_normals
from kerfmark.geometry.solids import Solid, difference, intersection
from kerfmark.records import FloatArray, Grid, Surface

__all__ = ["Lesion", "with_lesion"]

T = TypeVar("T", bound=Layered)

LEAST_OVER_PULP_MM = 0.3
SPACING_MM = 0.1
LEAST_FIELD_MM = 1e-4
UNDER_CONTACT_MM, OVER_NECK_MM = 1.0, 0.7
"""A proximal lesion starts under its contact, a cervical one over the cervical line (common practice)."""


@dataclass(frozen=True, slots=True)
class Lesion:
    """A carious lesion.

    Attributes
    ----------
    kind : {'fissure', 'proximal', 'cervical'}
    at : str
        fissure: the name of a site, such as `central fossa`; proximal: `mesial` or `distal`; cervical: `facial` or `lingual`.
    width_mm : float, mm
        Across, at the outer surface (fissure: at the junction), 0.3 to 6.
    depth_mm : float, mm
        Beyond the enamel–dentine junction, 0 to 4; cervical lesions reach as far from the surface.
    spread_mm : float, mm
        How much farther to each side it reaches along the junction, 0 to 2.
    """

    kind: Literal["fissure", "proximal", "cervical"]
    at: str
    width_mm: float = 1.5
    depth_mm: float = 1.0
    spread_mm: float = 0.5


def with_lesion(made: T, lesion: Lesion) -> T:
    """The tooth with a layer `caries`, taken out of its enamel and dentine.

    The layers still tile the tooth: enamel, dentine, caries, pulp.

    Raises
    ------
    InputError
        If the lesion's place is not on this tooth, a size cannot be, or less than 0.3 mm would be left over the pulp.
    """
    _check(lesion)
    start, inward = _start(made, lesion)
    body = Solid.from_surface(_body(made, lesion, start, inward), name="lesion")
    _check_pulp(made, body, lesion)
    whole = Solid.from_surface(made.outer, name="tooth")
    layers: dict[str, Surface] = {}
    for name, layer in made.layers.items():
        if name == "pulp":
            layers["caries"] = intersection(whole, body).surface()
        layers[name] = layer if name == "pulp" else difference(Solid.from_surface(layer, name=name), body).surface()
    return replace(made, layers=layers)


def _check(lesion: Lesion) -> None:
    limits = {"width_mm": (0.3, 6.0), "depth_mm": (0.0, 4.0), "spread_mm": (0.0, 2.0)}
    if lesion.kind not in ("fissure", "proximal", "cervical"):
        raise InputError(
            f"lesion kind is '{printable(lesion.kind)}', expected fissure, proximal or cervical. Choose one."
        )
    for name, (low, high) in limits.items():
        value = getattr(lesion, name)
        if not low <= value <= high:
            raise InputError(f"lesion {name} is {value:g}, expected {low:g} to {high:g} mm. Choose a value in between.")


def _start(made: Layered, lesion: Lesion) -> tuple[FloatArray, FloatArray]:
    """Where the lesion starts on the surface, and the direction into the tooth there."""
    places = _places(made, lesion)
    if lesion.at not in places:
        raise InputError(
            f"a {lesion.kind} lesion at '{printable(lesion.at, limit=40)}' is not possible on tooth {made.fdi}, expected one of "
            f"{', '.join(sorted(places))}. Choose one of them."
        )
    closest = ClosestPoint(made.outer).query(places[lesion.at][None], max_distance_mm=3.0)[0]
    if lesion.kind == "fissure":
        return closest[0], np.array([0.0, 0.0, -1.0])
    inward = -_normal_about(made.outer, closest[0], within_mm=0.5 * lesion.width_mm)
    if lesion.kind == "proximal":
        # Level: under a contact the wall overhangs, and its normal would lead up under the ridge.
        inward = inward * [1.0, 1.0, 0.0]
    return closest[0], inward / np.linalg.norm(inward)


def _normal_about(surface: Surface, at: FloatArray, *, within_mm: float) -> FloatArray:
    """The mean outward normal of the wall about a point, weighted by area: one face of a segmented tooth says little."""
    away = surface.vertices_mm[surface.faces].mean(axis=1) - at
    normals, face = face_normals(surface), int(np.argmin((away**2).sum(axis=1)))
    near = ((away**2).sum(axis=1) <= within_mm**2) & (normals @ normals[face] > 0.0)
    near[face] = True
    mean: FloatArray = face_areas_mm2(surface)[near] @ normals[near]
    return mean


def _places(made: Layered, lesion: Lesion) -> Mapping[str, FloatArray]:
    if lesion.kind == "fissure":
        hollow = ("fossa", "pit", "groove")
        return {
            n: s.point_mm for n, s in made.sites.items() if any(word in n for word in hollow) and s.point_mm[2] > 2.0
        }
    if lesion.kind == "proximal":
        sides = {side: made.sites.get(f"{side} contact") for side in ("mesial", "distal")}
        down = np.array([0.0, 0.0, UNDER_CONTACT_MM])
        return {side: site.point_mm - down for side, site in sides.items() if site is not None}
    line = made.cervical_line_mm
    up = np.array([0.0, 0.0, OVER_NECK_MM])
    return {"facial": line[np.argmax(line[:, 1])] + up, "lingual": line[np.argmin(line[:, 1])] + up}


def _body(made: Layered, lesion: Lesion, start: FloatArray, inward: FloatArray) -> Surface:
    """The closed surface of the lesion, standing a little proud of the tooth so that no two faces coincide."""
    reach = 0.5 * lesion.width_mm + lesion.spread_mm + 1.0
    deep = 4.0 + lesion.depth_mm
    corners = np.vstack([start - reach, start + reach, start + deep * inward - reach, start + deep * inward + reach])
    box = np.stack([corners.min(axis=0), corners.max(axis=0)])
    outer, enamel, dentine = (
        distance_grid(s, spacing_mm=SPACING_MM, band_mm=4.0, bounds_mm=box)
        for s in (made.outer, made.layers["enamel"], made.layers["dentine"])
    )
    points = np.moveaxis(np.indices(outer.values.shape), 0, -1) * SPACING_MM + outer.origin_mm - start
    along = points @ inward
    across = np.sqrt(np.maximum((points**2).sum(axis=-1) - along**2, 0.0))
    depth, beyond, before = (g.values.astype(float) for g in (outer, enamel, dentine))
    depth = -depth
    if lesion.kind == "cervical":
        field = _cervical(lesion, across, depth, along)
    else:
        # Under the start the junction lies this deep: what is farther along the way in than the lesion reaches is sound.
        onto = float(along[(across < 2 * SPACING_MM) & (beyond > 0) & (depth > 0) & (along > 0)].min())
        field = _through(lesion, across, depth, before, np.maximum(beyond, along - onto))
    field = np.maximum(field, -0.3 - depth)
    walled = np.pad(_held_to(field, (points**2).sum(axis=-1)), 1, constant_values=1.0).astype(np.float32)
    return components(surface_of(Grid(outer.origin_mm - SPACING_MM, SPACING_MM, walled)))[0]


def _held_to(field: FloatArray, squared: FloatArray) -> FloatArray:
    """Only the part that holds the start, and no value at the level itself, where marching cubes would tie knots."""
    from scipy.ndimage import label

    marked, _ = label(field < 0.0)
    own = marked[np.unravel_index(np.argmin(np.where(field < 0.0, squared, np.inf)), field.shape)]
    off = np.where(np.abs(field) < LEAST_FIELD_MM, LEAST_FIELD_MM, field)
    return np.where((marked != own) & (marked > 0), LEAST_FIELD_MM, off)


def _through(
    lesion: Lesion, across: FloatArray, depth: FloatArray, before: FloatArray, beyond: FloatArray
) -> FloatArray:
    """Through enamel as a cone, into dentine as a cap that starts wider at the junction.

    `before` is the signed distance of dentine, `beyond` the distance past the junction: in enamel, depth and `before` add
    up to about its thickness.
    """
    half = 0.5 * lesion.width_mm
    to_junction = np.maximum(before, 0.0)
    share = np.clip(depth / np.maximum(depth + to_junction, 0.05), 0.0, 1.0)
    narrow = 0.3 if lesion.kind == "fissure" else 0.7
    radius = half * (narrow + (1.0 - narrow) * (share if lesion.kind == "fissure" else 1.0 - share))
    enamel = np.maximum(np.maximum(across - radius, -0.15 - before), beyond - 0.3)
    if lesion.depth_mm <= 0:
        return enamel
    wide, deep = half + lesion.spread_mm, lesion.depth_mm
    cap = (np.sqrt((across / wide) ** 2 + (np.maximum(beyond, 0.0) / deep) ** 2) - 1.0) * min(wide, deep)
    dentine = np.maximum(cap, before - 0.1)
    field: FloatArray = -smooth_max(-enamel, -dentine, 0.2)
    return field


def _cervical(lesion: Lesion, across: FloatArray, depth: FloatArray, along: FloatArray) -> FloatArray:
    """A dish let in from the surface, not from the one on the far side."""
    half, deep = 0.5 * lesion.width_mm, max(lesion.depth_mm, 0.3)
    dish: FloatArray = (np.sqrt((across / half) ** 2 + (np.maximum(depth, 0.0) / deep) ** 2) - 1.0) * min(half, deep)
    return np.maximum(dish, along - deep - half)


def _check_pulp(made: Layered, body: Solid, lesion: Lesion) -> None:
    distance = ClosestPoint(made.layers["pulp"]).query(body.surface().vertices_mm, max_distance_mm=10.0)[1]
    reaches = not intersection(body, Solid.from_surface(made.layers["pulp"], name="pulp")).is_empty
    left = 0.0 if reaches else float(distance.min())
    if left < LEAST_OVER_PULP_MM:
        raise InputError(
            f"lesion depth_mm = {lesion.depth_mm:g} leaves {left:.2f} mm over the pulp of tooth {made.fdi}, expected at least "
            f"{LEAST_OVER_PULP_MM} mm. Make it shallower."
        )
