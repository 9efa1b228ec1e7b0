"""Structures to be kept clear of, and how far a cylinder keeps from each."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from kerfmark.exercise.preparing.sampling import sampled
from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.cylinders import Cylinder
from kerfmark.geometry.mesh import bounds_mm
from kerfmark.geometry.rays import RayCaster
from kerfmark.records import FloatArray, Surface

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = ["Clearance", "Structure", "structures_of"]

STEP_MM = 0.05
SPACING_MM, FINE_MM = 0.4, 0.08
FAR_MM = 60.0
ASKEW = (0.5377, 0.3419, 0.7707)
"""A direction along no likely edge."""


@dataclass(frozen=True, slots=True, eq=False)
class Clearance:
    """How far one thing keeps from another, mm, negative where it cuts in, and the two points between which that is."""

    value_mm: float
    from_mm: FloatArray
    to_mm: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Structure:
    """One structure: a tube about a line (`radius_mm`), a closed surface, or an implant (`rod`); `side` where it has one."""

    kind: Literal["canal", "root", "sinus", "implant"]
    side: str | None = None
    line_mm: FloatArray = field(default_factory=lambda: np.empty((0, 3)))
    radius_mm: float = 0.0
    surface: Surface | None = None
    rod: Cylinder | None = None
    closest: ClosestPoint | None = None
    """Finds the surface's closest points; made once, for all that is tried beside it."""
    longest_mm: float | None = None
    """The longest side of the surface's triangles, likewise."""

    def clearance(self, of: Cylinder, *, more_mm: FloatArray | None = None) -> Clearance:
        """How far a cylinder, and further points (n, 3) of the same body, keep from the structure's surface."""
        if self.rod is not None:
            return _between(of, self.rod)
        found = [
            _from_line(of, self.line_mm, self.radius_mm)
            if self.surface is None
            else _from_surface(of, self.surface, self._finder(self.surface), longest_mm=self.longest_mm)
        ]
        if more_mm is not None and len(more_mm):
            found.append(self._of_points(more_mm))
        return min(found, key=lambda c: c.value_mm)

    def _of_points(self, points: FloatArray) -> Clearance:
        if self.surface is None:
            distance = np.linalg.norm(points[:, None] - self.line_mm[None], axis=2)
            i, j = divmod(int(np.argmin(distance)), distance.shape[1])
            return _towards(points[i], self.line_mm[j], float(distance[i, j]) - self.radius_mm)
        signed, closest = _signed(self.surface, self._finder(self.surface), points)
        k = int(np.argmin(signed))
        return Clearance(float(signed[k]), points[k], closest[k])

    def _finder(self, surface: Surface) -> ClosestPoint:
        return self.closest if self.closest is not None else ClosestPoint(surface)


def structures_of(prepared: Prepared, plan: Cylinder) -> tuple[Structure, ...]:
    """Every structure of an exercise, in the tooth frame."""
    found: list[Structure] = []
    canal = prepared.exercise.structures.canal
    if canal is not None and prepared.canal is not None:
        found.append(Structure("canal", line_mm=_dense(prepared.canal), radius_mm=0.5 * canal.diameter_mm))
    for root in prepared.roots:
        side = _side(bounds_mm(root).mean(axis=0), plan, prepared.mesial_sign)
        found.append(_of_surface("root", root, side))
    if prepared.sinus is not None:
        found.append(_of_surface("sinus", prepared.sinus))
    for other in prepared.implants:
        rod = Cylinder(other.entry_mm, other.apex_mm, 0.5 * other.diameter_mm)
        found.append(Structure("implant", _side(rod.at(0.5 * rod.length_mm), plan, prepared.mesial_sign), rod=rod))
    return tuple(found)


def _of_surface(kind: Literal["root", "sinus"], surface: Surface, side: str | None = None) -> Structure:
    return Structure(kind, side, surface=surface, closest=ClosestPoint(surface), longest_mm=_longest_mm(surface))


def _longest_mm(surface: Surface) -> float:
    corners = surface.vertices_mm[surface.faces]
    return float(np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max())


def _side(point: FloatArray, plan: Cylinder, mesial_sign: int) -> str:
    return "mesial" if (point - plan.at(0.5 * plan.length_mm))[0] * mesial_sign > 0.0 else "distal"


def _dense(line: FloatArray) -> FloatArray:
    """The same line with points `STEP_MM` apart."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    at = np.linspace(0.0, along[-1], max(2, int(np.ceil(along[-1] / STEP_MM)) + 1))
    return np.column_stack([np.interp(at, along, line[:, k]) for k in range(3)])


def _towards(at: FloatArray, middle: FloatArray, value: float) -> Clearance:
    """Between a point and a tube's wall on the way to its middle line."""
    way = middle - at
    length = float(np.linalg.norm(way))
    return Clearance(value, at, at + way * (value / length) if length > 1e-9 else middle)


def _from_line(of: Cylinder, line: FloatArray, radius: float) -> Clearance:
    """Exact up to the line's steps: the least signed distance of its points from the cylinder, less the tube's radius."""
    signed = of.distance_mm(line)
    i = int(np.argmin(signed))
    at = of.nearest_mm(line[i : i + 1])[0]
    return _towards(at, line[i], float(signed[i]) - radius)


def _from_surface(of: Cylinder, surface: Surface, finder: ClosestPoint, *, longest_mm: float | None) -> Clearance:
    """The least of both ways: the surface's points from the cylinder, and the cylinder's points from the surface."""
    points = _near_points(of, surface, longest_mm=_longest_mm(surface) if longest_mm is None else longest_mm)
    signed = of.distance_mm(points)
    i = int(np.argmin(signed))
    there = Clearance(float(signed[i]), of.nearest_mm(points[i : i + 1])[0], points[i])
    own = of.surface_points(spacing_mm=0.3)
    inside, closest = _signed(surface, finder, own)
    j = int(np.argmin(inside))
    here = Clearance(float(inside[j]), own[j], closest[j])
    return min(there, here, key=lambda c: c.value_mm)


def _near_points(of: Cylinder, surface: Surface, *, longest_mm: float) -> FloatArray:
    """Points of a surface where it comes near the cylinder: its corners there, and points `FINE_MM` apart."""
    corners = surface.vertices_mm
    distance = of.distance_mm(corners)
    reach = float(distance.min()) + 2.0 * longest_mm
    close = distance < reach
    near = close[surface.faces].any(axis=1)
    part = Surface(corners, np.ascontiguousarray(surface.faces[near]))
    fine, _normals = sampled(part, spacing_mm=FINE_MM, most=200_000)
    return np.vstack([corners[close], fine])


def _signed(surface: Surface, finder: ClosestPoint, points: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Signed distance of points from a closed surface, negative inside, and the closest points."""
    closest, distance, face = finder.query(points, max_distance_mm=FAR_MM)
    inside = _is_inside(surface, finder, points)
    distance = np.where(face < 0, FAR_MM, distance)
    return np.where(inside, -distance, distance), closest


def _is_inside(surface: Surface, finder: ClosestPoint, points: FloatArray) -> NDArray[np.bool_]:
    """Whether each point lies in a closed surface: a ray from it leaves through an odd number of faces."""
    found = np.zeros(len(points), dtype=bool)
    low, high = bounds_mm(surface)
    boxed = np.flatnonzero(((points >= low) & (points <= high)).all(axis=1))
    if len(boxed):
        caster = RayCaster(surface, tree=finder.tree)
        found[boxed] = [len(caster.crossings(points[i], ASKEW)[0]) % 2 == 1 for i in boxed]
    return found


def _between(one: Cylinder, other: Cylinder) -> Clearance:
    """Least distance of two cylinders: of each one's points from the other."""
    points = other.surface_points(spacing_mm=0.1)
    signed = one.distance_mm(points)
    i = int(np.argmin(signed))
    there = Clearance(float(signed[i]), one.nearest_mm(points[i : i + 1])[0], points[i])
    own = one.surface_points(spacing_mm=0.1)
    back = other.distance_mm(own)
    j = int(np.argmin(back))
    here = Clearance(float(back[j]), own[j], other.nearest_mm(own[j : j + 1])[0])
    return min(there, here, key=lambda c: c.value_mm)
