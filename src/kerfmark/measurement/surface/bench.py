"""What the readings of one piece share: its cut faces, its columns, and how each volume answers to small errors."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.columns import Crossings, Lattice, crossings, lattice_over
from kerfmark.geometry.grids import sample
from kerfmark.geometry.mesh import bounds_mm, face_areas_mm2, submesh
from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.mesh import middles_of
from kerfmark.measurement.budget import surface_u_mm
from kerfmark.measurement.surface.holes import Filled, filled
from kerfmark.measurement.surface.lengths import lengths_removed
from kerfmark.measurement.surface.noisy_area import larger_by_noise
from kerfmark.records import FloatArray, Piece, Surface

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = ["Bench", "CutFaces", "faces_of"]

CUT_FACTOR = 3.0
"""A point is cut where more than this many standard uncertainties of the surface are gone."""
MARGIN_MM = 0.5


@dataclass(frozen=True, eq=False)
class CutFaces:
    """Faces of a surface as what integrals need: middles (n, 3), unit normals (n, 3), areas (n,), mm."""

    middles: FloatArray
    normals: FloatArray
    areas: FloatArray

    @cached_property
    def motion(self) -> FloatArray:
        """(n, 6) how each middle answers, along its normal, to small turns about the origin and small shifts."""
        x, y, z = self.middles.T
        u, v, w = self.normals.T
        return np.column_stack([y * w - z * v, z * u - x * w, x * v - y * u, u, v, w])


class Bench:
    """A piece beside its exercise. Everything is worked out when first asked for, and once."""

    def __init__(self, piece: Piece, prepared: Prepared) -> None:
        self.piece, self.prepared = piece, prepared
        self.u_mm = surface_u_mm(piece)
        self.least_mm = CUT_FACTOR * self.u_mm

    @property
    def layer_names(self) -> tuple[str, ...]:
        """Names of the subject's layers, the later winning."""
        return tuple(self.prepared.layers)

    @cached_property
    def edge_mm(self) -> float:
        """Median side of the piece's triangles."""
        v, f = (
            self.piece.surface.vertices_mm,
            self.piece.surface.faces[:: max(1, len(self.piece.surface.faces) // 5000)],
        )
        return float(np.median(np.linalg.norm(v[f] - v[np.roll(f, 1, axis=1)], axis=2)))

    @property
    def subject(self) -> Surface:
        """The state before cutting; readings are only taken where the exercise has one."""
        assert self.prepared.subject is not None
        return self.prepared.subject

    @cached_property
    def depth_mm(self) -> FloatArray:
        """(n,) depth of the piece's vertices below the subject's surface, positive where material is gone."""
        return np.negative(sample(self.prepared.subject_grid, self.piece.surface.vertices_mm))

    @cached_property
    def is_cut(self) -> NDArray[np.bool_]:
        """(m,) true for the piece's faces that lie clearly below the subject's surface."""
        a, b, c = (self.depth_mm[corner] for corner in self.piece.surface.faces.T)
        return np.asarray((np.minimum(np.minimum(a, b), c) > 0.0) & (a + b + c > 3.0 * self.least_mm))

    @cached_property
    def cut(self) -> CutFaces:
        """The cut faces."""
        return faces_of(self.piece.surface, self.is_cut)

    @cached_property
    def cut_larger(self) -> float:
        """By how many times noise makes the area of the cut faces larger than the cut is."""
        part = submesh(self.piece.surface, self.is_cut)
        return larger_by_noise(part, face_areas_mm2(part), 1e-3 * self.piece.noise_um)

    @property
    def has_cut(self) -> bool:
        """Whether anything is cut at all."""
        return len(self.cut.areas) > 0

    @cached_property
    def clear_layer(self) -> int | None:
        """Which layer the exercise wants gone, by its place among the layers."""
        clear = self.prepared.exercise.target.clear
        return self.layer_names.index(clear) if clear in self.layer_names else None

    @cached_property
    def lattice(self) -> Lattice | None:
        """Columns over what is cut or planned to be; None where nothing is."""
        kept, cut = self.prepared.lattice, self.cut_box()
        if kept is not None and (cut is None or kept.covers(cut)):
            return kept
        boxes = [box for box in (cut, self._planned_box()) if box is not None]
        if not boxes:
            return None
        low, high = np.min([b[0] for b in boxes], axis=0), np.max([b[1] for b in boxes], axis=0)
        return lattice_over(np.array([low - MARGIN_MM, high + MARGIN_MM]))

    def _columns(self, name: str, surface: Surface) -> Crossings:
        """Columns through one of the exercise's surfaces: kept ones, where the piece keeps to what they cover."""
        assert self.lattice is not None
        if self.lattice is self.prepared.lattice:
            return self.prepared.columns[name]
        return crossings(surface, self.lattice)

    def cut_box(self) -> FloatArray | None:
        """Lower and upper corner (2, 3) of what is cut; None where nothing is."""
        if not self.has_cut:
            return None
        surface = self.piece.surface
        touched = np.zeros(len(surface.vertices_mm), bool)
        touched[surface.faces[self.is_cut]] = True
        corners = surface.vertices_mm[touched]
        return np.array([corners.min(axis=0), corners.max(axis=0)])

    def _planned_box(self) -> FloatArray | None:
        target = self.prepared.target
        if target is not None:
            deep = target.vertices_mm[sample(self.prepared.subject_grid, target.vertices_mm) < -self.least_mm]
            return np.array([deep.min(axis=0), deep.max(axis=0)]) if len(deep) else None
        if self.clear_layer is not None:
            return bounds_mm(self.prepared.layers[self.layer_names[self.clear_layer]])
        return None

    @cached_property
    def subject_columns(self) -> Crossings:
        """Columns through the subject."""
        return self._columns("subject", self.subject)

    @cached_property
    def piece_columns(self) -> Crossings:
        """Columns through the piece."""
        assert self.lattice is not None
        return crossings(self.piece.surface, self.lattice)

    @cached_property
    def target_columns(self) -> Crossings | None:
        """Columns through the target."""
        if self.prepared.target is None or self.lattice is None:
            return None
        return self._columns("target", self.prepared.target)

    @cached_property
    def layer_columns(self) -> tuple[Crossings, ...]:
        """Columns through each layer."""
        layers = self.prepared.layers.values()
        return tuple(self._columns(f"layer.{n}", layer) for n, layer in enumerate(layers))

    @cached_property
    def removal(self) -> Filled:
        """Lengths left and gone along each column, holes of the scan filled in."""
        assert self.lattice is not None
        lengths = lengths_removed(
            self.lattice,
            subject=self.subject_columns,
            piece=self.piece_columns,
            target=self.target_columns,
            layers=self.layer_columns,
            planned_layer=self.clear_layer,
            subject_grid=self.prepared.subject_grid,
            least_mm=self.least_mm,
        )
        return filled(lengths, self.lattice, subject=self.subject_columns, piece=self.piece_columns)

    @cached_property
    def layer_shares(self) -> FloatArray:
        """(faces, layers + 1) how far each cut face lies in each layer, 0 to 1; first what no layer claims.

        Soft over about the uncertainty of a point, so that a floor right on a layer's edge counts half on each side.
        """
        left = np.ones(len(self.cut.areas))
        shares = np.zeros((len(left), len(self.layer_names) + 1))
        for n, name in reversed(list(enumerate(self.layer_names))):
            inside = self.soft(-sample(self.prepared.layer_grids[name], self.cut.middles))
            shares[:, n + 1] = left * inside
            left = left * (1.0 - inside)
        if self.is_tiled:
            return np.asarray(shares / np.maximum(shares.sum(axis=1, keepdims=True), 1e-9))
        shares[:, 0] = left
        return shares

    @property
    def is_tiled(self) -> bool:
        """Whether the layers leave nothing of the subject unclaimed."""
        claimed = self.removal.length_mm.sum(axis=(1, 2), dtype=float)
        return float(claimed[0]) < 1e-3 * float(claimed.sum())

    @cached_property
    def planned_share(self) -> FloatArray:
        """(faces,) how far each cut face lies in what is planned to go, 0 to 1: above 0 material is left there."""
        if self.prepared.target_grid is not None:
            return self.soft(sample(self.prepared.target_grid, self.cut.middles))
        if self.clear_layer is None or self.lattice is None:
            return np.zeros(len(self.cut.areas))
        lowest = self.layer_columns[self.clear_layer].bottom[self.lattice.nearest(self.cut.middles)]
        return np.where(np.isnan(lowest), 0.0, self.soft(self.cut.middles[:, 2] - np.nan_to_num(lowest)))

    def soft(self, height_mm: FloatArray) -> FloatArray:
        """0 below, 1 above, and in between within 2 u of zero."""
        return np.clip(0.5 + height_mm / (4.0 * self.u_mm), 0.0, 1.0)


def faces_of(surface: Surface, chosen: np.ndarray) -> CutFaces:
    """Middles, normals and areas of the chosen faces that have an area."""
    vertices, faces = read_only(surface.vertices_mm, np.float64), read_only(surface.faces, np.int32)
    return CutFaces(*middles_of(vertices, faces, np.flatnonzero(chosen)))
