"""Plates with a line to follow on their top face. Origin: centre of the top face, +z up."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from kerfmark.errors import InputError, printable
from kerfmark.geometry.solids import Solid
from kerfmark.records import FloatArray, Surface

__all__ = ["LINES", "Plate", "line_on_plate", "plate"]

POINT_SPACING_MM = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Plate:
    """A plate and the line to follow: the line's points lie on its top face, `POINT_SPACING_MM` apart, start to end."""

    size_mm: tuple[float, float, float]
    surface: Surface
    line_mm: FloatArray
    width_mm: float
    depth_mm: float


def plate(
    line: str = "straight",
    *,
    length_mm: float = 20.0,
    width_mm: float = 1.0,
    depth_mm: float = 1.0,
    size_mm: tuple[float, float, float] = (30.0, 20.0, 4.0),
    edge_mm: float = 0.5,
) -> Plate:
    """A plate with a line of a given shape on it.

    Parameters
    ----------
    line : str
        One of `LINES`: straight, arc, wave, circle, corner.
    length_mm : float, mm
        Span of the line along x (a circle's diameter, a corner's arm).
    width_mm, depth_mm : float, mm
        Of the groove to be cut along it.
    size_mm : (3,) float, mm
        Of the plate.
    edge_mm : float, mm
        About the longest edge of the surface, 0.05 to 5.

    Returns
    -------
    plate : Plate

    Raises
    ------
    InputError
        If the line is unknown, the groove does not fit on the plate, or is as deep as the plate is thick.

    Examples
    --------
    >>> plate("straight", length_mm=10.0).line_mm[[0, -1]].tolist()
    [[-5.0, 0.0, 0.0], [5.0, 0.0, 0.0]]
    """
    points = line_on_plate(line, length_mm=length_mm)
    _check(points, size_mm, width_mm=width_mm, depth_mm=depth_mm, edge_mm=edge_mm)
    half = np.array([0.5 * size_mm[0], 0.5 * size_mm[1], 0.0])
    body = Solid.box(-half - [0.0, 0.0, size_mm[2]], half).refined(edge_mm)
    return Plate(size_mm, body.surface(), points, width_mm, depth_mm)


def line_on_plate(line: str, *, length_mm: float) -> FloatArray:
    """Points of a line of a given shape, evenly spaced along it, in the plane z = 0; (k, 3), mm."""
    if line not in LINES:
        raise InputError(f"line is '{printable(line, limit=40)}', expected one of {', '.join(LINES)}. Choose one.")
    if not (np.isfinite(length_mm) and 1.0 <= length_mm <= 200.0):
        raise InputError(f"length_mm is {length_mm:g}, expected 1 to 200 mm. Choose a length in between.")
    flat = _even(length_mm * LINES[line](np.linspace(0.0, 1.0, 4001)))
    return np.column_stack([flat, np.zeros(len(flat))])


def _even(points: FloatArray) -> FloatArray:
    """The polyline taken anew at equal steps of at most `POINT_SPACING_MM`, ends kept."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    at = np.linspace(0.0, along[-1], int(np.ceil(along[-1] / POINT_SPACING_MM - 1e-9)) + 1)
    return np.column_stack([np.interp(at, along, points[:, k]) for k in range(2)])


def _straight(t: FloatArray) -> FloatArray:
    return np.column_stack([t - 0.5, np.zeros_like(t)])


def _arc(t: FloatArray) -> FloatArray:
    """A third of a circle: chord 1, sagitta 0.289."""
    turn = np.radians(150.0 - 120.0 * t)
    radius = 0.5 / np.sin(np.radians(60.0))
    points: FloatArray = radius * np.column_stack([np.cos(turn), np.sin(turn) - 0.75])
    return points


def _wave(t: FloatArray) -> FloatArray:
    return np.column_stack([t - 0.5, 0.12 * np.sin(4.0 * np.pi * t)])


def _circle(t: FloatArray) -> FloatArray:
    turn = 2.0 * np.pi * t
    return 0.5 * np.column_stack([np.cos(turn), np.sin(turn)])


def _corner(t: FloatArray) -> FloatArray:
    """Along x, round a right angle of radius 0.1, then along y."""
    arm, radius = 0.5, 0.1
    turn = np.pi / 2 * np.clip((t - 0.45) / 0.1, 0.0, 1.0)
    first = (arm - radius) * np.minimum(t / 0.45, 1.0)
    last = (arm - radius) * np.maximum((t - 0.55) / 0.45, 0.0)
    x = first + radius * np.sin(turn)
    y = radius * (1.0 - np.cos(turn)) + last
    return np.column_stack([x, y]) - 0.5 * arm


LINES: dict[str, Callable[[FloatArray], FloatArray]] = {
    "straight": _straight, "arc": _arc, "wave": _wave, "circle": _circle, "corner": _corner,
}  # fmt: skip
"""Shapes of line, each from 0 to 1 along it, for a length of 1."""


def _check(
    points: FloatArray, size_mm: tuple[float, float, float], *, width_mm: float, depth_mm: float, edge_mm: float
) -> None:
    if len(size_mm) != 3 or not all(np.isfinite(s) and 0.5 <= s <= 300.0 for s in size_mm):
        raise InputError(f"plate size_mm is {list(size_mm)}, expected three lengths from 0.5 to 300 mm. Correct it.")
    if not 0.05 <= edge_mm <= 5.0:
        raise InputError(f"plate edge_mm is {edge_mm}, expected 0.05 to 5 mm. Choose an edge length in between.")
    if not 0.0 < depth_mm < size_mm[2] or not width_mm > 0.0:
        raise InputError(
            f"the groove is {width_mm:g} mm wide and {depth_mm:g} mm deep, expected a width above 0 and a depth below "
            f"the plate's thickness of {size_mm[2]:g} mm. Correct the groove or the plate."
        )
    room = float((0.5 * np.asarray(size_mm[:2]) - np.abs(points[:, :2]).max(axis=0)).min()) - 0.5 * width_mm
    if room < 0.5:
        raise InputError(
            f"the groove ends {room:.2f} mm inside the plate's edge, expected at least 0.5 mm. Shorten the line or "
            "widen the plate."
        )
