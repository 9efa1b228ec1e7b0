"""A head as points with normals and weights, to be felt with."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from kerfmark.instruments import Instrument
from kerfmark.records import FloatArray

__all__ = ["point_shell"]

STEP_MM = 0.2


def point_shell(tool: Instrument, *, step_mm: float = STEP_MM) -> FloatArray:
    """Points over a head about `step_mm` apart, with outward normals and weights.

    A weight is the area a point stands for over the head's largest cross-section, so that a flat end pressed square
    onto a plane is as stiff as the plane's tissue.

    Parameters
    ----------
    tool : Instrument
    step_mm : float

    Returns
    -------
    shell : (n, 7) float array
        Point (mm) and unit normal about the head's own axis (tip at the origin, +z towards the handle), weight.
    """
    section = np.pi * (tool.diameter_mm / 2) ** 2
    rings = [ring for start, end in pairwise(tool.profile_mm) for ring in _rings(start, end, step_mm)]
    joined = np.array(rings)  # distance along the axis, radius, normal along and out, area
    shell = []
    for along, radius, normal_a, normal_r, area in joined:
        count = max(1, int(np.ceil(2 * np.pi * radius / step_mm)))
        turn = 2 * np.pi * (np.arange(count) + 0.5) / count
        cos, sin = np.cos(turn), np.sin(turn)
        even = np.ones(count)
        shell.append(
            np.stack(
                [
                    radius * cos,
                    radius * sin,
                    along * even,
                    normal_r * cos,
                    normal_r * sin,
                    normal_a * even,
                    area / count / section * even,
                ],
                axis=1,
            )
        )
    return np.ascontiguousarray(np.vstack(shell))


def _rings(start: FloatArray, end: FloatArray, step: float) -> list[tuple[float, float, float, float, float]]:
    """A straight piece of the profile cut into rings of equal width; the area of each is that of its frustum."""
    span = end - start
    length = float(np.hypot(*span))
    if length < 1e-9:
        return []
    count = max(1, int(np.ceil(length / step)))
    normal_a, normal_r = -span[1] / length, span[0] / length
    rings = []
    for n in range(count):
        low, high = start + n / count * span, start + (n + 1) / count * span
        middle = (low + high) / 2
        area = np.pi * (low[1] + high[1]) * length / count
        rings.append((float(middle[0]), float(middle[1]), float(normal_a), float(normal_r), float(area)))
    return rings
