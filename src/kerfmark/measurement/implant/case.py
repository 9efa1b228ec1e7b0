"""What the implant readings of one piece share: the plan, the bed, the structures, the bone."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from kerfmark.geometry.cylinders import Cylinder
from kerfmark.geometry.rays import RayCaster
from kerfmark.geometry.volumes import voxel_mm
from kerfmark.instruments import instrument
from kerfmark.measurement.implant.bed import Bed, find_bed
from kerfmark.measurement.implant.structures import Structure, structures_of
from kerfmark.measurement.surface.bench import Bench
from kerfmark.records import FloatArray, ImplantPlan, Piece, SectionPlane

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = ["Case"]

OUTSIDE = "the planned bed lies outside the bone"
LEAST_INSIDE = 0.5
"""Of the axis: an implant that stands out by more than half of its length is not in the bone [practice]."""


class Case(Bench):
    """A piece of an implant exercise. Everything is worked out when first asked for, and once.

    Parameters
    ----------
    piece : Piece
    prepared : Prepared
    like : Case, optional
        An earlier case of the same exercise, whose bone and structures are taken over.
    """

    def __init__(self, piece: Piece, prepared: Prepared, *, like: Case | None = None) -> None:
        super().__init__(piece, prepared)
        self._like = like
        assert prepared.implant is not None
        target = prepared.exercise.target.implant
        assert target is not None
        self.plan = Cylinder(prepared.implant[0], prepared.implant[1], 0.5 * target.diameter_mm)

    @property
    def own_plan(self) -> ImplantPlan | None:
        """The learner's own plan, where the piece is one."""
        return self.piece.plan

    @cached_property
    def judged(self) -> Cylinder:
        """The plan whose clearances are read: the learner's own where the piece is one, else the exercise's."""
        own = self.own_plan
        return self.plan if own is None else Cylinder(own.entry_mm, own.apex_mm, 0.5 * own.diameter_mm)

    @cached_property
    def bed(self) -> Bed | str:
        """What was drilled; or why it cannot be told."""
        if self.own_plan is not None:
            return "the piece is a plan, nothing is drilled"
        return find_bed(self, self.plan, bone=self.bone)

    @cached_property
    def bone(self) -> RayCaster:
        """The subject's outer surface, for rays."""
        return RayCaster(self.subject) if self._like is None else self._like.bone

    @cached_property
    def outside(self) -> str | None:
        """Why nothing can be said of what the judged plan keeps clear of; None where the better part of its axis lies in the bone."""
        rod = self.judged
        inside = self.bone.length_inside_mm(rod.entry_mm, rod.apex_mm)
        return OUTSIDE if inside < LEAST_INSIDE * rod.length_mm else None

    @cached_property
    def structures(self) -> tuple[Structure, ...]:
        """What is to be kept clear of."""
        return structures_of(self.prepared, self.plan) if self._like is None else self._like.structures

    @property
    def mesial(self) -> FloatArray:
        """Unit direction towards mesial."""
        return np.array([float(self.prepared.mesial_sign), 0.0, 0.0])

    @property
    def facial(self) -> FloatArray:
        """Unit direction towards facial."""
        return np.array([0.0, 1.0, 0.0])

    @cached_property
    def drawn_u_mm(self) -> float:
        """Standard uncertainty of a structure's place: a voxel of the volume it was drawn on, evenly spread; 0 without one."""
        volume = self.prepared.volume
        return 0.0 if volume is None else float(voxel_mm(volume).max()) / np.sqrt(12.0)

    @property
    def bone_u_mm(self) -> float:
        """Standard uncertainty of the bone's outer surface, the same for a plan and a bed.

        A surface the exercise gives is the bone, as pieces are made from it and aligned to it: 0. One found in the volume is as sure as
        what is drawn there.
        """
        return self.drawn_u_mm if self.prepared.exercise.subject.surface is None else 0.0

    @cached_property
    def last_drill_mm(self) -> float | None:
        """Diameter of the last permitted drill."""
        names = self.prepared.exercise.permitted.instruments
        if not names:
            return None
        own = {entry.name: entry.profile_mm for entry in self.prepared.exercise.instruments}
        return 2.0 * float(instrument(names[-1], own=own).profile_mm[:, 1].max())

    def plane(self, name: str) -> SectionPlane:
        """The cutting plane `BL` or `MD` through the plan's axis, up against its way."""
        up = -self.plan.way
        sideways = self.facial if name == "BL" else self.mesial
        across = -(sideways - (sideways @ up) * up)
        return SectionPlane(name, self.plan.entry_mm, across / np.linalg.norm(across), up)
