"""A motion cut into poses: every sample that cuts, and as many between two as keep the head's steps short."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.poses import make_run
from kerfmark.records import FloatArray, Motion

__all__ = ["NextPoses", "Poses", "axes_of", "cutting_stretches", "poses_of", "run_of_poses"]


@dataclass(frozen=True, slots=True, eq=False)
class Poses:
    """A run of poses of one instrument, in the kernels' form (`kerfmark.kernels.sweep`), relative to a grid's origin.

    Attributes
    ----------
    instrument : int
    columns : (7, n) float32 array
        Tip, axis, time after the motion's first; columns beyond the last window hold nothing. The first may be the pose before
        the run, which is not swept again.
    linked : (n,) bool array
        The head moved here, cutting, from the pose before.
    spans : (w, 2) int32 array
        Windows: first and end pose.
    windows : (8, w) float32 array
        Middle pose, and how far any point of the head is from there within the window.
    """

    instrument: int
    columns: NDArray[np.float32]
    linked: NDArray[np.bool_]
    spans: NDArray[np.int32]
    windows: NDArray[np.float32]

    @property
    def swept(self) -> int:
        """Poses to sweep."""
        return int((self.spans[:, 1] - self.spans[:, 0]).sum())


def axes_of(orientation: FloatArray) -> FloatArray:
    """Unit axes from tip to handle (n, 3) of unit quaternions w, x, y, z: where each carries +z."""
    w, x, y, z = orientation.T
    return np.stack([2.0 * (x * z + w * y), 2.0 * (y * z - w * x), 1.0 - 2.0 * (x * x + y * y)], axis=1)


def cutting_stretches(motion: Motion) -> NDArray[np.bool_]:
    """(n,) whether the stretch that ends at each sample cuts; at the first sample, whether it cuts where it stands."""
    cuts = motion.joined & motion.cutting
    cuts[1:] &= motion.cutting[:-1] & (motion.instrument[1:] == motion.instrument[:-1])
    cuts[0] = motion.cutting[0]
    return cuts


def poses_of(
    motion: Motion, cuts: NDArray[np.bool_], first: int, end: int, *, origin_mm: FloatArray, reach_mm: FloatArray, step_mm: float
) -> Iterator[Poses]:  # fmt: skip
    """The poses of the stretches that end at samples `first` to `end`, in order, a run for each instrument held.

    Parameters
    ----------
    motion : Motion
    cuts : (n,) bool array
        From `cutting_stretches`.
    first, end : int
    origin_mm : (3,) float array
        Poses are given relative to this.
    reach_mm : (k,) float array
        Of each instrument: how far from the tip its head goes.
    step_mm : float
        No point of the head moves farther from one pose to the next.
    """
    stretches = first + np.flatnonzero(cuts[first:end])
    held = motion.instrument[stretches]
    for run in np.split(stretches, np.flatnonzero(np.diff(held)) + 1):
        if len(run):
            reach = float(reach_mm[motion.instrument[run[0]]])
            yield _run(motion, cuts, run, origin_mm=origin_mm, reach_mm=reach, step_mm=step_mm)


def _run(
    motion: Motion, cuts: NDArray[np.bool_], ends: NDArray[np.intp], *, origin_mm: FloatArray, reach_mm: float, step_mm: float
) -> Poses:  # fmt: skip
    some = slice(max(int(ends[0]) - 1, 0), int(ends[-1]) + 1)
    return run_of_poses(
        motion.tip_mm[some], motion.orientation[some], motion.time_s[some] - motion.time_s[0], cuts[some], ends - some.start,
        instrument=int(motion.instrument[ends[0]]), origin_mm=origin_mm, reach_mm=reach_mm, step_mm=step_mm,
    )  # fmt: skip


def run_of_poses(
    tip_mm: FloatArray, orientation: FloatArray, seconds: FloatArray, cuts: NDArray[np.bool_], ends: NDArray[np.intp], *,
    instrument: int, origin_mm: FloatArray, reach_mm: float, step_mm: float,
) -> Poses:  # fmt: skip
    """The poses of the stretches that end at samples `ends` of a piece of a motion, all of one instrument.

    The piece begins with the sample before the first stretch; an end of 0 is the motion's first sample, which cuts where it
    stands. `seconds` count from the motion's first sample.
    """
    tip, turns, parts = np.ascontiguousarray(tip_mm), np.ascontiguousarray(orientation), np.empty(len(ends), np.int64)
    found, room = np.empty(2, dtype=np.int64), 2 * len(ends) + 8
    while True:
        columns, linked = np.empty((7, room), dtype=np.float32), np.empty(room, dtype=bool)
        spans, windows = np.empty((room, 2), dtype=np.int32), np.empty((8, room), dtype=np.float32)
        make_run(
            tip, turns, seconds, cuts, ends, origin_mm, reach_mm, step_mm, parts, columns, linked, spans, windows, found
        )  # fmt: skip
        room, count = found.tolist()
        if count >= 0:
            return Poses(instrument, columns, linked, spans[:count], windows[:, :count])


FEW_POSES = 64
"""Room for one stretch's poses: a step of half a voxel at 2 m/s and 1 kHz needs more, and is made by itself."""


class NextPoses:
    """The poses of one stretch after another, made in the same room: for a session, whose every call counts.

    Write `tip_mm` (2, 3), `orientation` (2, 4), `seconds` (2,) and `cuts` (2,) in place, then call it. What it gives holds until
    it is called again.
    """

    def __init__(self, *, origin_mm: FloatArray, reach_mm: float, step_mm: float) -> None:
        self.tip_mm, self.orientation, self.seconds = np.zeros((2, 3)), np.zeros((2, 4)), np.zeros(2)
        self.cuts = np.array([False, True])
        self._origin_mm, self._reach_mm, self._step_mm = np.array(origin_mm, dtype=float), reach_mm, step_mm
        self._columns, self._linked = np.empty((7, FEW_POSES), dtype=np.float32), np.empty(FEW_POSES, dtype=bool)
        self._spans, self._windows = np.empty((FEW_POSES, 2), dtype=np.int32), np.empty((8, FEW_POSES), np.float32)
        self._ends, self._parts, self._found = np.array([1]), np.empty(1, np.int64), np.empty(2, dtype=np.int64)
        self._make = make_run.bound(
            self.tip_mm, self.orientation, self.seconds, self.cuts, self._ends, self._origin_mm, reach_mm, step_mm,
            self._parts, self._columns, self._linked, self._spans, self._windows, self._found,
        )  # fmt: skip

    def __call__(self) -> Poses:
        """The poses of the stretch that stands in the arrays."""
        self._make()
        count = int(self._found[1])
        if count < 0:
            return run_of_poses(
                self.tip_mm, self.orientation, self.seconds, self.cuts, self._ends, instrument=0, origin_mm=self._origin_mm,
                reach_mm=self._reach_mm, step_mm=self._step_mm,
            )  # fmt: skip
        return Poses(0, self._columns, self._linked, self._spans[:count], self._windows[:, :count])
