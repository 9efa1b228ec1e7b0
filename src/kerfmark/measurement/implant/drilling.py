"""How a bed was drilled: each step used, in order, and how long each was in contact."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.grids import sample
from kerfmark.measurement.budget import measured, unmeasured
from kerfmark.measurement.process.course import PAUSE_IN_CUTTING_S, Course, spells
from kerfmark.records import Component, FloatArray, Reading, Witness

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared
    from kerfmark.records import Piece

__all__ = ["Drilling", "contact_time_s", "drill_order"]

LEAST_MM3 = 0.1
"""A step that removed less was held in the bed, not used [practice]."""


class Drilling:
    """The removal of a recorded piece by instrument."""

    def __init__(self, piece: Piece, prepared: Prepared) -> None:
        self.course = Course(piece, prepared)
        self.steps = prepared.exercise.permitted.instruments

    def times(self, name: str) -> FloatArray:
        """When each voxel went that an instrument removed, rising, s after the motion's first."""
        removed, motion = self.course.removed, self.course.motion
        if name not in motion.instruments:
            return np.empty(0)
        return np.asarray(removed.time_s[self._held(removed.time_s) == motion.instruments.index(name)])

    def went_in(self, name: str) -> bool:
        """Whether an instrument came turning to where there was bone, whatever it removed there."""
        motion = self.course.motion
        if name not in motion.instruments:
            return False
        turning = motion.cutting & (motion.instrument == motion.instruments.index(name))
        return bool((sample(self.course.prepared.subject_grid, motion.tip_mm[turning]) < 0.0).any())

    def _held(self, time_s: FloatArray) -> NDArray[np.int32]:
        """Which instrument was held at a time: that of the sample at or before it."""
        motion = self.course.motion
        after = motion.time_s - self.course.field.start_s
        place = np.clip(np.searchsorted(after, time_s + 1e-6, side="right") - 1, 0, len(after) - 1)
        return np.asarray(motion.instrument[place])


def _why_not(drilling: Drilling) -> str | None:
    if not drilling.course.is_recorded:
        return "only a recorded motion shows how it was drilled"
    return None if drilling.steps else "the exercise names no drills"


def drill_order(drilling: Drilling) -> tuple[Reading, ...]:
    """`implant.drill_order`: 1 where each permitted step removed something, in the order given; else 0."""
    reading, why = "implant.drill_order", _why_not(drilling)
    if why is not None:
        return (unmeasured(reading, why, unit="1", status="not_applicable"),)
    cell = drilling.course.field.spacing_mm**3
    firsts: list[float] = []
    for name in drilling.steps:
        times = drilling.times(name)
        if len(times) * cell >= LEAST_MM3:
            firsts.append(float(times[0]))
    used = len(firsts) == len(drilling.steps)
    value = float(used and firsts == sorted(firsts))
    words = None if value else _said(drilling)
    witness = Witness("curve", curves_mm=drilling.course.path.curves_mm)
    return (measured(reading, value, unit="1", budget=(), witness=witness, reason=words),)


def _said(drilling: Drilling) -> str:
    """Which steps were left out, and which came where a wider one had been before and found nothing to remove."""
    cell = drilling.course.field.spacing_mm**3
    idle = [name for name in drilling.steps if len(drilling.times(name)) * cell < LEAST_MM3]
    if not idle:
        return "the steps were used in another order"
    late = [name for name in idle if drilling.went_in(name)]
    left_out = [name for name in idle if name not in late]
    said = [f"not used: {', '.join(left_out)}"] if left_out else []
    said += [f"used where nothing was left for it to remove: {', '.join(late)}"] if late else []
    return "; ".join(said)


def contact_time_s(drilling: Drilling) -> tuple[Reading, ...]:
    """`implant.contact_time_s`: how long each drill was removing bone, breaks under 0.1 s counted in."""
    reading, why = "implant.contact_time_s", _why_not(drilling)
    names = drilling.steps or (None,)
    if why is not None:
        return tuple(unmeasured(reading, why, unit="s", where=name, status="not_applicable") for name in names)
    return tuple(_contact(drilling, name) for name in drilling.steps)


def _contact(drilling: Drilling, name: str) -> Reading:
    times = drilling.times(name)
    spans = spells(times, apart_s=PAUSE_IN_CUTTING_S)
    total = sum(float(times[last] - times[first]) for first, last in spans)
    # Each stretch begins and ends somewhere between two samples.
    u = drilling.course.step_s * np.sqrt(len(spans) / 6.0)
    tips = drilling.course.motion.tip_mm[:: max(1, len(drilling.course.motion.tip_mm) // 200)]
    witness = Witness("points", points_mm=tips)
    budget = (Component("time between samples", float(u)),)
    return measured("implant.contact_time_s", total, unit="s", budget=budget, witness=witness, where=name)
