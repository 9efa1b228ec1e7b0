"""From single slices to one volume: sorted along their normal, checked for what is missing, repeated or turned, evened.

Positions and directions are DICOM's: patient coordinates, left-posterior-superior, millimetres.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from kerfmark.errors import InputError
from kerfmark.records import FloatArray, Remark

__all__ = ["Slice", "Stack", "stack_of"]

SAME_DIRECTION = 1e-3
SAME_MM = 0.01
EVEN = 0.01
"""Steps that differ by less than this part are even; positions are written with few digits."""
WHOLE = 0.05
"""How far from a whole number of steps a gap may be that lost slices leave."""
COMMON = 0.75
"""Of all steps at least so many are alike where a longer one means lost slices."""
OFF_LINE_MM = 0.1
STRAIGHT_DEG = 0.1
LONGEST_STEPS = 8.0


@dataclass(frozen=True, slots=True, eq=False)
class Slice:
    """One slice's head: where it came from and where it lies.

    Attributes
    ----------
    name : str
        Its file, as messages call it.
    position_mm : (3,) float array
        Centre of its first voxel.
    along_row, along_column : (3,) float arrays
        Unit directions in which the column's and the row's number rise.
    spacing_mm : (float, float)
        Between columns (along a row), and between rows.
    shape : (int, int)
        Columns, rows.
    number : int or None
        Its number in the series, where it has one.
    """

    name: str
    position_mm: FloatArray
    along_row: FloatArray
    along_column: FloatArray
    spacing_mm: tuple[float, float]
    shape: tuple[int, int]
    number: int | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Stack:
    """How slices make a volume.

    Attributes
    ----------
    order : tuple of int
        Which slice comes first, second, …
    matrix : (4, 4) float array
        Voxel indices (column, row, slice) to LPS mm, for even slices.
    places : (n,) float array or None
        Where uneven slices stand, in even steps from the first; None where they are even.
    count : int
        Slices of the volume: more than were given where they are uneven.
    remarks : tuple of Remark
    """

    order: tuple[int, ...]
    matrix: FloatArray
    places: FloatArray | None
    count: int
    remarks: tuple[Remark, ...] = ()


def stack_of(slices: Sequence[Slice], *, name: str) -> Stack:
    """How the slices of one series stand over each other.

    A tilted gantry leaves each slice shifted against the one before; the shift becomes part of the axes, so that no grey
    is changed by it. Uneven steps are brought to the shortest one.

    Raises
    ------
    InputError
        If a slice is turned, of another size, repeated or missing, or does not stand in line with the others.
    """
    if len(slices) < 2:
        raise InputError(f"{name}: holds one slice, expected a series of at least two. Hand in the whole series.")
    _check_alike(slices, name=name)
    normal = np.cross(slices[0].along_row, slices[0].along_column)
    heights = np.array([s.position_mm @ normal for s in slices])
    order = np.argsort(heights, kind="stable")
    inside = [slices[i] for i in order]
    steps = np.diff(heights[order])
    _check_none_repeated(inside, steps, name=name)
    _check_none_missing(inside, steps, name=name)
    drift = _drift(inside, heights[order], normal, name=name)
    even = float(np.ptp(steps)) <= max(EVEN * float(np.median(steps)), 2 * SAME_MM)
    step = float(steps.mean()) if even else float(steps.min())
    places = None if even else (heights[order] - heights[order][0]) / step
    count = len(inside) if places is None else int(np.floor(places[-1] + 1e-6)) + 1
    matrix = np.eye(4)
    matrix[:3, 0] = inside[0].along_row * inside[0].spacing_mm[0]
    matrix[:3, 1] = inside[0].along_column * inside[0].spacing_mm[1]
    matrix[:3, 2] = (normal + drift) * step
    matrix[:3, 3] = inside[0].position_mm
    return Stack(
        tuple(int(i) for i in order), matrix, places, count, (*_tilt(drift, name), *_uneven(steps, even, name))
    )


def _check_alike(slices: Sequence[Slice], *, name: str) -> None:
    first = slices[0]
    for other in slices[1:]:
        turned = max(
            float(np.abs(other.along_row - first.along_row).max()),
            float(np.abs(other.along_column - first.along_column).max()),
        )
        if turned > SAME_DIRECTION:
            raise InputError(
                f"{name}: slice {other.name} is turned against {first.name}, expected all slices of a series to lie the same way. "
                "Remove the turned slices or choose another series."
            )
        if other.shape != first.shape or not np.allclose(other.spacing_mm, first.spacing_mm, rtol=1e-3):
            raise InputError(
                f"{name}: slice {other.name} has {_size(other)}, {first.name} has {_size(first)}, expected one size in a series. "
                "Remove the slices that do not belong."
            )


def _size(one: Slice) -> str:
    return f"{one.shape[0]} × {one.shape[1]} voxels of {one.spacing_mm[0]:.4g} × {one.spacing_mm[1]:.4g} mm"


def _check_none_repeated(inside: Sequence[Slice], steps: FloatArray, *, name: str) -> None:
    close = np.flatnonzero(steps < max(SAME_MM, 0.02 * float(np.median(steps))))
    if len(close):
        a, b = inside[int(close[0])], inside[int(close[0]) + 1]
        more = f", and {len(close) - 1} more" if len(close) > 1 else ""
        raise InputError(
            f"{name}: slices {a.name} and {b.name} stand at the same place{more}, expected each once. Remove the repeated slices."
        )


def _check_none_missing(inside: Sequence[Slice], steps: FloatArray, *, name: str) -> None:
    """A gap of several common steps is lost slices where nearly all steps are the common one, or the numbers jump with it."""
    common = float(np.median(steps))
    alike = np.abs(steps - common) <= max(EVEN * common, 2 * SAME_MM)
    lost: list[tuple[int, int]] = []
    for k in np.flatnonzero(steps > 1.5 * common).tolist():
        times = float(steps[k]) / common
        whole = abs(times - round(times)) <= WHOLE * times
        before, after = inside[k].number, inside[k + 1].number
        jumps = before is not None and after is not None and abs(after - before) == round(times)
        if whole and (jumps or float(alike.mean()) >= COMMON):
            lost.append((k, round(times) - 1))
    if lost:
        k, count = lost[0]
        total = sum(n for _k, n in lost)
        raise InputError(
            f"{name}: {total} {'slice is' if total == 1 else 'slices are'} missing, {count} of them between {inside[k].name} and "
            f"{inside[k + 1].name} ({steps[k]:.3g} mm apart, the others {common:.3g} mm), expected a whole series. Export it again."
        )
    if steps.max() > LONGEST_STEPS * steps.min():
        raise InputError(
            f"{name}: its slices stand {steps.min():.3g} to {steps.max():.3g} mm apart, expected steps that differ by at most "
            f"{LONGEST_STEPS:g} times. Export one series with even steps."
        )


def _drift(inside: Sequence[Slice], heights: FloatArray, normal: FloatArray, *, name: str) -> FloatArray:
    """How far each slice moves sideways for each millimetre along the normal; straight lines only."""
    places = np.array([s.position_mm for s in inside])
    up = heights - heights[0]
    sideways = places - places[0] - up[:, None] * normal
    drift = (up @ sideways) / float(up @ up)
    off = np.linalg.norm(sideways - up[:, None] * drift, axis=1)
    worst = int(np.argmax(off))
    if off[worst] > OFF_LINE_MM:
        raise InputError(
            f"{name}: slice {inside[worst].name} stands {off[worst]:.2f} mm beside the line of the others, expected slices over each "
            "other. Remove it or choose another series."
        )
    return np.asarray(drift)


def _tilt(drift: FloatArray, name: str) -> tuple[Remark, ...]:
    tilt_deg = float(np.degrees(np.arctan(np.linalg.norm(drift))))
    if tilt_deg < STRAIGHT_DEG:
        return ()
    words = f"the gantry was tilted by {tilt_deg:.1f}°; its slices are set straight where they are resampled"
    return (Remark("gantry-tilt", name, words),)


def _uneven(steps: FloatArray, even: bool, name: str) -> tuple[Remark, ...]:
    if even:
        return ()
    words = f"slices stand {steps.min():.3g} to {steps.max():.3g} mm apart; resampled evenly every {steps.min():.3g} mm"
    return (Remark("uneven-slices", name, words),)
