"""The path of insertion: of all directions within 15° of the long axis the one that leaves least of the stump hidden."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from kerfmark.kernels.visibility import hidden_depths, radius_map
from kerfmark.measurement.budget import extreme_of
from kerfmark.measurement.crown.profile import Profile
from kerfmark.records import FloatArray

__all__ = [
    "TIE_MM3",
    "WIDEST_TILT_DEG",
    "HiddenVolume",
    "RadiusMap",
    "RimNoise",
    "best_lean",
    "hidden_volume",
    "least_lean",
    "map_of",
]

WIDEST_TILT_DEG = 15.0
TIE_MM3 = 0.001
FIVE_POINTS = (-3.0 / 35.0, 12.0 / 35.0, 17.0 / 35.0, 12.0 / 35.0, -3.0 / 35.0)

HiddenVolume = Callable[[float, float], float]


@dataclass(frozen=True, slots=True, eq=False)
class RadiusMap:
    """Outer radius (azimuths, levels) above the margin, NaN elsewhere; levels run up the turning line."""

    radius_mm: FloatArray
    lowest_mm: float
    step_mm: float

    @property
    def heights_mm(self) -> FloatArray:
        """Height of each level."""
        return np.asarray(self.lowest_mm + self.step_mm * np.arange(self.radius_mm.shape[1]))

    def thinned(self) -> RadiusMap:
        """Every second azimuth and level."""
        return RadiusMap(np.ascontiguousarray(self.radius_mm[::2, ::2]), self.lowest_mm, 2.0 * self.step_mm)


@dataclass(frozen=True, slots=True)
class RimNoise:
    """Noise of one point of a section, mm, and how many neighbours share theirs."""

    noise_mm: float
    alike: float


def map_of(
    profiles: tuple[Profile, ...],
    *,
    step_mm: float,
    clear_mm: float = 0.05,
    mean_mm: float = 0.1,
    rims: RimNoise | None = None,
) -> RadiusMap | None:
    """The radius map of evenly spaced profiles; None where no profile has a margin.

    It begins `clear_mm` above each foot (or margin, where there is no foot): below, the floor's own noise would cross
    the levels, and the floor is not what a wall can hide deepest. Radii are means over three azimuths and `mean_mm` of
    height up and down. Such a mean rounds a sharp rim off, and all that hangs under the rim comes too small: with `rims`
    each section's widest point stands in the map as well.
    """
    runs = [np.empty((0, 2)) if p.margin is None else p.section.own[p.first_cut :] for p in profiles]
    points = np.ascontiguousarray(np.concatenate(runs))
    if not len(points):
        return None
    lowest, highest = float(points[:, 1].min()), float(points[:, 1].max())
    starts = np.concatenate([[0], np.cumsum([len(r) for r in runs])]).astype(np.int64)
    radius = radius_map(points, starts, lowest, step_mm, int((highest - lowest) / step_mm) + 1)
    heights = lowest + step_mm * np.arange(radius.shape[1])
    for row, profile in zip(radius, profiles, strict=True):
        low = profile.margin if profile.foot is None else profile.foot
        if low is not None:
            row[heights < low[1] + clear_mm] = np.nan
    mean = _averaged(radius, max(1, round(mean_mm / step_mm)))
    if rims is not None:
        held = _with_rims(radius, runs, rims, (lowest, step_mm))
        mean = np.where(np.isfinite(held), held, mean)
    return RadiusMap(mean, lowest, step_mm)


def _with_rims(radius: FloatArray, runs: list[FloatArray], rims: RimNoise, place: tuple[float, float]) -> FloatArray:
    """The averaged map with each section's widest point, less what the largest of many noisy ones is too large by.

    `place` is the map's lowest level and its step. Up to its own rim a section's means are of points as many on either side,
    none beyond a rim. Widest points lie on a parabola through five azimuths (Savitzky and Golay 1964): a mean of a round rim
    would lie inside it.
    """
    widest, level = np.full(len(radius), np.nan), np.full(len(radius), float(radius.shape[1]))
    for row, run in enumerate(runs):
        known = np.isfinite(radius[row])
        points = run[run[:, 1] >= place[0] + place[1] * int(np.argmax(known))]
        if not len(points) or not known.any():
            continue
        at = int(np.argmax(points[:, 0]))
        beyond, _ = extreme_of(-points[:, 0], rims.noise_mm, alike=rims.alike)
        widest[row] = points[at, 0] - beyond
        level[row] = min((points[at, 1] - place[0]) / place[1], radius.shape[1] - 1.0)
    found = _means_below(np.where(np.arange(radius.shape[1]) <= level[:, None], radius, np.nan))
    beside = np.asarray(sum(w * np.roll(widest, k) for w, k in zip(FIVE_POINTS, range(-2, 3), strict=True)))
    rows = np.flatnonzero(np.isfinite(beside))
    nearest = np.rint(level[rows]).astype(np.int64)
    # Over the mean of its levels a rim stands out by a level's height at most, and its noise: what stands out more is one noisy point.
    held = np.fmin(beside[rows], found[rows, nearest] + place[1] + rims.noise_mm)
    found[rows, nearest] = np.fmax(found[rows, nearest], np.where(np.isfinite(held), held, beside[rows]))
    found[rows] = np.minimum(found[rows], beside[rows, None])  # no noisy point beside a rim stands out over it
    return found


def _means_below(radius: FloatArray) -> FloatArray:
    """Means over three azimuths and three levels, of a cell alone where one beside it is not known."""
    beside = np.roll(radius, 1, axis=0) + np.roll(radius, -1, axis=0)
    mean = np.where(np.isfinite(beside), (beside + radius) / 3.0, radius)
    over = np.full_like(mean, np.nan)
    over[:, 1:-1] = mean[:, 2:] + mean[:, :-2]
    return np.where(np.isfinite(over), (over + mean) / 3.0, mean)


def _averaged(radius: FloatArray, levels: int) -> FloatArray:
    """Means over three azimuths and some levels up and down, or a single noisy point would count as an overhang."""
    beside = (np.roll(radius, 1, axis=0) + radius + np.roll(radius, -1, axis=0)) / 3.0
    known = np.isfinite(beside)
    total, count = np.zeros_like(beside), np.zeros(beside.shape)
    for shift in range(-levels, levels + 1):
        here = slice(max(0, shift), beside.shape[1] + min(0, shift))
        there = slice(max(0, -shift), beside.shape[1] + min(0, -shift))
        total[:, there] += np.where(known[:, here], beside[:, here], 0.0)
        count[:, there] += known[:, here]
    return np.where(known, total / np.maximum(count, 1.0), np.nan)


def best_lean(stump: RadiusMap, *, least_depth_mm: float) -> tuple[float, float]:
    """Lean of the best path from the map's own axis, (towards azimuth 0°, towards 90°), as tangents.

    Parameters
    ----------
    stump : RadiusMap
        About the long axis.
    least_depth_mm : float
        Surface hidden less deep than this does not count.

    Notes
    -----
    What counts is the volume of air under overhangs. Directions that hide least within 0.001 mm³ are tied; the one
    nearest the long axis is returned: a descent finds the least volume, then the tilt is drawn in to where the tie ends
    and slid along that border. Volume hidden is near enough convex in the lean for this, each overhang growing with it.
    """
    return least_lean(hidden_volume(stump, least_depth_mm), hidden_volume(stump.thinned(), least_depth_mm))


def least_lean(volume: HiddenVolume, coarse: HiddenVolume) -> tuple[float, float]:
    """The lean (x, y), as tangents, that hides least, or of those tied the one nearest 0; `coarse` finds where to look."""
    if volume(0.0, 0.0) <= TIE_MM3:
        return 0.0, 0.0
    near = _descend(coarse, _best_start(coarse), steps_deg=(2.0, 0.25))
    least = _descend(volume, near, steps_deg=(0.25, 0.06))
    most = volume(*least) + TIE_MM3
    return _drawn_in(lambda x, y: volume(x, y) <= most, least)


def hidden_volume(stump: RadiusMap, least_depth_mm: float) -> HiddenVolume:
    """The volume (mm³) of air under a stump's overhangs, by the lean looked along."""
    depths = np.empty_like(stump.radius_mm)
    cell = stump.step_mm * 2.0 * math.pi / len(stump.radius_mm)
    known: dict[tuple[float, float], float] = {}

    def volume(x: float, y: float) -> float:
        if (x, y) not in known:
            hidden_depths(stump.radius_mm, stump.step_mm, x, y, depths)
            counted = depths > least_depth_mm
            deep = depths[counted]
            known[x, y] = float((deep * (stump.radius_mm[counted] + 0.5 * deep)).sum() * cell)
        return known[x, y]

    return volume


def _lean(tilt_deg: float, toward_deg: float) -> tuple[float, float]:
    size = math.tan(math.radians(tilt_deg))
    return size * math.cos(math.radians(toward_deg)), size * math.sin(math.radians(toward_deg))


def _best_start(volume: HiddenVolume) -> tuple[float, float]:
    tried = [_lean(tilt, toward) for tilt in (4.0, 8.0, 12.0) for toward in range(0, 360, 30)]
    return min([(0.0, 0.0), *tried], key=lambda lean: volume(*lean))


def _descend(
    volume: HiddenVolume, start: tuple[float, float], *, steps_deg: tuple[float, float]
) -> tuple[float, float]:
    """Pattern search inside 15° in steps halved from the first to the second."""
    here, step = start, math.radians(steps_deg[0])
    widest = math.tan(math.radians(WIDEST_TILT_DEG))
    while step > math.radians(steps_deg[1]):
        around = [(here[0] + step * dx, here[1] + step * dy) for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1))]
        best = min([here, *(p for p in around if math.hypot(*p) <= widest)], key=lambda lean: volume(*lean))
        step = step / 2.0 if best == here else step
        here = best
        if volume(*here) <= 0.0:
            break
    return here


def _drawn_in(tied: Callable[[float, float], bool], start: tuple[float, float]) -> tuple[float, float]:
    """The tied lean nearest to 0: along the ray to 0, then from side to side in ever smaller turns."""
    tilt, toward = math.hypot(*start), math.atan2(start[1], start[0])
    tilt = _least_tilt(tied, tilt, toward)
    for turn in np.radians([20.0, 20.0, 10.0, 10.0, 5.0, 5.0, 2.5, 1.25]):
        for side in (toward + float(turn), toward - float(turn)):
            if tied(tilt * math.cos(side), tilt * math.sin(side)):
                shorter = _least_tilt(tied, tilt, side)
                if shorter < tilt - 1e-4:
                    tilt, toward = shorter, side
                    break
    return tilt * math.cos(toward), tilt * math.sin(toward)


def _least_tilt(tied: Callable[[float, float], bool], tilt: float, toward: float) -> float:
    low, high = 0.0, tilt
    while high - low > 4e-4:
        middle = 0.5 * (low + high)
        if tied(middle * math.cos(toward), middle * math.sin(toward)):
            high = middle
        else:
            low = middle
    return high
