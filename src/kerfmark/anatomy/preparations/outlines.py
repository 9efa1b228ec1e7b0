"""Outlines of cavities as closed curves with normals: along a fissure, and rectangles with rounded corners.

Plane coordinates are those of the frame the cavity is looked at in: x to the right, y up, the tooth behind the plane.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from kerfmark.errors import InputError
from kerfmark.records import FloatArray

__all__ = ["Fissure", "Outline", "Rounded", "outline_curve"]

RAYS = 256
FARTHEST_MM = 12.0


@dataclass(frozen=True, slots=True)
class Fissure:
    """Two round ends joined by a narrower band, as a fissure is opened.

    Attributes
    ----------
    ends_mm : two (x, y) points
        The outermost points of the two round ends, along the line that joins them.
    isthmus_mm : float
        Width of the band between them.
    lobe_mm : float
        Width of the round ends.
    smooth_mm : float
        How softly ends and band run into one another.
    """

    ends_mm: tuple[tuple[float, float], tuple[float, float]]
    isthmus_mm: float
    lobe_mm: float
    smooth_mm: float = 0.5


@dataclass(frozen=True, slots=True)
class Rounded:
    """A rectangle with rounded corners: `low_mm` and `high_mm` are its (x, y) corners."""

    low_mm: tuple[float, float]
    high_mm: tuple[float, float]
    corner_mm: float = 0.3


Outline = Fissure | Rounded


def outline_curve(outline: Outline) -> tuple[FloatArray, FloatArray]:
    """The outline's points (k, 2), counter-clockwise, and its outward unit normals.

    Raises
    ------
    InputError
        If the outline has no inside.
    """
    field, centre, directions = _field_of(outline)
    inner, outer = np.zeros(len(directions)), np.full(len(directions), FARTHEST_MM)
    if field(centre[None])[0] >= 0.0:
        raise InputError("cavity plan: the outline has no inside, expected a width above 0. Widen it.")
    for _ in range(50):
        middle = 0.5 * (inner + outer)
        out = field(centre + middle[:, None] * directions) > 0.0
        inner, outer = np.where(out, inner, middle), np.where(out, middle, outer)
    points = centre + (0.5 * (inner + outer))[:, None] * directions
    step = 1e-5
    slope = np.stack([field(points + step * axis) - field(points - step * axis) for axis in np.eye(2)], axis=1)
    return points, slope / np.linalg.norm(slope, axis=1, keepdims=True)


def _field_of(outline: Outline) -> tuple[Callable[[FloatArray], FloatArray], FloatArray, FloatArray]:
    """A field that is negative inside, a middle that sees all of it, and the directions it is looked at in from there."""
    if isinstance(outline, Rounded):
        return _rounded_field(outline)
    a, b = (np.array(end) for end in outline.ends_mm)
    along = (b - a) / np.linalg.norm(b - a)
    radius, half = 0.5 * outline.lobe_mm, 0.5 * outline.isthmus_mm
    first, second = a + radius * along, b - radius * along

    def field(points: FloatArray) -> FloatArray:
        ends = [np.linalg.norm(points - c, axis=1) - radius for c in (first, second)]
        share = np.clip((points - first) @ along / np.linalg.norm(second - first), 0.0, 1.0)
        band = np.linalg.norm(points - first - share[:, None] * (second - first), axis=1) - half
        return _soft_min(_soft_min(ends[0], band, outline.smooth_mm), ends[1], outline.smooth_mm)

    return field, 0.5 * (a + b), _spread(b - a, outline.isthmus_mm)


def _rounded_field(outline: Rounded) -> tuple[Callable[[FloatArray], FloatArray], FloatArray, FloatArray]:
    low, high = np.array(outline.low_mm), np.array(outline.high_mm)
    half = 0.5 * (high - low)
    corner = min(outline.corner_mm, 0.98 * float(half.min()))

    def field(points: FloatArray) -> FloatArray:
        over = np.abs(points - 0.5 * (low + high)) - (half - corner)
        inside = np.minimum(over.max(axis=1), 0.0)
        return np.asarray(np.linalg.norm(np.maximum(over, 0.0), axis=1) + inside - corner)

    return field, 0.5 * (low + high), _corners_seen(half, corner)


def _spread(run: FloatArray, width: float) -> FloatArray:
    """Directions all round, denser towards the ends of a long narrow shape."""
    turn = np.linspace(0.0, 2.0 * np.pi, RAYS, endpoint=False)
    long, across = 0.5 * float(np.linalg.norm(run)), 0.5 * width
    flat = np.column_stack([long * np.cos(turn), max(across, 0.25 * long) * np.sin(turn)])
    along = run / np.linalg.norm(run)
    turned = flat[:, :1] * along + flat[:, 1:] * np.array([-along[1], along[0]])
    return np.asarray(turned / np.linalg.norm(turned, axis=1, keepdims=True))


def _corners_seen(half: FloatArray, corner: float) -> FloatArray:
    """Directions to points spread along a rounded rectangle, thirteen of them round each corner."""
    points = []
    for k, (sx, sy) in enumerate(((1, 1), (-1, 1), (-1, -1), (1, -1))):
        middle = np.array([sx, sy]) * (half - corner)
        arc = np.radians(90.0 * k + np.linspace(0.0, 90.0, 13))
        points.append(middle + corner * np.column_stack([np.cos(arc), np.sin(arc)]))
    ring = np.concatenate(points)
    run = np.linalg.norm(np.diff(ring, axis=0, append=ring[:1]), axis=1)
    extra = [
        ring[i]
        + np.linspace(0.0, 1.0, max(2, int(run[i] / 0.15)), endpoint=False)[:, None]
        * (ring[(i + 1) % len(ring)] - ring[i])
        for i in range(len(ring))
    ]
    spots = np.concatenate(extra)
    return np.asarray(spots / np.linalg.norm(spots, axis=1, keepdims=True))


def _soft_min(a: FloatArray, b: FloatArray, smooth: float) -> FloatArray:
    """The smaller of two fields, rounded where they are alike within `smooth`."""
    over = np.maximum(smooth - np.abs(a - b), 0.0)
    return np.asarray(np.minimum(a, b) - over**2 / (4.0 * smooth))
