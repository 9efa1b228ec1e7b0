"""A piece and its exercise as seen from one side: the side looked from is up, so that what reads floors from above reads walls too.

The tooth frame is turned by quarter turns only, which grids follow exactly. Witnesses are carried back.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from kerfmark.geometry.frames import looking_frame, transform_points
from kerfmark.geometry.mesh import transformed
from kerfmark.measurement.surface.bench import Bench
from kerfmark.records import Alignment, FloatArray, Grid, Piece, SectionPlane, Site, Surface, Witness

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = ["View", "towards", "turned_grid"]


def towards(side: str, mesial_sign: int) -> FloatArray:
    """The unit direction from the tooth to a side, in the tooth frame."""
    ways = {
        "occlusal": [0, 0, 1], "gingival": [0, 0, -1], "buccal": [0, 1, 0], "lingual": [0, -1, 0],
        "mesial": [mesial_sign, 0, 0], "distal": [-mesial_sign, 0, 0],
    }  # fmt: skip
    return np.array(ways[side], dtype=float)


class View:
    """A bench in the frame looked at from one side: its z points at the viewer.

    Attributes
    ----------
    side : str
        Where it is looked at from: `occlusal`, `buccal`, `lingual`, `mesial` or `distal`.
    turn : (4, 4) float array
        From the tooth frame into the view's.
    sides : mapping of str to (3,) float array
        The other sides' unit directions in the view's frame, each at right angles to z.
    """

    def __init__(self, piece: Piece, prepared: Prepared, side: str) -> None:
        sign = prepared.mesial_sign
        up = [0.0, 1.0, 0.0] if side == "occlusal" else [0.0, 0.0, 1.0]
        self.side, self.turn = side, looking_frame(towards(side, sign), up=up)
        self._piece, self._prepared = piece, prepared
        words = ("buccal", "lingual", "mesial", "distal", "occlusal", "gingival")
        ways = {word: self.turn[:3, :3] @ towards(word, sign) for word in words}
        self.sides = {word: way for word, way in ways.items() if abs(way[2]) < 0.5}
        self.axis = self.turn[2, :3]

    @cached_property
    def bench(self) -> Bench:
        """The piece beside its exercise, both turned."""
        if self.side == "occlusal":
            return Bench(self._piece, self._prepared)
        return Bench(_turned_piece(self._piece, self.turn), cast("Prepared", _Turned(self._prepared, self.turn)))

    def to_view(self, points_mm: FloatArray) -> FloatArray:
        """Points of the tooth frame in the view's."""
        return transform_points(self.turn, points_mm)

    def to_tooth(self, points_mm: FloatArray) -> FloatArray:
        """Points (…, 3) of the view in the tooth frame; directions too, as the view turns about the origin."""
        return np.asarray(np.asarray(points_mm, dtype=float) @ self.turn[:3, :3])

    def witness(self, witness: Witness) -> Witness:
        """A witness of the view in the tooth frame; its plane already stands there."""
        return Witness(
            witness.kind,
            self.to_tooth(witness.points_mm),
            self.to_tooth(witness.segments_mm),
            tuple(self.to_tooth(curve) for curve in witness.curves_mm),
            witness.plane,
        )

    def plane(self, through_mm: FloatArray, across: str, *, name: str | None = None) -> SectionPlane:
        """The section through a point of the view that shows a side (`buccal`, …) to the left or right, and the axis.

        A side that lies along the axis shows in any section through it.

        Its name is that of the crown's planes where it is one of them, else `level`: a cut across the tooth; or one of its own.
        """
        sign = self._prepared.mesial_sign
        origin = self.to_tooth(np.asarray(through_mm, dtype=float))
        shown = next(side for side in (across, "occlusal", "buccal") if side in self.sides)
        way = self.to_tooth(self.sides[shown])
        if abs(way[2]) < 0.5 and abs(self.axis[2]) < 0.5:
            return SectionPlane("level", origin, np.array([-sign, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]))
        level = way if abs(way[2]) < 0.5 else self.axis
        if abs(level[1]) > 0.5:
            return SectionPlane(name or "BL", origin * [1, 1, 0], np.array([0.0, -1.0, 0.0]), np.array([0.0, 0.0, 1.0]))
        return SectionPlane(
            name or "MD", origin * [1, 1, 0], np.array([-float(sign), 0.0, 0.0]), np.array([0.0, 0.0, 1.0])
        )


class _Turned:
    """An exercise made ready, as seen from elsewhere. What is not asked for is not turned."""

    def __init__(self, prepared: Prepared, turn: FloatArray) -> None:
        self._prepared, self._turn = prepared, turn
        self.lattice, self.columns = None, dict[str, Any]()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._prepared, name)

    def _surface(self, surface: Surface | None) -> Surface | None:
        return None if surface is None else transformed(surface, self._turn)

    @cached_property
    def subject(self) -> Surface | None:
        return self._surface(self._prepared.subject)

    @cached_property
    def target(self) -> Surface | None:
        return self._surface(self._prepared.target)

    @cached_property
    def subject_grid(self) -> Grid:
        return turned_grid(self._prepared.subject_grid, self._turn)

    @cached_property
    def target_grid(self) -> Grid | None:
        grid = self._prepared.target_grid
        return None if grid is None else turned_grid(grid, self._turn)

    @cached_property
    def layers(self) -> Mapping[str, Surface]:
        return {name: transformed(layer, self._turn) for name, layer in self._prepared.layers.items()}

    @cached_property
    def layer_grids(self) -> Mapping[str, Grid]:
        return {name: turned_grid(grid, self._turn) for name, grid in self._prepared.layer_grids.items()}

    @cached_property
    def outline(self) -> FloatArray | None:
        outline = self._prepared.outline
        return None if outline is None else transform_points(self._turn, outline)

    @cached_property
    def sites(self) -> tuple[Site, ...]:
        return ()


def _turned_piece(piece: Piece, turn: FloatArray) -> Piece:
    both = np.zeros((6, 6))
    both[:3, :3] = both[3:, 3:] = turn[:3, :3]
    old = piece.alignment
    turned = Alignment(old.matrix, old.rms_um, old.overlap, both @ old.covariance @ both.T, old.points_used)
    return replace(piece, surface=transformed(piece.surface, turn), alignment=turned)


def turned_grid(grid: Grid, turn: FloatArray) -> Grid:
    """A grid carried by quarter turns about the origin: its axes are exchanged and turned round, no value changes."""
    ways = np.rint(turn[:3, :3]).astype(int)
    order = np.abs(ways).argmax(axis=1)
    forward = ways[np.arange(3), order] > 0
    size = np.array(grid.values.shape)[order]
    first = np.asarray(grid.origin_mm)[order]
    last = first + grid.spacing_mm * (size - 1)
    values = np.transpose(grid.values, order)[tuple(slice(None, None, 1 if f else -1) for f in forward)]
    return Grid(np.where(forward, first, -last), grid.spacing_mm, np.ascontiguousarray(values))
