"""A piece with one stump, or with one for each abutment of a bridge: the same readings of each, and their places named."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.frames import rigid_inverse, transform_points
from kerfmark.geometry.mesh import submesh, transformed
from kerfmark.measurement.carried import carried_alignment, carried_witness
from kerfmark.measurement.crown.stump import Stump
from kerfmark.records import FloatArray, Piece, Reading, Witness

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = ["Bridge", "of_each"]


class Bridge:
    """One piece as the crown readings see it.

    Attributes
    ----------
    stumps : tuple of Stump
        One in the piece's own frame for a single tooth; of a bridge one for each abutment, in its own tooth frame.
    shared : dict
        What readings of all abutments together found once.
    """

    def __init__(self, piece: Piece, prepared: Prepared) -> None:
        self.piece, self.prepared = piece, prepared
        self.shared: dict[str, Any] = {}

    @property
    def abutments(self) -> tuple[Prepared, ...]:
        """The abutments as exercises of their own; none for a single tooth."""
        return self.prepared.abutments

    @cached_property
    def stumps(self) -> tuple[Stump, ...]:
        """Made on first asking."""
        if not self.abutments:
            return (Stump(self.piece, self.prepared),)
        owner = self._owner_of_faces()
        return tuple(Stump(self._piece_of(n, owner == n), own) for n, own in enumerate(self.abutments))

    def into_own(self, number: int) -> FloatArray:
        """(4, 4) from the tooth frame of the exercise into that of an abutment."""
        matrix: FloatArray = self.abutments[number].frame @ rigid_inverse(self.prepared.frame)
        return matrix

    def _owner_of_faces(self) -> NDArray[np.intp]:
        """For each face of the piece the number of the abutment whose long axis passes nearest."""
        surface = self.piece.surface
        middles = surface.vertices_mm[surface.faces].mean(axis=1)
        own = [transform_points(self.into_own(n), middles) for n in range(len(self.abutments))]
        return np.asarray(np.argmin([np.hypot(p[:, 0], p[:, 1]) for p in own], axis=0))

    def _piece_of(self, number: int, faces: NDArray[np.bool_]) -> Piece:
        into, own = self.into_own(number), self.abutments[number]
        beside = {side: transformed(s, into) for side, s in self.piece.neighbours.items() if side in own.neighbours}
        return replace(
            self.piece,
            surface=transformed(submesh(self.piece.surface, faces), into),
            alignment=carried_alignment(self.piece.alignment, into),
            neighbours=beside,
            motion=None,
            cut=None,
            neighbour_cuts={},
        )


def of_each(
    function: Callable[[Stump], tuple[Reading, ...]], *, by_site: bool
) -> Callable[[Bridge], tuple[Reading, ...]]:
    """A reading of one stump made one of every stump; on a bridge its place begins with the abutment's number.

    A site lies on one abutment, and its name says which: it stands alone.
    """

    def taken(bridge: Bridge) -> tuple[Reading, ...]:
        if not bridge.abutments:
            return function(bridge.stumps[0])
        found: list[Reading] = []
        for number, (stump, own) in enumerate(zip(bridge.stumps, bridge.abutments, strict=True)):
            tooth, back = str(own.exercise.tooth), rigid_inverse(bridge.into_own(number))
            for reading in function(stump):
                where = reading.where if by_site else tooth + (f"/{reading.where}" if reading.where else "")
                found.append(replace(reading, where=where, witness=_named(reading.witness, back, tooth)))
        return tuple(found)

    return taken


def _named(witness: Witness | None, back: FloatArray, tooth: str) -> Witness | None:
    """A witness carried back into the frame of the exercise, its section named after its abutment."""
    plane = None if witness is None else witness.plane
    return carried_witness(witness, back, plane_name=None if plane is None else f"{tooth} {plane.name}")
