"""Pictures cut from a volume: along a curve drawn on the jaw, and square to it.

Every pixel is read where it lies; nothing is blurred beyond the voxel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfmark.errors import InputError
from kerfmark.geometry.volumes import sample_volume
from kerfmark.records import FloatArray, SectionPlane, Volume

__all__ = ["ArchCurve", "Picture", "arch_curve", "cross_section", "curved_reformat", "plane_picture"]

FINE_MM = 0.05
FOLDED = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class ArchCurve:
    """A smooth curve along the jaw, evenly stepped.

    Attributes
    ----------
    points_mm : (n, 3) float array
        `step_mm` apart along it.
    along : (n, 3) float array
        Unit directions of travel.
    across : (n, 3) float array
        Unit directions square to travel and to `up`: the right-hand side of one who travels with `up` overhead.
    up : (3,) float array
        The jaw's own up; the same all along, so that cross-sections stand upright.
    step_mm : float
    """

    points_mm: FloatArray
    along: FloatArray
    across: FloatArray
    up: FloatArray
    step_mm: float

    @property
    def length_mm(self) -> float:
        """From end to end."""
        return self.step_mm * (len(self.points_mm) - 1)

    def nearest_mm(self, point_mm: ArrayLike) -> float:
        """How far along the curve lies nearest to a point, seen along `up`."""
        away = self.points_mm - np.asarray(point_mm, dtype=float)
        flat = away - (away @ self.up)[:, None] * self.up
        return self.step_mm * float(np.argmin(np.linalg.norm(flat, axis=1)))

    def at(self, along_mm: float) -> int:
        """The place nearest to a way along the curve."""
        return int(np.clip(round(along_mm / self.step_mm), 0, len(self.points_mm) - 1))


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """Greys (rows, columns) on even pixels of `pixel_mm`; row 0 is the top. nan where the volume does not reach.

    A place `right` mm from the left edge's centre and `down` mm from the top edge's centre is pixel (down, right) / pixel_mm.
    """

    greys: FloatArray
    pixel_mm: float

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height between the outermost pixels' centres."""
        return self.pixel_mm * (self.greys.shape[1] - 1), self.pixel_mm * (self.greys.shape[0] - 1)


def arch_curve(points_mm: ArrayLike, *, up: ArrayLike, step_mm: float = 0.25) -> ArchCurve:
    """A curve through points drawn along the jaw.

    Parameters
    ----------
    points_mm : (k, 3) float array, mm
        At least two, in the order of travel; joined by a curve through each (monotone cubics over the chord's length).
    up : (3,) float array
        The jaw's up; the curve may rise and fall along it, but not run along it.
    step_mm : float, mm
        Between places of the curve.

    Raises
    ------
    InputError
        If there are too few points, two are the same, or it runs straight up somewhere.

    Examples
    --------
    >>> curve = arch_curve([[0, 0, 0], [0, 10, 0]], up=[0, 0, 1], step_mm=2.5)
    >>> curve.length_mm, curve.across[0].tolist()
    (10.0, [1.0, 0.0, 0.0])
    """
    from scipy.interpolate import PchipInterpolator

    drawn = np.asarray(points_mm, dtype=float)
    if drawn.ndim != 2 or drawn.shape[1:] != (3,) or len(drawn) < 2 or not np.isfinite(drawn).all():
        raise InputError("the arch curve needs at least two points of three numbers. Draw it from end to end.")
    chords = np.linalg.norm(np.diff(drawn, axis=0), axis=1)
    if chords.min() < 1e-6:
        raise InputError("two neighbouring points of the arch curve are the same, expected different ones. Remove one.")
    unit_up = np.asarray(up, dtype=float) / np.linalg.norm(up)
    along_chords = np.r_[0.0, np.cumsum(chords)]
    fine_at = np.linspace(0.0, along_chords[-1], max(3, int(along_chords[-1] / FINE_MM)))
    fine = PchipInterpolator(along_chords, drawn)(fine_at)
    length = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(fine, axis=0), axis=1))]
    count = max(2, int(np.floor(length[-1] / step_mm + 1e-6)) + 1)
    even = np.column_stack([np.interp(step_mm * np.arange(count), length, fine[:, k]) for k in range(3)])
    along = np.gradient(even, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    across = np.cross(along, unit_up)
    if np.linalg.norm(across, axis=1).min() < FOLDED:
        raise InputError(
            "the arch curve runs straight up somewhere, expected one that goes along the jaw. Draw it anew."
        )
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    return ArchCurve(even, along, np.asarray(across), unit_up, step_mm)


def curved_reformat(
    volume: Volume, curve: ArchCurve, *, above_mm: float, below_mm: float, thickness_mm: float = 0.0
) -> Picture:
    """The volume unrolled along a curve: columns along it, rows along `up`.

    Parameters
    ----------
    volume : Volume
    curve : ArchCurve
    above_mm, below_mm : float, mm
        How far over and under the curve; where the curve rises the picture rises with it.
    thickness_mm : float, mm
        Mean over a slab so thick across the curve; 0 for the curve's own sheet.
    """
    rows = np.arange(above_mm, -below_mm - 1e-9, -curve.step_mm)
    count = max(1, int(thickness_mm / curve.step_mm) + 1)
    slabs = np.linspace(-0.5, 0.5, count) * thickness_mm if count > 1 else np.zeros(1)
    total = np.zeros((len(rows), len(curve.points_mm)))
    for aside in slabs:
        sheet = curve.points_mm + aside * curve.across
        points = sheet[None] + rows[:, None, None] * curve.up
        total += sample_volume(volume, points.reshape(-1, 3)).reshape(total.shape)
    return Picture(total / len(slabs), curve.step_mm)


def cross_section(
    volume: Volume, curve: ArchCurve, along_mm: float, *, width_mm: float, above_mm: float, below_mm: float
) -> Picture:
    """A picture square to the curve at a way along it: columns across, rows along `up`; as fine as the curve's steps."""
    place = curve.at(along_mm)
    plane = SectionPlane(f"{along_mm:.1f}", curve.points_mm[place], curve.across[place], curve.up)
    return plane_picture(volume, plane, width_mm=width_mm, above_mm=above_mm, below_mm=below_mm, pixel_mm=curve.step_mm)


def plane_picture(
    volume: Volume, plane: SectionPlane, *, width_mm: float, above_mm: float, below_mm: float, pixel_mm: float
) -> Picture:
    """A picture in any plane: its origin in the middle of the width, `across` to the right, `up` upwards."""
    columns = np.arange(-0.5 * width_mm, 0.5 * width_mm + 1e-9, pixel_mm)
    rows = np.arange(above_mm, -below_mm - 1e-9, -pixel_mm)
    points: NDArray[np.float64] = (
        plane.origin_mm + rows[:, None, None] * plane.up + columns[None, :, None] * plane.across
    )
    return Picture(sample_volume(volume, points.reshape(-1, 3)).reshape(len(rows), len(columns)), pixel_mm)
