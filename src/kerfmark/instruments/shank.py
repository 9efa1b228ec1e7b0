"""What holds the head: a neck and the shank, which cut nothing."""

from __future__ import annotations

import numpy as np

from kerfmark.instruments.catalogue import Instrument
from kerfmark.records import FloatArray

__all__ = ["shank_profile"]

NECK_MM = 2.0
SHANK_FROM_MM = 9.0
BODY_MM = 14.0
NECK_OF_HEAD = 0.6
POINTED = 0.3


def shank_profile(tool: Instrument) -> FloatArray:
    """The instrument behind its head: a neck that widens to the shank 9 mm from the tip, and the shank to 14 mm.

    The neck is as thick as the head's end, or six tenths of the head where that comes to a point (less than three tenths), and never thicker than the shank.
    Source: ordinary practice; no table of necks at hand.

    Returns
    -------
    profile_mm : (4, 2) float array
        Distance along the axis from the tip, radius; the last point on the axis.
    """
    shank, length = tool.shank_diameter_mm / 2, tool.length_mm
    end_radius = float(tool.profile_mm[-2, 1])
    pointed = end_radius < POINTED * tool.diameter_mm / 2
    neck = NECK_OF_HEAD * tool.diameter_mm / 2 if pointed else end_radius
    full = max(SHANK_FROM_MM, length + NECK_MM)
    end = max(BODY_MM, full + 1.0)
    return np.array([[length, min(neck, shank)], [full, shank], [end, shank], [end, 0.0]])
