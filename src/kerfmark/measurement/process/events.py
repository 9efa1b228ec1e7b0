"""What went wrong while a piece was cut, each with its time, place and depth: cuts outside, neighbours touched, pulp opened."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.grids import sample
from kerfmark.instruments import Instrument, instrument
from kerfmark.intake.motions.turning import turned
from kerfmark.measurement.budget import measured, unmeasured
from kerfmark.measurement.process.course import Course, Removed, removed_of, spells
from kerfmark.records import Component, Event, FloatArray, IntArray, Reading, Witness

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared
    from kerfmark.records import Piece

__all__ = ["entries_outside", "events"]

PULP = "pulp"
TOUCH_APART_S = 0.5
SHALLOW = 3.0
AROUND = 8
LOOKED_AT_S = 0.01


def events(piece: Piece, prepared: Prepared) -> tuple[Event, ...]:
    """Every event of a recorded piece in order of time; none of a piece that was not recorded.

    Parameters
    ----------
    piece : Piece
    prepared : Prepared

    Returns
    -------
    events : tuple of Event
    """
    course = Course(piece, prepared)
    if not course.is_recorded:
        return ()
    found = [*_outside(course), *_neighbours(course), *_pulp(course)]
    return tuple(sorted(found, key=lambda event: event.start_s))


def entries_outside(course: Course) -> tuple[Reading, ...]:
    """`process.entries_outside`: cuts outside the permitted envelope deeper than 3 u of a surface point."""
    name = "process.entries_outside"
    if course.prepared.envelope_grid is None:
        return (unmeasured(name, "the exercise has no envelope", unit="1", status="not_applicable"),)
    found = _entries(course)
    sure = [event for event in found if event.depth_mm > SHALLOW * course.u_mm]
    unclear = sum(course.u_mm < event.depth_mm < (SHALLOW + 2.0) * course.u_mm for event in found)
    budget = (Component("entries about as deep as 3 u", 0.5 * math.sqrt(unclear)),)
    witness = Witness("points", points_mm=np.array([event.point_mm for event in sure]).reshape(-1, 3))
    return (measured(name, len(sure), unit="1", budget=budget, witness=witness),)


def _outside(course: Course) -> list[Event]:
    if course.prepared.envelope_grid is None:
        return []
    return [event for event in _entries(course) if event.depth_mm > SHALLOW * course.u_mm]


def _entries(course: Course) -> list[Event]:
    """Begins when material outside is first removed, ends when the head is wholly back inside or out of the subject."""
    envelope, removed = course.prepared.envelope_grid, course.removed
    assert envelope is not None
    depth = sample(envelope, removed.points_mm)
    beyond = depth > 0.0
    points, times, depth = removed.points_mm[beyond], removed.time_s[beyond], depth[beyond]
    spans = spells(times, apart_s=2.0 * course.step_s)
    clear = _clear_times(course, float(times[0])) if spans else np.empty(0)
    found: list[Event] = []
    first = 0
    for n, (_, last) in enumerate(spans):
        following = float(times[spans[n + 1][0]]) if n + 1 < len(spans) else math.inf
        next_clear = int(np.searchsorted(clear, times[last], side="right"))
        end = float(clear[next_clear]) if next_clear < len(clear) else math.inf
        if end > following:
            continue
        deepest = first + int(np.argmax(depth[first : last + 1]))
        ended = min(end, float(course.motion.time_s[-1] - course.field.start_s))
        found.append(Event("outside", float(times[first]), ended, points[deepest], float(depth[deepest])))
        first = last + 1
    return found


def _clear_times(course: Course, from_s: float) -> FloatArray:
    """When, from a time on and every 10 ms, the head is wholly inside the envelope or out of the subject."""
    after = course.motion.time_s - course.field.start_s
    poses = np.flatnonzero(after >= from_s)[:: max(1, round(LOOKED_AT_S / course.step_s))]
    return np.asarray(after[poses[_is_clear(course, poses)]])


def _is_clear(course: Course, poses: IntArray | NDArray[np.intp]) -> NDArray[np.bool_]:
    """For each pose, whether no point of the head is both outside the envelope and in the subject as it was."""
    envelope = course.prepared.envelope_grid
    assert envelope is not None
    clear = np.ones(len(poses), dtype=bool)
    own = tuple((entry.name, tuple(map(tuple, entry.profile_mm))) for entry in course.prepared.exercise.instruments)
    for n, name in enumerate(course.motion.instruments):
        of_it = np.flatnonzero(course.motion.instrument[poses] == n)
        if not len(of_it):
            continue
        points = _placed(_head_points(name, own), course, poses[of_it])
        outside = sample(envelope, points.reshape(-1, 3)) > SHALLOW * course.u_mm
        within = sample(course.prepared.subject_grid, points.reshape(-1, 3)) < 0.0
        clear[of_it] = ~(outside & within).reshape(len(of_it), -1).any(axis=1)
    return clear


@lru_cache(maxsize=64)
def _head_points(name: str, own: tuple[tuple[str, tuple[tuple[float, ...], ...]], ...]) -> FloatArray:
    """(n, 3) points on a head's surface, tip at the origin, axis +z."""
    tool: Instrument = instrument(name, own=dict(own))
    along = np.linspace(0.0, tool.length_mm, 12)
    radius = np.interp(along, *tool.profile_mm.T)
    turn = 2.0 * np.pi * np.arange(AROUND) / AROUND
    ring = np.stack([np.outer(radius, np.cos(turn)), np.outer(radius, np.sin(turn))], axis=2)
    heights = np.broadcast_to(along[:, None, None], (len(along), AROUND, 1))
    return np.concatenate([ring, heights], axis=2).reshape(-1, 3)


def _placed(points: FloatArray, course: Course, poses: IntArray | NDArray[np.intp]) -> FloatArray:
    """(poses, n, 3) points of the head in the tooth frame."""
    orientation = course.motion.orientation[poses][:, None, :]
    return np.asarray(turned(orientation, points[None]) + course.motion.tip_mm[poses][:, None, :])


def _neighbours(course: Course) -> list[Event]:
    """Every touch of a neighbour that took more from it than 3 u of a surface point."""
    found = []
    for side, field in course.piece.neighbour_cuts.items():
        grid = course.prepared.neighbour_grids[side]
        removed = removed_of(field, grid)
        depth = -sample(grid, removed.points_mm)
        found += _touches("neighbour", removed, depth, side=side, least_mm=SHALLOW * course.u_mm)
    return found


def _pulp(course: Course) -> list[Event]:
    """Every time the pulp was cut into deeper than 3 u of a surface point."""
    grid = course.prepared.layer_grids.get(PULP)
    if grid is None:
        return []
    depth = -sample(grid, course.removed.points_mm)
    within = depth > 0.0
    removed = Removed(course.removed.points_mm[within], course.removed.time_s[within])
    return _touches("pulp", removed, depth[within], least_mm=SHALLOW * course.u_mm)


def _touches(
    kind: Literal["neighbour", "pulp"], removed: Removed, depth: FloatArray, *, least_mm: float, side: str | None = None
) -> list[Event]:
    """One event for each spell of removal with no pause longer than half a second that went deeper than `least_mm`."""
    found = []
    for first, last in spells(removed.time_s, apart_s=TOUCH_APART_S):
        deepest = first + int(np.argmax(depth[first : last + 1]))
        if depth[deepest] <= least_mm:
            continue
        start, end = float(removed.time_s[first]), float(removed.time_s[last])
        place = removed.points_mm[deepest]
        found.append(Event(kind, start, end, place, float(depth[deepest]), side))
    return found
