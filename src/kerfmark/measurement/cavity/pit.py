"""What the readings of a cavity share: where it opens to, its margin, its floors, its box, the views they are read in."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.grids import sample_with_gradient
from kerfmark.geometry.mesh import face_normals, submesh
from kerfmark.geometry.rays import RayCaster
from kerfmark.measurement.cavity.view import View, towards
from kerfmark.measurement.surface.floors import Floor, floors_of
from kerfmark.measurement.surface.margin import Margin, margins_of
from kerfmark.records import FloatArray, Piece, Surface

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = ["SIDES", "WALLS", "Pit", "Plane", "faces_in"]

WALLS = ("buccal", "lingual", "mesial", "distal")
SIDES = ("mesial", "distal")
OPENING_COSINE = 0.5
"""The opening faces within 60° of the cavity's axis; what turns away further is the proximal face."""
OPEN_SIDE_COSINE, OPEN_SIDE_MM = 0.6, 1.0
A_SIDE = np.cos(np.radians(30.0))
LEAST_FLOOR_PART = 0.04
MAIN_PART = 0.3
LEAST_STEP_MM, NARROW_MM2, NARROW_EDGE_MM = 0.4, 0.12, 0.1
"""A box goes at least so much deeper than the floor beside it; one too narrow for the usual distance off its edges is read nearer them."""
NEAR_MM = 2.0
OFF_SURFACE_MM, FARTHEST_MM = 0.05, 20.0


@dataclass(frozen=True, slots=True, eq=False)
class Plane:
    """z = level + slope · (x, y) about `middle_mm`, in a view."""

    middle_mm: FloatArray
    slope: FloatArray

    @property
    def normal(self) -> FloatArray:
        """Unit normal, towards the viewer."""
        normal = np.append(-self.slope, 1.0)
        return np.asarray(normal / np.linalg.norm(normal))

    def above(self, points_mm: FloatArray) -> FloatArray:
        """(n,) signed heights of points above it, at right angles."""
        return np.asarray((points_mm - self.middle_mm) @ self.normal)

    def level_at(self, points_mm: FloatArray) -> FloatArray:
        """(n,) its z at the points' x and y."""
        return np.asarray(self.middle_mm[2] + (points_mm - self.middle_mm)[..., :2] @ self.slope)


def faces_in(surface: Surface, low_mm: FloatArray, high_mm: FloatArray) -> NDArray[np.bool_]:
    """(m,) which faces may reach into a box, by their own boxes."""
    below = np.packbits(surface.vertices_mm < high_mm, axis=1)[:, 0]  # a bit for each axis
    above = np.packbits(surface.vertices_mm > low_mm, axis=1)[:, 0]
    a, b, c = surface.faces.T
    return np.asarray((below[a] | below[b] | below[c]) & (above[a] | above[b] | above[c]) == 0b11100000)


class Pit:
    """One piece as the cavity readings see it. Everything is found on first asking and kept.

    Attributes
    ----------
    cavity_class : int
        1 to 5.
    noise_mm, shared_mm : float
        Standard uncertainty of one surface point, random and shared.
    kept : dict
        What one reading found and another needs again, by name.
    """

    def __init__(self, piece: Piece, prepared: Prepared) -> None:
        self.piece, self.prepared = piece, prepared
        self.cavity_class = int(prepared.exercise.cavity_class or 1)
        self.noise_mm, self.shared_mm = 1e-3 * piece.noise_um, 1e-3 * piece.trueness_um
        self._views: dict[str, View] = {}
        self.kept: dict[str, Any] = {}

    def seen_from(self, side: str) -> View:
        """The view from a side, made once."""
        if side not in self._views:
            self._views[side] = View(self.piece, self.prepared, side)
        return self._views[side]

    def towards(self, side: str) -> FloatArray:
        """The unit direction to a side, tooth frame."""
        return towards(side, self.prepared.mesial_sign)

    @property
    def trouble(self) -> str | None:
        """Why nothing can be measured; None where it can."""
        if not self.seen_from("occlusal").bench.has_cut:
            return "nothing is cut"
        return None if self.margins else "the cut has no margin on the old surface"

    @cached_property
    def margins(self) -> tuple[Margin, ...]:
        """The cavity's margins in the tooth frame, longest first; specks beside it are left out."""
        found = margins_of(self.seen_from("occlusal").bench)
        return tuple(m for m in found if m.length_mm > MAIN_PART * found[0].length_mm)

    @cached_property
    def margin(self) -> Margin:
        """All margins in one, point after point, tooth frame."""
        parts = self.margins
        return Margin(
            *(
                np.concatenate([getattr(m, name) for m in parts])
                for name in ("points_mm", "outward", "inward", "lean", "loose")
            )
        )

    @cached_property
    def axis_side(self) -> str:
        """The side the cavity opens to: occlusal, or of a cavity on the crown's wall buccal or lingual."""
        outward = self._planned_outward
        if outward is None:
            outward = self.margin.outward.mean(axis=0) if self.margins else np.array([0.0, 0.0, 1.0])
        sides = {1: ("occlusal", "buccal", "lingual"), 2: ("occlusal",)}.get(self.cavity_class, ("buccal", "lingual"))
        return max(sides, key=lambda side: float(outward @ self.towards(side)))

    @cached_property
    def _planned_outward(self) -> FloatArray | None:
        """Mean outward normal of the old surface along the planned outline."""
        outline = self.prepared.outline
        if outline is None:
            return None
        return np.asarray(sample_with_gradient(self.prepared.subject_grid, outline)[1].mean(axis=0))

    @cached_property
    def view(self) -> View:
        """The view along the cavity's axis."""
        return self.seen_from(self.axis_side)

    @property
    def axis(self) -> FloatArray:
        """The cavity's axis, out of the tooth, tooth frame."""
        return self.view.axis

    @cached_property
    def open_sides(self) -> tuple[str, ...]:
        """The proximal sides a class II, III or IV is open to."""
        if self.cavity_class not in (2, 3, 4) or not self.margins:
            return ()
        step = sum(m.length_mm for m in self.margins) / len(self.margin.points_mm)
        return tuple(side for side in SIDES if self.on_face(side, OPEN_SIDE_COSINE).sum() * step > OPEN_SIDE_MM)

    def on_face(self, side: str, cosine: float) -> NDArray[np.bool_]:
        """(k,) which margin points lie on the tooth's face towards a side: facing it, and no tooth stands farther that way.

        The slope of a cusp on the other half of the tooth faces the same way.
        """
        way = self.towards(side)
        found = np.asarray(self.margin.outward @ way > cosine)
        if found.any():
            start = self.margin.points_mm[found] + OFF_SURFACE_MM * self.margin.outward[found]
            found[found] = ~np.isfinite(self.old_rays.first_hit(start, way, max_mm=FARTHEST_MM)[0])
        return found

    @cached_property
    def old_rays(self) -> RayCaster:
        """The whole old surface, to be met by rays; tooth frame."""
        return RayCaster(self.seen_from("occlusal").bench.subject)

    @cached_property
    def is_opening(self) -> NDArray[np.bool_]:
        """(k,) which margin points belong to the opening along the axis, not to a proximal face."""
        return np.asarray(self.margin.outward @ self.axis > OPENING_COSINE)

    def margin_towards(self, side: str, *, of: str | None = None) -> NDArray[np.bool_]:
        """(k,) margin points whose wall stands on a side: of the opening, or of the face towards the proximal side `of`.

        Looked at along the axis, or from that side: on a slope the way into the cut leads downhill, and that does not count.
        """
        looked = self.axis if of is None else self.towards(of)
        part = self.is_opening if of is None else self.margin.outward @ looked > OPENING_COSINE
        flat = self.margin.inward - np.outer(self.margin.inward @ looked, looked)
        flat /= np.maximum(np.linalg.norm(flat, axis=1, keepdims=True), 1e-9)
        return np.asarray(part & (flat @ -self.towards(side) > A_SIDE))

    @cached_property
    def margin_plane(self) -> Plane:
        """Best plane of the opening's margin, in the axis view."""
        points = self.view.to_view(self.margin.points_mm[self.is_opening])
        if len(points) < 3:
            points = self.view.to_view(self.margin.points_mm)
        middle = points.mean(axis=0)
        flat = points - middle
        slope = np.linalg.lstsq(flat[:, :2], flat[:, 2], rcond=None)[0]
        return Plane(middle, slope)

    @cached_property
    def _floors(self) -> tuple[Floor, ...] | str:
        return floors_of(self.view.bench, least_part=LEAST_FLOOR_PART)

    @cached_property
    def main_floor(self) -> Floor | str:
        """The floor across the axis: the pulpal floor, or of a class V the axial wall. Of a class II not that of its box."""
        floors = self._floors
        if isinstance(floors, str) or self.cavity_class != 2:
            return floors if isinstance(floors, str) else floors[0]
        boxes = [box for box in (self.box_floor(side) for side in self.open_sides) if not isinstance(box, str)]
        others = [floor for floor in floors if not any(floor is box for box in boxes)]
        return others[0] if others else "the cavity has no floor beside that of its box"

    def box_floor(self, side: str) -> Floor | str:
        """The gingival floor of the box on an open side: the lowest floor whose middle lies on that half of the cavity."""
        if side not in self.open_sides:
            return f"the cavity has no box on the {side} side"
        if side not in self._box_floors:
            self._box_floors[side] = self._box_floor(side)
        return self._box_floors[side]

    @cached_property
    def _box_floors(self) -> dict[str, Floor | str]:
        return {}

    def _box_floor(self, side: str) -> Floor | str:
        floors = self._floors
        if isinstance(floors, str):
            return floors
        way = self.view.sides[side]
        half = float(np.median(self.view.to_view(self.margin.points_mm) @ way))
        beyond = [floor for floor in floors if float(floor.middle_mm @ way) > half]
        main = max(floors, key=lambda floor: floor.area_mm2)
        if not beyond or min(f.middle_mm[2] for f in beyond) > main.middle_mm[2] - LEAST_STEP_MM:
            narrow = floors_of(self.view.bench, least_part=0.0, least_mm2=NARROW_MM2, off_edge_mm=NARROW_EDGE_MM)
            found = () if isinstance(narrow, str) else narrow
            beyond += [floor for floor in found if float(floor.middle_mm @ way) > half]
        return (
            min(beyond, key=lambda f: f.middle_mm[2])
            if beyond
            else "the box has no level floor large enough to measure"
        )

    def axial_wall(self, side: str) -> Floor | str:
        """The axial wall of the box on an open side, in the view from that side: its largest patch across."""
        if side not in self.open_sides:
            return f"the cavity has no box on the {side} side"
        if side not in self._axial:
            found = floors_of(self.seen_from(side).bench, least_part=LEAST_FLOOR_PART)
            self._axial[side] = found if isinstance(found, str) else found[0]
        return self._axial[side]

    @cached_property
    def _axial(self) -> dict[str, Floor | str]:
        return {}

    @cached_property
    def old_surface(self) -> ClosestPoint:
        """The whole old surface, to be asked for its nearest point; tooth frame."""
        return ClosestPoint(self.seen_from("occlusal").bench.subject)

    def depth_below(self, view: View, points_mm: FloatArray) -> FloatArray:
        """(n,) distance of points of a view to the old surface on that view's side."""
        subject = view.bench.subject
        low, high = points_mm.min(axis=0) - NEAR_MM, points_mm.max(axis=0) + NEAR_MM
        part = submesh(subject, faces_in(subject, low, np.append(high[:2], np.inf)))
        part = submesh(part, face_normals(part)[:, 2] > OPENING_COSINE)
        if not len(part.faces):
            return np.full(len(points_mm), np.nan)
        distance = ClosestPoint(part).query(points_mm, max_distance_mm=12.0)[1]
        return np.where(np.isfinite(distance), distance, np.nan)
