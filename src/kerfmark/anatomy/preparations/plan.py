"""The numbers that define a crown preparation."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.errors import InputError
from kerfmark.records import FloatArray

__all__ = ["WALLS", "CrownPlan", "by_azimuth"]

WALLS = {"buccal": 0.0, "mesial": 90.0, "lingual": 180.0, "distal": 270.0}


def _every_wall(value: float) -> dict[str, float]:
    return dict.fromkeys(WALLS, value)


@dataclass(frozen=True, slots=True)
class CrownPlan:
    """A crown preparation as numbers; azimuths and walls as in `docs/conventions.md`.

    Attributes
    ----------
    taper_deg : wall → degrees
        Of the straight wall against the preparation's own path; negative leans outwards (an undercut).
    width_mm : wall → mm
        From the outer margin to where the straight wall ends, at right angles to the path.
    internal_radius_mm : float
        Between finish line and wall. At most the width: shoulder; larger: a chamfer, whose arc reaches the margin.
    margin_mm : wall → mm
        Height of the margin above the cervical line.
    scallop : float
        How much of the cervical line's rise and fall the margin follows; 1 all of it, 0 a level margin.
    reduction_mm : site name → mm
        Median depth of removal at each named site of the tooth, along its inward normal.
    flat_reduction_mm : float or None
        Incisal edges: what is taken off the highest point, straight across.
    second_plane_deg : float
        Front teeth: how much further the facial wall leans in over its upper part. 0 for one plane.
    second_plane_at : float
        Where the second plane starts, as a fraction of the facial wall's height.
    edge_radius_mm : float
        Rounding between walls and top.
    tilt_deg, tilt_azimuth_deg : float
        How far, and towards where, the whole preparation leans from the long axis.
    ripple_mm, ripple_waves : float, int
        Unsteadiness of the margin's height: amplitude and number of waves round the tooth.
    ledge_mm, ledge_azimuth_deg : float
        A step in the finish line: extra width over 40° about an azimuth.
    """

    taper_deg: Mapping[str, float] = field(default_factory=lambda: _every_wall(6.0))
    width_mm: Mapping[str, float] = field(default_factory=lambda: _every_wall(1.0))
    internal_radius_mm: float = 0.4
    margin_mm: Mapping[str, float] = field(default_factory=lambda: _every_wall(1.0))
    scallop: float = 1.0
    reduction_mm: Mapping[str, float] = field(default_factory=dict)
    flat_reduction_mm: float | None = None
    second_plane_deg: float = 0.0
    second_plane_at: float = 0.45
    edge_radius_mm: float = 0.3
    tilt_deg: float = 0.0
    tilt_azimuth_deg: float = 0.0
    ripple_mm: float = 0.0
    ripple_waves: int = 9
    ledge_mm: float = 0.0
    ledge_azimuth_deg: float = 0.0

    def __post_init__(self) -> None:
        for name in ("taper_deg", "width_mm", "margin_mm"):
            if set(getattr(self, name)) != set(WALLS):
                raise InputError(
                    f"crown plan: {name} names {sorted(getattr(self, name))}, expected one value for each of {sorted(WALLS)}. Give all four."
                )
        for name, least in (("internal_radius_mm", 0.02), ("edge_radius_mm", 0.02)):
            if not getattr(self, name) >= least:
                raise InputError(
                    f"crown plan: {name} is {getattr(self, name)}, expected {least} mm or more; no bur cuts sharper. Raise it."
                )


def by_azimuth(values: Mapping[str, float], azimuth_deg: ArrayLike) -> FloatArray:
    """A value at every azimuth from one for each wall: exact at the middles, cos² between (at 45° the plain mean).

    Parameters
    ----------
    values : wall → float
    azimuth_deg : (n,) float array, degrees

    Returns
    -------
    value : (n,) float array

    Examples
    --------
    >>> by_azimuth({"buccal": 1, "mesial": 2, "lingual": 1, "distal": 1}, [0.0, 45.0, 90.0])
    array([1. , 1.5, 2. ])
    """
    azimuth = np.asarray(azimuth_deg, dtype=float)
    total = np.zeros_like(azimuth)
    for wall, middle in WALLS.items():
        away = np.abs((azimuth - middle + 180.0) % 360.0 - 180.0)
        total += values[wall] * np.where(away < 90.0, np.cos(np.radians(away)) ** 2, 0.0)
    return total
