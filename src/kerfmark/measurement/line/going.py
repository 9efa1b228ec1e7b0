"""How a recorded tool went along the line: lifts, passes, time, and how much steering that took."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.paths import beside_path
from kerfmark.measurement.budget import measured, unmeasured
from kerfmark.measurement.line.groove import Groove
from kerfmark.measurement.line.readings import completeness
from kerfmark.records import Component, FloatArray, Reading, Witness

__all__ = ["lifts", "needs_motion", "passes", "steering_bits_per_s", "time_s"]

TURNED_BACK = 0.1
"""A pass ends where the tool turns back by more than this part of the line."""
DRAWN_POINTS = 400


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """Samples near the line: time (s), place along it (mm), tip's depth below the old surface (mm), tip (n, 3)."""

    time_s: FloatArray
    along_mm: FloatArray
    depth_mm: FloatArray
    tip_mm: FloatArray

    @property
    def in_contact(self) -> NDArray[np.bool_]:
        """Where the tip stands below the old surface."""
        return self.depth_mm > 0.0


def needs_motion(
    name: str, unit: str, function: Callable[[Groove, Course], Reading]
) -> Callable[[Groove], tuple[Reading, ...]]:
    """The reading of a recorded piece; a scan of the groove cannot give it."""

    def taken(groove: Groove) -> tuple[Reading, ...]:
        if groove.piece.motion is None:
            return (unmeasured(name, "needs a recorded motion", unit=unit, status="not_applicable"),)
        course = _course(groove)
        if not course.in_contact.any():
            return (unmeasured(name, "the tool never touched the line", unit=unit),)
        return (function(groove, course),)

    return taken


def lifts(groove: Groove, course: Course) -> Reading:
    """`line.lifts`: how often the tool left the material between the line's ends and came back."""
    found, unclear = _lifted(groove, course)
    budget = (Component("lifts about as high as 3 u", 0.5 * math.sqrt(unclear)),)
    witness = Witness("points", points_mm=course.tip_mm[found])
    return measured("line.lifts", len(found), unit="1", budget=budget, witness=witness)


def _lifted(groove: Groove, course: Course) -> tuple[list[int], int]:
    """The highest sample of each lift clear of the surface by more than 3 u, and how many are about that high."""
    contact = np.flatnonzero(course.in_contact)
    found, unclear = [], 0
    for last, following in zip(contact[:-1].tolist(), contact[1:].tolist(), strict=True):
        if following == last + 1:
            continue
        top = last + int(np.argmin(course.depth_mm[last : following + 1]))
        where = 0.5 * (course.along_mm[last] + course.along_mm[following])
        if not 0.0 <= where <= groove.path.length_mm:
            continue
        height = -float(course.depth_mm[top])
        found += [top] if height > groove.least_mm else []
        unclear += abs(height - groove.least_mm) < groove.u_mm
    return found, unclear


def passes(groove: Groove, course: Course) -> Reading:
    """`line.passes`: the way along the line in contact over its length, turns of less than a tenth of it left out; whole."""
    along = np.clip(course.along_mm[course.in_contact], 0.0, groove.path.length_mm)
    turns = _turning_points(along, TURNED_BACK * groove.path.length_mm)
    way = float(np.abs(np.diff(turns)).sum()) / groove.path.length_mm
    value = max(1.0, round(way))
    budget = (Component("passes of part of the line", abs(way - value) / math.sqrt(3.0)),)
    return measured("line.passes", value, unit="1", budget=budget, witness=_way(course))


def _turning_points(along: FloatArray, least_mm: float) -> FloatArray:
    """Where the way turns back by more than `least_mm`, with its beginning and end."""
    turns, low, high, way = [float(along[0])], float(along[0]), float(along[0]), 0
    for place in along.tolist():
        low, high = min(low, place), max(high, place)
        if way >= 0 and high - place > least_mm:
            turns += [high] if way > 0 or high > turns[-1] else []
            way, low, high = -1, place, place
        elif way <= 0 and place - low > least_mm:
            turns += [low] if way < 0 or low < turns[-1] else []
            way, low, high = 1, place, place
    return np.array([*turns, high if way >= 0 else low])


def time_s(groove: Groove, course: Course) -> Reading:  # noqa: ARG001
    """`line.time_s`: from first to last contact."""
    return measured("line.time_s", _lasted(course), unit="s", budget=_time_budget(course), witness=_way(course))


def steering_bits_per_s(groove: Groove, course: Course) -> Reading:
    """`line.steering_bits_per_s`: length of the line that was followed over its width, over the time that took."""
    name, followed = "line.steering_bits_per_s", completeness(groove)[0]
    lasted = _lasted(course)
    if followed.value is None or lasted <= 0.0:
        return unmeasured(name, "the line was not followed", unit="bit/s")
    difficulty = followed.value * groove.path.length_mm / groove.planned_width_mm
    rate = difficulty / lasted
    budget = (
        Component("time", rate / lasted * _time_budget(course)[0].u),
        Component("part followed", rate * (followed.u or 0.0) / max(followed.value, 1e-9)),
    )
    return measured(name, rate, unit="bit/s", budget=budget, witness=_way(course))


def _course(groove: Groove) -> Course:
    motion = groove.piece.motion
    assert motion is not None
    along, _ = beside_path(
        read_only(motion.tip_mm, np.float64), read_only(groove.path.points, np.float64),
        read_only(groove.path.lengths, np.float64), float(groove.reach_mm),
    )  # fmt: skip
    near = np.flatnonzero(np.isfinite(along) & motion.cutting)
    depth = groove.top_at(motion.tip_mm[near, :2]) - motion.tip_mm[near, 2]
    near, depth = near[np.isfinite(depth)], depth[np.isfinite(depth)]
    return Course(motion.time_s[near], along[near], depth, motion.tip_mm[near])


def _lasted(course: Course) -> float:
    times = course.time_s[course.in_contact]
    return float(times[-1] - times[0])


def _time_budget(course: Course) -> tuple[Component, ...]:
    step = float(np.median(np.diff(course.time_s))) if len(course.time_s) > 1 else 0.0
    return (Component("sampling", step / math.sqrt(6.0)),)


def _way(course: Course) -> Witness:
    tips = course.tip_mm[course.in_contact]
    return Witness("curve", curves_mm=(tips[:: max(1, len(tips) // DRAWN_POINTS)],))
