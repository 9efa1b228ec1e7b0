"""What the access readings share: the tooth seen along its access axis, the chamber's columns, the margin of the opening."""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.columns import Crossings, Lattice, crossings, lattice_over
from kerfmark.geometry.frames import rigid_inverse, transform_directions, transform_points
from kerfmark.geometry.grids import sample
from kerfmark.geometry.mesh import (
    bounds_mm,
    face_areas_mm2,
    face_edges,
    part_of_faces,
    smoothed_vertices,
    submesh,
    transformed,
    vertex_normals,
)
from kerfmark.measurement.carried import carried_alignment
from kerfmark.measurement.surface.bench import Bench
from kerfmark.measurement.surface.margin import LEAST_AREA_MM2, Margin, margins_of
from kerfmark.records import FloatArray, IntArray, Piece, SectionPlane, Surface

if TYPE_CHECKING:
    pass

__all__ = ["NO_PULP", "SPECK", "UNCUT", "Along", "Opened", "access_frame"]

NO_PULP = "the exercise has no pulp layer"
CHAMBER_OVER_MM, CHAMBER_SHARE = 0.3, 1.0 / 3.0
"""A column belongs to the chamber where the pulp rises this far above the lowest orifice, and by a third of the chamber's
own height: canals that lean away do not."""
MARGIN_MM = 1.0
FARTHEST_MM = 20.0
UNCUT, SPECK = -2, -1
LEADS_ON_MM = 0.6
"""As much border of a scan as the mouth of a bore half a millimetre wide has when nothing behind it is seen, less a half."""


def access_frame(outline: FloatArray, orifices: FloatArray, *, axis: FloatArray | None = None) -> FloatArray:
    """(4, 4) from the tooth frame into that of the access.

    Origin: the middle of the orifices; +z along the given axis, else to the middle of the outline; +y as near to facial
    as may be.
    """
    low = orifices.mean(axis=0)
    up = _middle(outline) - low if axis is None else np.asarray(axis, dtype=float)
    up = up / np.linalg.norm(up)
    out = np.array([0.0, 1.0, 0.0]) - up[1] * up
    out /= np.linalg.norm(out)
    matrix = np.eye(4)
    matrix[:3, :3] = np.stack([np.cross(out, up), out, up])
    matrix[:3, 3] = -matrix[:3, :3] @ low
    return matrix


def _middle(loop: FloatArray) -> FloatArray:
    """Middle of a closed curve, each stretch weighted by its length."""
    ahead = np.roll(loop, -1, axis=0)
    lengths = np.linalg.norm(ahead - loop, axis=1, keepdims=True)
    return np.asarray((0.5 * (loop + ahead) * lengths).sum(axis=0) / lengths.sum())


class Opened(Bench):
    """One opened tooth beside its exercise. Everything is found on first asking and kept."""

    @property
    def outline(self) -> FloatArray:
        """The planned outline (k, 3), tooth frame; the exercise always has one."""
        assert self.prepared.outline is not None
        return np.asarray(self.prepared.outline, dtype=float)

    @property
    def orifices(self) -> FloatArray:
        """(n, 3) the orifices, tooth frame, in the order given."""
        assert self.prepared.orifices is not None
        return np.asarray(self.prepared.orifices, dtype=float)

    @cached_property
    def into(self) -> FloatArray:
        """(4, 4) from the tooth frame into that of the access."""
        given = self.prepared.exercise.target.axis
        axis = None if given is None else transform_directions(self.prepared.frame, np.array([given]))[0]
        return access_frame(self.outline, self.orifices, axis=axis)

    @cached_property
    def back(self) -> FloatArray:
        """(4, 4) from the frame of the access into the tooth frame."""
        return rigid_inverse(self.into)

    @property
    def axis(self) -> FloatArray:
        """The access axis, a unit vector of the tooth frame."""
        return np.asarray(self.into[2, :3])

    @cached_property
    def pulp(self) -> Surface | None:
        """The pulp's closed surface, tooth frame; None where the exercise has none."""
        return self.prepared.layers.get("pulp")

    @cached_property
    def along(self) -> Along:
        """The piece and its exercise seen along the access axis."""
        return Along(self)

    @cached_property
    def margins(self) -> tuple[Margin, ...]:
        """The margins of everything that is cut, that of the opening first: the one nearest the planned outline's middle."""
        middle, found = _middle(self.outline), margins_of(self)
        away = [float(np.linalg.norm(m.points_mm.mean(axis=0) - middle)) - 0.5 * m.length_mm for m in found]
        return tuple(found[i] for i in np.argsort(away, kind="stable"))

    @cached_property
    def cut_part(self) -> IntArray:
        """(m,) which connected part of the cut each face of the piece belongs to; `UNCUT`, or `SPECK` for what is no part of the cavity.

        A nick in the root has a bottom. What leads on into the tooth ends at a border of the scan or is one with the cavity.
        """
        surface, cut = self.piece.surface, submesh(self.piece.surface, self.is_cut)
        found = np.full(len(surface.faces), UNCUT, np.int32)
        if not len(cut.faces):
            return found
        part = part_of_faces(cut)
        areas = np.bincount(part, face_areas_mm2(cut))
        found[self.is_cut] = part
        edges = face_edges(surface)
        border = edges.count == 1
        owner = found[edges.first_two[border, 0]]
        lengths = np.linalg.norm(np.diff(surface.vertices_mm[edges.ends[border]], axis=1)[:, 0], axis=1)
        open_mm = np.bincount(owner[owner >= 0], lengths[owner >= 0], len(areas))
        leads_on = (open_mm >= LEADS_ON_MM) | (np.arange(len(areas)) == areas.argmax())
        found[self.is_cut] = np.where((leads_on & (areas >= LEAST_AREA_MM2))[part], part, SPECK)
        return found

    @cached_property
    def _cavity(self) -> Surface:
        return submesh(self.piece.surface, self.cut_part >= 0)

    @cached_property
    def cavity(self) -> tuple[FloatArray, FloatArray]:
        """Points (n, 3) of the cavity's walls and floor, without specks and nicks beside it, and their outward normals."""
        return self._cavity.vertices_mm, vertex_normals(self._cavity)

    @cached_property
    def cavity_places(self) -> FloatArray:
        """(n, 3) where the points of `cavity` lie on a smoothed surface: what lies beside what must not hang on noise."""
        return smoothed_vertices(self._cavity, rounds=2)

    def outside_pulp(self, points_mm: FloatArray, *, exact: bool = False) -> FloatArray:
        """(n,) signed distance from the pulp, positive outside; far where there is no pulp."""
        if self.pulp is None:
            return np.full(len(points_mm), FARTHEST_MM)
        return _signed(points_mm, self.prepared.layer_grids["pulp"], self._nearest_pulp, exact=exact)

    @cached_property
    def _nearest_pulp(self) -> ClosestPoint:
        assert self.pulp is not None
        return ClosestPoint(self.pulp)

    def inside_target(self, points_mm: FloatArray, *, exact: bool = False) -> FloatArray:
        """(n,) depth inside the ideal finished piece, positive where cut too far; needs a target."""
        assert self.prepared.target_grid is not None
        return -_signed(points_mm, self.prepared.target_grid, self._nearest_target, exact=exact)

    @cached_property
    def _nearest_target(self) -> ClosestPoint:
        assert self.prepared.target is not None
        return ClosestPoint(self.prepared.target)

    def plane(self, name: str, point_mm: FloatArray, across: FloatArray) -> SectionPlane:
        """A section that holds the access axis and a direction across it, through a point."""
        square = across - (across @ self.axis) * self.axis
        return SectionPlane(name, np.asarray(point_mm, float), square / np.linalg.norm(square), self.axis)


def _signed(points_mm: FloatArray, grid: object, nearest: ClosestPoint, *, exact: bool) -> FloatArray:
    """Signed distance read off a grid, and beyond its band, or where it must be `exact`, measured.

    Between its voxels a grid rounds the field off beside edges, by up to a fifth of their spacing.
    """
    from kerfmark.records import Grid

    assert isinstance(grid, Grid)
    distance = sample(grid, points_mm)
    beyond = np.logical_or(exact, np.abs(distance) > 0.95 * float(np.abs(grid.values).max()))
    if beyond.any():
        away = nearest.query(points_mm[beyond], max_distance_mm=FARTHEST_MM)[1]
        distance[beyond] = np.sign(distance[beyond]) * np.minimum(away, FARTHEST_MM)
    return distance


class Along(Bench):
    """The same piece in the frame of the access, where columns run along the access axis."""

    def __init__(self, opened: Opened) -> None:
        moved: Piece = replace(
            opened.piece,
            surface=transformed(opened.piece.surface, opened.into),
            alignment=carried_alignment(opened.piece.alignment, opened.into),
            neighbours={},
        )
        super().__init__(moved, opened.prepared)
        self._opened = opened

    @cached_property
    def outline(self) -> FloatArray:
        """The planned outline, frame of the access."""
        return transform_points(self._opened.into, self._opened.outline)

    @cached_property
    def orifices(self) -> FloatArray:
        """(n, 3) the orifices, frame of the access."""
        return transform_points(self._opened.into, self._opened.orifices)

    @cached_property
    def lattice(self) -> Lattice:
        """Columns over the plan, the chamber and what was cut."""
        corners = [self.outline, self.orifices]
        corners += [transform_points(self._opened.into, m.points_mm) for m in self._opened.margins[:1]]
        points = np.concatenate(corners)
        return lattice_over(np.array([points.min(axis=0) - MARGIN_MM, points.max(axis=0) + MARGIN_MM]))

    @cached_property
    def subject_columns(self) -> Crossings:
        """Columns through the tooth before cutting."""
        return crossings(transformed(self._opened.subject, self._opened.into), self.lattice)

    @cached_property
    def piece_columns(self) -> Crossings:
        """Columns through the piece."""
        return crossings(self.piece.surface, self.lattice)

    @cached_property
    def pulp_columns(self) -> Crossings:
        """Columns through the pulp; only where there is one."""
        assert self._opened.pulp is not None
        return crossings(transformed(self._opened.pulp, self._opened.into), self.lattice)

    @cached_property
    def opening(self) -> FloatArray | None:
        """The margin of the opening (k, 3), frame of the access; None where nothing is open."""
        margins = self._opened.margins
        return transform_points(self._opened.into, margins[0].points_mm) if margins else None

    @cached_property
    def floor_mm(self) -> float:
        """Height of the lowest orifice along the access axis."""
        return float(self.orifices[:, 2].min())

    @cached_property
    def chamber(self) -> NDArray[np.bool_]:
        """(columns,) where the pulp's chamber, horns included, stands: seen along the access axis."""
        top = np.nan_to_num(self.pulp_columns.top, nan=-np.inf) - self.floor_mm
        first = top > CHAMBER_OVER_MM
        height = float(np.median(top[first])) if first.any() else 0.0
        return np.asarray(top > max(CHAMBER_OVER_MM, CHAMBER_SHARE * height))

    @cached_property
    def chamber_bottom(self) -> FloatArray:
        """(columns,) where the highest stretch of pulp of each column ends."""
        found = self.pulp_columns
        first, end = found.starts[:-1], found.starts[1:]
        bottom = np.full(len(first), np.nan)
        two = end > first + 1
        bottom[two] = found.heights[first[two] + 1]
        return bottom

    @property
    def bounds_mm(self) -> FloatArray:
        """Box of the piece in this frame."""
        return bounds_mm(self.piece.surface)
