"""Heads of rotary instruments as profiles of revolution: distance along the axis from the tip, radius.

Arcs become chords that lie less than 0.5 µm inside the arc. Every profile starts at the tip and ends at the back of
the head.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from kerfmark.records import FloatArray

__all__ = ["SHAPES", "TAPERS", "Arc", "HeadPath", "closed_profile", "path_of", "profile_along", "profile_of"]

SAGITTA_MM = 0.0005
TAPERS = ("taper, flat end", "taper, round end", "taper, round corners")


@dataclass(frozen=True, slots=True)
class Arc:
    """A piece of a circle about (`along_mm`, `height_mm`); angles from the axis' direction towards the tip (0) outwards (π/2)."""

    along_mm: float
    height_mm: float
    radius_mm: float
    start_rad: float
    end_rad: float

    def at(self, angle_rad: float) -> tuple[float, float]:
        """The point at an angle: distance along the axis, radius."""
        return (
            self.along_mm - self.radius_mm * float(np.cos(angle_rad)),
            self.height_mm + self.radius_mm * float(np.sin(angle_rad)),
        )

    def points(self) -> FloatArray:
        """Ends of its chords. An arc that passes its widest place has a point there, so that the diameter is exact."""
        start, end, top = self.start_rad, self.end_rad, np.pi / 2
        if start < top < end:
            before = Arc(self.along_mm, self.height_mm, self.radius_mm, start, top)
            after = Arc(self.along_mm, self.height_mm, self.radius_mm, top, end)
            return np.vstack([before.points()[:-1], after.points()])
        step = 2.0 * np.arccos(1.0 - min(SAGITTA_MM / self.radius_mm, 0.5))
        angles = np.linspace(start, end, max(2, int(np.ceil(abs(end - start) / step)) + 1))
        along = self.along_mm - self.radius_mm * np.cos(angles)
        return np.stack([along, self.height_mm + self.radius_mm * np.sin(angles)], axis=1)


HeadPath: TypeAlias = list["tuple[float, float] | Arc"]
"""A head from the tip to its back: points (distance along the axis, radius) joined by straight lines, and arcs."""


def _ball(diameter_mm: float, length_mm: float, **_: float) -> HeadPath:
    """A sphere, cut off by its neck where the head is shorter than the diameter."""
    radius = diameter_mm / 2
    length = min(length_mm, diameter_mm)
    end = float(np.arccos(np.clip(1.0 - length / radius, -1.0, 1.0)))
    return [Arc(radius, 0.0, radius, 0.0, end)]


def _inverted_cone(diameter_mm: float, length_mm: float, *, taper_deg: float = 12.0, **_: float) -> HeadPath:
    """Flat and widest at the tip, narrowing towards the shank by `taper_deg` between its two sides."""
    narrow = max(diameter_mm / 2 - length_mm * np.tan(np.radians(taper_deg / 2)), 0.05 * diameter_mm)
    return [(0.0, 0.0), (0.0, diameter_mm / 2), (length_mm, narrow)]


def _pear(diameter_mm: float, length_mm: float, *, taper_deg: float = 8.0, **_: float) -> HeadPath:
    """A round end of the full diameter, running smoothly into sides that narrow towards the shank."""
    radius, half = diameter_mm / 2, float(np.radians(taper_deg / 2))
    end = Arc(radius, 0.0, radius, 0.0, np.pi / 2 + half)
    along, wide = end.at(end.end_rad)
    narrow = max(wide - (length_mm - along) * np.tan(half), 0.05 * diameter_mm)
    return [end, (length_mm, narrow)] if length_mm > along else [end]


def _flame(diameter_mm: float, length_mm: float, **_: float) -> HeadPath:
    """A pointed arch, widest at three fifths of its length: one circle revolved about a chord."""
    widest, radius = 0.6 * length_mm, diameter_mm / 2
    curvature = (widest**2 + radius**2) / (2 * radius)
    start, end = -np.arcsin(widest / curvature), np.arcsin((length_mm - widest) / curvature)
    return [Arc(widest, radius - curvature, curvature, np.pi / 2 + float(start), np.pi / 2 + float(end))]


def _cylinder_flat(diameter_mm: float, length_mm: float, **_: float) -> HeadPath:
    return [(0.0, 0.0), (0.0, diameter_mm / 2), (length_mm, diameter_mm / 2)]


def _cylinder_round(diameter_mm: float, length_mm: float, **_: float) -> HeadPath:
    return [Arc(diameter_mm / 2, 0.0, diameter_mm / 2, 0.0, np.pi / 2), (length_mm, diameter_mm / 2)]


def _taper_flat(diameter_mm: float, length_mm: float, *, tip_mm: float, **_: float) -> HeadPath:
    return [(0.0, 0.0), (0.0, tip_mm / 2), (length_mm, diameter_mm / 2)]


def _taper_round(diameter_mm: float, length_mm: float, *, tip_mm: float, **_: float) -> HeadPath:
    """A cone that runs smoothly into a ball of diameter `tip_mm` at the tip.

    The half angle a solves R cos a − (L − ρ) sin a = ρ: the cone touches the ball and has radius R at length L.
    """
    radius, tip = diameter_mm / 2, tip_mm / 2
    half = float(np.arccos(tip / np.hypot(radius, length_mm - tip)) - np.arctan2(length_mm - tip, radius))
    return [Arc(tip, 0.0, tip, 0.0, np.pi / 2 - half), (length_mm, radius)]


def _taper_round_corners(
    diameter_mm: float, length_mm: float, *, tip_mm: float, corner_mm: float = 0.2, **_: float
) -> HeadPath:
    """A flat-ended cone, its end edge rounded by `corner_mm`; sides and end plane would meet at `tip_mm`."""
    half = float(np.arctan2(diameter_mm / 2 - tip_mm / 2, length_mm))
    height = float(tip_mm / 2 - corner_mm * np.tan((np.pi / 2 - half) / 2))
    return [(0.0, 0.0), Arc(corner_mm, height, corner_mm, 0.0, np.pi / 2 - half), (length_mm, diameter_mm / 2)]


def _egg(diameter_mm: float, length_mm: float, **_: float) -> HeadPath:
    """An ellipse of revolution, in chords."""
    angles = np.linspace(0.0, np.pi, 2 * int(np.ceil(np.pi / (4.0 * np.sqrt(SAGITTA_MM / length_mm)))) + 1)
    along, radius = length_mm / 2 * (1.0 - np.cos(angles)), diameter_mm / 2 * np.sin(angles).clip(0.0)
    return list(zip(along.tolist(), radius.tolist(), strict=True))


def _drill(diameter_mm: float, length_mm: float, *, point_deg: float = 118.0, **_: float) -> HeadPath:
    """A twist drill: a conical point of `point_deg` between its sides, then the full diameter."""
    point = float(diameter_mm / 2 / np.tan(np.radians(point_deg / 2)))
    return [(0.0, 0.0), (point, diameter_mm / 2), (length_mm, diameter_mm / 2)]


SHAPES: dict[str, Callable[..., HeadPath]] = {
    "ball": _ball,
    "inverted cone": _inverted_cone,
    "pear": _pear,
    "flame": _flame,
    "cylinder, flat end": _cylinder_flat,
    "cylinder, round end": _cylinder_round,
    "taper, flat end": _taper_flat,
    "taper, round end": _taper_round,
    "taper, round corners": _taper_round_corners,
    "egg": _egg,
    "drill": _drill,
}


def path_of(shape: str, *, diameter_mm: float, length_mm: float, **more: float) -> HeadPath:
    """A head from the tip to its back: points joined by straight lines, and arcs.

    Parameters
    ----------
    shape : str
        One of `SHAPES`.
    diameter_mm, length_mm : float
        Largest diameter and length of the head, mm.
    **more : float
        `tip_mm` of tapers, `taper_deg` between the sides of inverted cones and pears, `corner_mm`, `point_deg`.
    """
    return SHAPES[shape](diameter_mm, length_mm, **more)


def profile_of(shape: str, *, diameter_mm: float, length_mm: float, **more: float) -> FloatArray:
    """The profile of a head, closed onto the axis at both ends; parameters as for `path_of`.

    Returns
    -------
    profile_mm : (k, 2) float array
        Distance along the axis from the tip, radius; distances never decrease.
    """
    return profile_along(path_of(shape, diameter_mm=diameter_mm, length_mm=length_mm, **more))


def profile_along(path: HeadPath) -> FloatArray:
    """A path as points alone, closed onto the axis; arcs become chords."""
    points = [piece.points() if isinstance(piece, Arc) else np.array([piece]) for piece in path]
    return closed_profile(np.maximum(np.vstack(points), 0.0))


def closed_profile(profile_mm: FloatArray) -> FloatArray:
    """The profile with a point on the axis at both ends."""
    profile = np.asarray(profile_mm, dtype=float)
    start = [] if profile[0, 1] == 0.0 else [[profile[0, 0], 0.0]]
    end = [] if profile[-1, 1] == 0.0 else [[profile[-1, 0], 0.0]]
    return np.vstack([*(np.array([point]) for point in start), profile, *(np.array([point]) for point in end)])
