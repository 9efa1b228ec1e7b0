"""The bed that was drilled: its axis from entry to apex, its radius, and the uncertainty of each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from kerfmark.geometry.cylinders import Cylinder
from kerfmark.geometry.rays import RayCaster
from kerfmark.measurement.budget import alignment_u_mm
from kerfmark.measurement.implant.fit import Floor, Wall, fit_floor, fit_wall
from kerfmark.records import Component, FloatArray

if TYPE_CHECKING:
    from kerfmark.measurement.surface.bench import Bench

__all__ = ["Bed", "find_bed", "on_surface"]

FROM_OUTSIDE_MM = 30.0
SHALLOWEST = 0.35
"""Cosine between an axis and the bone's normal below which the axis does not enter the bone there but grazes it."""


@dataclass(frozen=True, slots=True, eq=False)
class Bed:
    """A drilled bed.

    Attributes
    ----------
    wall : Wall
    floor : Floor or str
        Or why there is none to be seen.
    entry_mm : (3,) float array
        Where its axis enters the bone as it was, moved on by as much as the plan's entry lies below the bone.
    normal : (3,) float array
        Outward normal of the bone there, for the uncertainty of the entry; along the axis where it was not found.
    """

    bench: Bench
    wall: Wall
    floor: Floor | str
    entry_mm: FloatArray
    normal: FloatArray

    @property
    def apex_mm(self) -> FloatArray | None:
        """End of its full diameter; None where the floor is not to be seen."""
        if isinstance(self.floor, str):
            return None
        return np.asarray(self.wall.middle_mm + self.floor.apex_mm * self.wall.way)

    @property
    def point_mm(self) -> FloatArray | None:
        """Where the drill's point came to."""
        if isinstance(self.floor, str):
            return None
        return np.asarray(self.wall.middle_mm + self.floor.point_mm * self.wall.way)

    @property
    def cylinder(self) -> Cylinder:
        """The bed as a cylinder; where the floor is not to be seen, as deep as its wall."""
        apex = self.apex_mm
        if apex is None:
            apex = self.wall.middle_mm + self.wall.reach_mm[1] * self.wall.way
        return Cylinder(self.entry_mm, np.asarray(apex), self.wall.radius_mm)

    def offset_budget(self, direction: FloatArray, at_mm: FloatArray) -> tuple[Component, ...]:
        """What a point of the axis is uncertain by along a direction square to it."""
        along = float((at_mm - self.wall.middle_mm) @ self.wall.way)
        return self._of_wall(self.wall.offset(direction, along))

    def lean_budget(self, direction: FloatArray) -> tuple[Component, ...]:
        """What the lean of the axis towards a direction square to it is uncertain by, as tangent."""
        return self._of_wall(self.wall.lean(direction))

    def radius_budget(self) -> tuple[Component, ...]:
        """What the radius is uncertain by."""
        return self._of_wall(np.array([0.0, 0.0, 0.0, 0.0, 1.0]))

    def floor_budget(self, *, of_point: bool = False) -> tuple[Component, ...]:
        """What the height of the apex along the axis, or of the drill's point, is uncertain by."""
        assert isinstance(self.floor, Floor)
        piece = self.bench.piece
        return self.floor.budget(
            noise_mm=1e-3 * piece.noise_um,
            trueness_mm=1e-3 * piece.trueness_um,
            edge_mm=self.bench.edge_mm,
            of_point=of_point,
        )

    def alignment(self, at_mm: FloatArray, direction: FloatArray) -> Component:
        """What the alignment adds at a point along a direction."""
        return Component("alignment", alignment_u_mm(self.bench.piece.alignment, at_mm, direction))

    def _of_wall(self, weights: FloatArray) -> tuple[Component, ...]:
        piece = self.bench.piece
        return self.wall.budget(
            weights,
            noise_mm=1e-3 * piece.noise_um,
            trueness_mm=1e-3 * piece.trueness_um,
            edge_mm=self.bench.edge_mm,
        )


def find_bed(bench: Bench, plan: Cylinder, *, bone: RayCaster) -> Bed | str:
    """The bed near a plan; or why there is none.

    Parameters
    ----------
    bench : Bench
    plan : Cylinder
    bone : RayCaster
        The subject's surface.
    """
    if not bench.has_cut:
        return "nothing is cut"
    wall = fit_wall(bench.cut, plan)
    if isinstance(wall, str):
        return wall
    planned = on_surface(plan.entry_mm, plan.way, bench, bone)
    below = 0.0 if planned is None else float((plan.entry_mm - planned[0]) @ plan.way)
    level = wall.middle_mm + float((plan.entry_mm - wall.middle_mm) @ plan.way) / float(wall.way @ plan.way) * wall.way
    found = on_surface(level, wall.way, bench, bone)
    if found is None or planned is None:
        entry, normal = level, plan.way
    else:
        entry, normal = found[0] + below * wall.way, found[1]
    return Bed(bench, wall, fit_floor(bench.cut, wall), np.asarray(entry), normal)


def on_surface(
    at_mm: FloatArray, way: FloatArray, bench: Bench, bone: RayCaster
) -> tuple[FloatArray, FloatArray] | None:
    """Where a line into the bone enters it nearest to a point, and the outward normal there; None where it grazes or misses."""
    start = at_mm - FROM_OUTSIDE_MM * way
    distance, face = bone.crossings(start, way)
    surface = bench.subject
    corners = surface.vertices_mm[surface.faces[face]]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    entering = np.flatnonzero(normals @ way < -SHALLOWEST)
    if not len(entering):
        return None
    nearest = entering[np.argmin(np.abs(distance[entering] - FROM_OUTSIDE_MM))]
    return np.asarray(start + distance[nearest] * way), np.asarray(normals[nearest])
