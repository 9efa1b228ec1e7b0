"""Heads of rotary instruments as profiles of revolution: distance along the axis from the tip, radius.

Arcs become chords that lie less than 0.5 µm inside the arc. Every profile starts at the tip and ends at the back of
the head.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from kerfmark.records import FloatArray

__all__ = ["SHAPES", "TAPERS", "closed_profile", "profile_of"]

SAGITTA_MM = 0.0005
TAPERS = ("taper, flat end", "taper, round end", "taper, round corners")


def _arc(centre_mm: float, radius_mm: float, start_rad: float, end_rad: float, *, height_mm: float = 0.0) -> FloatArray:
    """Points of an arc about (centre, height), angles from the axis' direction towards the tip (0) outwards (π/2).

    An arc that passes its widest place has a point there, so that the diameter is exact.
    """
    if start_rad < np.pi / 2 < end_rad:
        first = _arc(centre_mm, radius_mm, start_rad, np.pi / 2, height_mm=height_mm)
        return np.vstack([first[:-1], _arc(centre_mm, radius_mm, np.pi / 2, end_rad, height_mm=height_mm)])
    step = 2.0 * np.arccos(1.0 - min(SAGITTA_MM / radius_mm, 0.5))
    angles = np.linspace(start_rad, end_rad, max(2, int(np.ceil(abs(end_rad - start_rad) / step)) + 1))
    return np.stack([centre_mm - radius_mm * np.cos(angles), height_mm + radius_mm * np.sin(angles)], axis=1)


def _ball(diameter_mm: float, length_mm: float, **_: float) -> FloatArray:
    """A sphere, cut off by its neck where the head is shorter than the diameter."""
    radius = diameter_mm / 2
    length = min(length_mm, diameter_mm)
    end = np.arccos(np.clip(1.0 - length / radius, -1.0, 1.0))
    return _arc(radius, radius, 0.0, end)


def _inverted_cone(diameter_mm: float, length_mm: float, *, taper_deg: float = 12.0, **_: float) -> FloatArray:
    """Flat and widest at the tip, narrowing towards the shank by `taper_deg` between its two sides."""
    narrow = max(diameter_mm / 2 - length_mm * np.tan(np.radians(taper_deg / 2)), 0.05 * diameter_mm)
    return np.array([[0.0, 0.0], [0.0, diameter_mm / 2], [length_mm, narrow]])


def _pear(diameter_mm: float, length_mm: float, *, taper_deg: float = 8.0, **_: float) -> FloatArray:
    """A round end of the full diameter, running smoothly into sides that narrow towards the shank."""
    radius, half = diameter_mm / 2, np.radians(taper_deg / 2)
    end = _arc(radius, radius, 0.0, np.pi / 2 + half)
    narrow = max(end[-1, 1] - (length_mm - end[-1, 0]) * np.tan(half), 0.05 * diameter_mm)
    return np.vstack([end, [length_mm, narrow]]) if length_mm > end[-1, 0] else end


def _flame(diameter_mm: float, length_mm: float, **_: float) -> FloatArray:
    """A pointed arch, widest at three fifths of its length: one circle revolved about a chord."""
    widest, radius = 0.6 * length_mm, diameter_mm / 2
    curvature = (widest**2 + radius**2) / (2 * radius)
    start, end = -np.arcsin(widest / curvature), np.arcsin((length_mm - widest) / curvature)
    return np.maximum(_arc(widest, curvature, np.pi / 2 + start, np.pi / 2 + end, height_mm=radius - curvature), 0.0)


def _cylinder_flat(diameter_mm: float, length_mm: float, **_: float) -> FloatArray:
    return np.array([[0.0, 0.0], [0.0, diameter_mm / 2], [length_mm, diameter_mm / 2]])


def _cylinder_round(diameter_mm: float, length_mm: float, **_: float) -> FloatArray:
    return np.vstack([_arc(diameter_mm / 2, diameter_mm / 2, 0.0, np.pi / 2), [length_mm, diameter_mm / 2]])


def _taper_flat(diameter_mm: float, length_mm: float, *, tip_mm: float, **_: float) -> FloatArray:
    return np.array([[0.0, 0.0], [0.0, tip_mm / 2], [length_mm, diameter_mm / 2]])


def _taper_round(diameter_mm: float, length_mm: float, *, tip_mm: float, **_: float) -> FloatArray:
    """A cone that runs smoothly into a ball of diameter `tip_mm` at the tip.

    The half angle a solves R cos a − (L − ρ) sin a = ρ: the cone touches the ball and has radius R at length L.
    """
    radius, tip = diameter_mm / 2, tip_mm / 2
    half = np.arccos(tip / np.hypot(radius, length_mm - tip)) - np.arctan2(length_mm - tip, radius)
    return np.vstack([_arc(tip, tip, 0.0, np.pi / 2 - half), [length_mm, radius]])


def _taper_round_corners(
    diameter_mm: float, length_mm: float, *, tip_mm: float, corner_mm: float = 0.2, **_: float
) -> FloatArray:
    """A flat-ended cone, its end edge rounded by `corner_mm`; sides and end plane would meet at `tip_mm`."""
    half = np.arctan2(diameter_mm / 2 - tip_mm / 2, length_mm)
    height = tip_mm / 2 - corner_mm * np.tan((np.pi / 2 - half) / 2)
    corner = _arc(corner_mm, corner_mm, 0.0, np.pi / 2 - half, height_mm=height)
    return np.vstack([[0.0, 0.0], corner, [length_mm, diameter_mm / 2]])


def _egg(diameter_mm: float, length_mm: float, **_: float) -> FloatArray:
    """An ellipse of revolution."""
    angles = np.linspace(0.0, np.pi, 2 * int(np.ceil(np.pi / (4.0 * np.sqrt(SAGITTA_MM / length_mm)))) + 1)
    return np.stack([length_mm / 2 * (1.0 - np.cos(angles)), diameter_mm / 2 * np.sin(angles).clip(0.0)], axis=1)


def _drill(diameter_mm: float, length_mm: float, *, point_deg: float = 118.0, **_: float) -> FloatArray:
    """A twist drill: a conical point of `point_deg` between its sides, then the full diameter."""
    point = diameter_mm / 2 / np.tan(np.radians(point_deg / 2))
    return np.array([[0.0, 0.0], [point, diameter_mm / 2], [length_mm, diameter_mm / 2]])


SHAPES: dict[str, Callable[..., FloatArray]] = {
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


def profile_of(shape: str, *, diameter_mm: float, length_mm: float, **more: float) -> FloatArray:
    """The profile of a head, closed onto the axis at both ends.

    Parameters
    ----------
    shape : str
        One of `SHAPES`.
    diameter_mm, length_mm : float
        Largest diameter and length of the head, mm.
    **more : float
        `tip_mm` of tapers, `taper_deg` between the sides of inverted cones and pears, `corner_mm`, `point_deg`.

    Returns
    -------
    profile_mm : (k, 2) float array
        Distance along the axis from the tip, radius; distances never decrease.
    """
    return closed_profile(SHAPES[shape](diameter_mm, length_mm, **more))


def closed_profile(profile_mm: FloatArray) -> FloatArray:
    """The profile with a point on the axis at both ends."""
    profile = np.asarray(profile_mm, dtype=float)
    start = [] if profile[0, 1] == 0.0 else [[profile[0, 0], 0.0]]
    end = [] if profile[-1, 1] == 0.0 else [[profile[-1, 0], 0.0]]
    return np.vstack([*(np.array([point]) for point in start), profile, *(np.array([point]) for point in end)])
