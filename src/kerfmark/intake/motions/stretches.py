"""Which stretches between samples may be swept: no long gap in which the tool moved, no jump, no change of instrument."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.instruments import Instrument
from kerfmark.intake.motions.checking import NAMED, spans
from kerfmark.records import FloatArray, IntArray, Remark

__all__ = ["FASTEST_MM_S", "LONGEST_GAP_S", "MOVED_SHARE", "Stretches", "axes_of", "stretches_of"]

LONGEST_GAP_S = 0.1
MOVED_SHARE = 0.1
FASTEST_MM_S = 2000.0
UNEVEN = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """For each sample whether the stretch before it may be swept, the times nothing was seen, and what is worth saying."""

    joined: NDArray[np.bool_]
    unseen_s: FloatArray
    remarks: tuple[Remark, ...]


def axes_of(orientation: FloatArray) -> FloatArray:
    """(n, 3) unit directions from tip to handle: each quaternion's turn of +z."""
    w, x, y, z = orientation.T
    return np.stack([2.0 * (x * z + w * y), 2.0 * (y * z - w * x), 1.0 - 2.0 * (x * x + y * y)], axis=1)


def stretches_of(
    time_s: FloatArray,
    tip_mm: FloatArray,
    orientation: FloatArray,
    *,
    held: IntArray,
    tools: Sequence[Instrument],
    lost_before: NDArray[np.bool_],
    name: str,
) -> Stretches:
    """Judge every stretch from a sample to the next.

    Parameters
    ----------
    time_s, tip_mm, orientation
        Of the samples with a pose.
    held : (n,) int32 array
        Which of `tools`.
    tools : sequence of Instrument
    lost_before : (n,) bool array
        Whether rows without a pose stand between a sample and the one before.
    name : str

    Notes
    -----
    How far the tool moved is the way of its tip or of the back of its head, whichever is longer.
    """
    if len(time_s) < 2:
        return Stretches(np.zeros(len(time_s), dtype=bool), np.empty((0, 2)), ())
    diameter = np.array([tool.diameter_mm for tool in tools])[held]
    length = np.array([tool.length_mm for tool in tools])[held]
    back = tip_mm + length[:, None] * axes_of(orientation)
    moved = np.maximum(_steps(tip_mm), _steps(back))
    step = np.diff(time_s)
    long = step > LONGEST_GAP_S * (1.0 + 1e-9)
    gap = long & (moved > MOVED_SHARE * diameter[1:])
    jump = ~gap & (moved > FASTEST_MM_S * step)
    changed = held[1:] != held[:-1]
    pairs = np.stack([time_s[:-1], time_s[1:]], axis=1)
    remarks = (
        *_said("gap-not-cut", pairs[gap], moved[gap], "longer than 0.1 s in which the tool moved", "not cut through", name),
        *_said("gap-crossed", pairs[long & ~gap], moved[long & ~gap], "longer than 0.1 s in which the tool hardly moved", "taken as straight", name),
        *_jumps(pairs[jump], moved[jump], step[jump], name),
        *_uneven(step, name),
    )  # fmt: skip
    return Stretches(np.r_[False, ~(gap | jump | changed)], pairs[long | lost_before[1:]], remarks)


def _steps(points: FloatArray) -> FloatArray:
    """How far each point is from the one before."""
    x, y, z = (np.diff(points[:, n]) for n in range(3))
    return np.asarray(np.sqrt(x * x + y * y + z * z))


def _said(code: str, pairs: FloatArray, moved: FloatArray, what: str, fate: str, name: str) -> tuple[Remark, ...]:
    if not len(pairs):
        return ()
    notes = [f" (moved {m:.2f} mm)" for m in moved[:NAMED]]
    count = "1 gap" if len(pairs) == 1 else f"{len(pairs)} gaps"
    return (Remark(code, name, f"{count} {what}, {fate}: {spans(pairs[:NAMED], notes)}{_rest(len(pairs))}"),)


def _jumps(pairs: FloatArray, moved: FloatArray, step: FloatArray, name: str) -> tuple[Remark, ...]:
    if not len(pairs):
        return ()
    notes = [f" ({m:.2f} mm, {m / s / 1000.0:.1f} m/s)" for m, s in zip(moved[:NAMED], step[:NAMED], strict=True)]
    count = "1 jump" if len(pairs) == 1 else f"{len(pairs)} jumps"
    words = f"{count} faster than 2 m/s, not cut through: {spans(pairs[:NAMED], notes)}{_rest(len(pairs))}"
    return (Remark("jump-not-cut", name, words),)


def _rest(count: int) -> str:
    return f", and {count - NAMED} more" if count > NAMED else ""


def _uneven(step: FloatArray, name: str) -> tuple[Remark, ...]:
    """Said where steps between samples scatter by more than a tenth of the median, gaps left out."""
    typical = float(np.median(step))
    near = step[step < 3.0 * typical]
    low, high = np.percentile(near, [5.0, 95.0])
    if high - low <= 2.0 * UNEVEN * typical:
        return ()
    words = (
        f"samples are uneven: {1.0 / typical:.4g} a second at the median, steps of {1000.0 * low:.3g} to {1000.0 * high:.3g} ms "
        "(5th and 95th percentile)"
    )
    return (Remark("rate-uneven", name, words),)
