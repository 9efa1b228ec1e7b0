"""The readings of a plan while it is being made: those of its file once it is handed in, worked out anew for every move."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from kerfmark.errors import InputError
from kerfmark.geometry.frames import rigid_inverse
from kerfmark.measurement.implant.bone import bone_density
from kerfmark.measurement.implant.case import Case
from kerfmark.measurement.implant.clearances import (
    canal_clearance_mm,
    implant_clearance_mm,
    plate_thickness_mm,
    root_clearance_mm,
    sinus_clearance_mm,
)
from kerfmark.measurement.implant.deviations import prosthetic_axis_deg
from kerfmark.records import Alignment, ImplantPlan, Piece, Reading

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = ["Planning"]

SHOWN: Final = (
    canal_clearance_mm,
    root_clearance_mm,
    implant_clearance_mm,
    sinus_clearance_mm,
    plate_thickness_mm,
    prosthetic_axis_deg,
    bone_density,
)
"""What one who plans may see: nothing of these is read against the exercise's own plan."""


class Planning:
    """An exercise in which an implant is being planned: its bone and structures, made ready once.

    Parameters
    ----------
    prepared : Prepared

    Raises
    ------
    InputError
        If the exercise plans no implant.
    """

    def __init__(self, prepared: Prepared) -> None:
        if prepared.implant is None or prepared.subject is None:
            raise InputError(
                f"exercise {prepared.exercise.id} plans no implant, expected one with a planned implant and its bone. Choose another."
            )
        self.prepared = prepared
        self._first = Case(self._piece(ImplantPlan(prepared.implant[0], prepared.implant[1], 1.0)), prepared)

    def readings(self, plan: ImplantPlan) -> tuple[Reading, ...]:
        """Clearances, plates, axis and density of a plan in the tooth frame; those that do not apply are left out.

        Parameters
        ----------
        plan : ImplantPlan

        Returns
        -------
        readings : tuple of Reading
            The very ones that marking takes of the same plan.
        """
        case = Case(self._piece(plan), self.prepared, like=self._first)
        return tuple(r for reading in SHOWN for r in reading(case) if r.status != "not_applicable")

    def _piece(self, plan: ImplantPlan) -> Piece:
        """The plan as a piece, exact as a handed-in one is; its surface is not looked at by these readings."""
        assert self.prepared.subject is not None
        still = Alignment(rigid_inverse(self.prepared.frame), 0.0, 1.0, np.zeros((6, 6)), 0)
        return Piece("plan", "", self.prepared.subject, still, 0.0, 0.0, plan=plan)
