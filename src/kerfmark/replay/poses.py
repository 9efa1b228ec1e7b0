"""A motion cut into poses: every sample that cuts, and as many between two as keep the head's steps short."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.records import FloatArray, Motion

__all__ = ["WINDOW", "Poses", "axes_of", "cutting_stretches", "poses_of"]

WINDOW = 16


@dataclass(frozen=True, slots=True, eq=False)
class Poses:
    """A run of poses of one instrument, in the kernels' form (`kerfmark.kernels.sweep`), relative to a grid's origin.

    Attributes
    ----------
    instrument : int
    columns : (7, n) float32 array
        Tip, axis, time after the motion's first. The first may be the pose before the run, which is not swept again.
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
    starts = np.maximum(ends - 1, 0)
    tip0, tip1 = motion.tip_mm[starts] - origin_mm, motion.tip_mm[ends] - origin_mm
    axis0, axis1 = axes_of(motion.orientation[starts]), axes_of(motion.orientation[ends])
    turn, angle = _turns(motion.orientation[starts], motion.orientation[ends])
    swing = angle * _length(_cross(turn, axis0))
    moved = _length(tip1 - tip0) + reach_mm * swing
    parts = np.maximum(np.ceil(moved / step_mm), 1.0).astype(np.int64)
    begins = ~cuts[starts] & (ends > 0)
    before = bool(not begins[0] and ends[0] > 0)
    counts = parts + begins
    counts[0] += before
    which = np.repeat(np.arange(len(ends)), counts)
    number = np.arange(len(which)) - np.repeat(np.cumsum(counts) - counts, counts)
    number += np.where(counts > parts, 0, 1)[which]
    share = number / parts[which]
    tip, axis = _between(tip0, tip1, axis0, axis1, turn, angle, which, share)
    seconds = motion.time_s - motion.time_s[0]
    time = seconds[starts][which] + share * (seconds[ends] - seconds[starts])[which]
    time = np.where(share >= 1.0, seconds[ends][which], time)
    columns = np.ascontiguousarray(np.column_stack([tip, axis, time]).T, dtype=np.float32)
    linked = (number > 0) & (ends[which] > 0)
    spans, windows = _windows(columns, linked, skip=int(before), reach_mm=reach_mm)
    return Poses(int(motion.instrument[ends[0]]), columns, linked, spans, windows)


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Row by row, as numpy's is slow."""
    (x, y, z), (u, v, w) = a.T, b.T
    return np.stack([y * w - z * v, z * u - x * w, x * v - y * u], axis=1)


def _length(a: FloatArray) -> FloatArray:
    x, y, z = a.T
    length: FloatArray = np.sqrt(x * x + y * y + z * z)
    return length


def _turns(before: FloatArray, after: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Axis (unit, or 0) and angle (rad) of the shortest turn from one orientation to the other."""
    w0, v0, w1, v1 = before[:, 0], before[:, 1:], after[:, 0], after[:, 1:]
    w = w1 * w0 + np.einsum("ij,ij->i", v1, v0)
    v = v1 * w0[:, None] - v0 * w1[:, None] - _cross(v1, v0)
    v = np.where(w[:, None] < 0.0, -v, v)
    length = _length(v)
    return v / np.maximum(length, 1e-300)[:, None], 2.0 * np.arctan2(length, np.abs(w))


def _between(
    tip0: FloatArray, tip1: FloatArray, axis0: FloatArray, axis1: FloatArray, turn: FloatArray, angle: FloatArray,
    which: NDArray[np.intp], share: FloatArray,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """Tip and axis at each share of its stretch; at its ends they are the samples' own, to the last bit."""
    tip, axis = tip1[which], axis1[which]
    inner = np.flatnonzero(share < 1.0)
    if len(inner):
        at, t = which[inner], share[inner, None]
        tip[inner] = np.where(t > 0.0, tip0[at] + t * (tip1[at] - tip0[at]), tip0[at])
        a, u, phi = axis0[at], turn[at], t * angle[at, None]
        turned = a * np.cos(phi) + _cross(u, a) * np.sin(phi)
        turned += u * np.einsum("ij,ij->i", u, a)[:, None] * (1.0 - np.cos(phi))
        axis[inner] = np.where(t > 0.0, turned, a)
    return tip, axis


def _windows(
    columns: NDArray[np.float32], linked: NDArray[np.bool_], *, skip: int, reach_mm: float
) -> tuple[NDArray[np.int32], NDArray[np.float32]]:
    """Runs of at most 16 linked poses, and the middle pose of each with how far the head strays from it."""
    count = columns.shape[1]
    runs = np.flatnonzero(~linked | (np.arange(count) == skip))
    runs = runs[runs >= skip]
    place = np.arange(count)
    place[skip:] -= np.repeat(runs, np.diff(np.append(runs, count)))
    first = skip + np.flatnonzero(place[skip:] % WINDOW == 0)
    end = np.append(first[1:], count)
    middle = (first + end) // 2
    home = np.repeat(middle, end - first)
    away = columns[:6, skip:] - columns[:6, home]
    stray = np.sqrt((away[:3] ** 2).sum(axis=0)) + reach_mm * np.sqrt((away[3:] ** 2).sum(axis=0))
    windows = np.zeros((8, len(first)), dtype=np.float32)
    windows[:6] = columns[:6, middle]
    windows[6] = np.maximum.reduceat(stray, first - skip) * (1.0 + 1e-5) + 1e-5
    return np.stack([first, end], axis=1).astype(np.int32), windows
