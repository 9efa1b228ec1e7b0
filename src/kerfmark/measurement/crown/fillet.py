"""Line, arc and line fitted together: wall and finish line, or wall and occlusal surface, and how sure the fit is."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from kerfmark.kernels.fitting import fillet_fit, fillet_residuals
from kerfmark.measurement.budget import effective_count
from kerfmark.measurement.crown.sections import STEP_MM
from kerfmark.records import FloatArray

__all__ = ["SHARP_MM", "SIGNIFICANT", "WIDEST_SWEEP", "Fillet", "Noise", "best_fillet", "gain", "is_no_better"]

SHARP_MM = 0.005
WIDEST_SWEEP = 2.2
SIGNIFICANT = {1: 10.8, 2: 13.8}
"""99.9 % of χ²: by more, so many parameters more better a fit to noise alone in one section of a thousand."""
PARAMETERS = ("lean", "offset", "start", "radius", "sweep")
OF_MEDIAN = math.pi / 2.0 / 7.0
STEP = 1e-5


class Noise(NamedTuple):
    """Standard uncertainties by noise of a section's own points, and by what it shares with the sections beside it."""

    own: float
    shared: float

    def beside(self, *others: float) -> Noise:
        """With other noise of the section's own."""
        return Noise(math.hypot(self.own, *others), self.shared)


@dataclass(frozen=True, slots=True, eq=False)
class Fillet:
    """Line, arc and line fitted together (see `kernels.fitting`); angles in radians.

    `points` are those it was fitted to, every `STEP_MM`; `along_mm` the side of the triangles they come from. `fixed`
    names the parameters that were given and not fitted; `shared` says that radius and sweep are those usual about there.
    `rounder` is the fit with an arc that this section alone gave no ground for, as noise makes arcs out of corners.
    """

    lean: float
    offset: float
    start: float
    radius: float
    sweep: float
    rms: float
    points: FloatArray = field(default_factory=lambda: np.empty((0, 2)))
    along_mm: float = 0.1
    fixed: tuple[str, ...] = ()
    shared: bool = False
    rounder: Fillet | None = None

    @property
    def independent(self) -> float:
        """How many points with noise of their own it was fitted to."""
        return effective_count(edge_mm=self.along_mm, length_mm=len(self.points) * STEP_MM)

    @property
    def tangent(self) -> FloatArray:
        """Where the first line ends and the arc begins."""
        return self._place(self.start, self.offset)

    @property
    def apex(self) -> FloatArray:
        """Where the two lines meet, the arc ignored."""
        return self._place(self.start - self.radius * math.tan(self.sweep / 2.0), self.offset)

    def curve(self, lengths: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Points (n, 2) and unit normals (n, 2) at lengths from `tangent` along the arc, then the second line."""
        wall, normal = self.axes()
        turn = np.clip(lengths / max(self.radius, 1e-9), 0.0, self.sweep)[:, None]
        straight = np.maximum(lengths - self.radius * self.sweep, 0.0)[:, None]
        centre = self.start * wall + (self.offset + self.radius) * normal
        normals = np.cos(turn) * normal + np.sin(turn) * wall
        forward = np.sin(turn) * normal - np.cos(turn) * wall
        return centre - self.radius * normals + straight * forward, normals

    def second_line(self) -> tuple[FloatArray, float]:
        """Unit normal m and offset of the second line, m · p = offset."""
        wall, normal = self.axes()
        m = math.cos(self.sweep) * normal + math.sin(self.sweep) * wall
        return m, float(m @ (self.start * wall + (self.offset + self.radius) * normal) - self.radius)

    def floor_at(self, radius_mm: float) -> float:
        """Of wall and finish line: how high the arc, or the floor beyond it, stands at a distance from the turning line."""
        wall, normal = self.axes()
        centre = self.start * wall + (self.offset + self.radius) * normal
        m, offset = self.second_line()
        if radius_mm >= float(centre[0] - self.radius * m[0]) and abs(float(m[1])) > 1e-3:
            return (offset - float(m[0]) * radius_mm) / float(m[1])
        return float(centre[1]) - math.sqrt(max(self.radius**2 - (radius_mm - float(centre[0])) ** 2, 0.0))

    def swept_to(self, point: FloatArray) -> float:
        """How far round the arc's middle a point stands from the arc's start, radians."""
        wall, normal = self.axes()
        off = point - self.start * wall - (self.offset + self.radius) * normal
        return float(np.clip(math.atan2(-float(off @ wall), -float(off @ normal)), 0.2, WIDEST_SWEEP))

    def axes(self) -> tuple[FloatArray, FloatArray]:
        """Unit direction of the first line and its outward normal."""
        s, c = math.sin(self.lean), math.cos(self.lean)
        return np.array([-s, c]), np.array([c, s])

    def noise_of(self, value: Callable[[Fillet], float], noise_mm: float) -> Noise:
        """What noise of the points does to something that is worked out from the fit.

        Notes
        -----
        Gauss–Newton: covariance σ² (Jᵀ J)⁻¹ of the parameters, times how many of the points a length over which noise is
        alike holds. What was given has no share in it; a median over seven sections has π / 2 / 7 of one section's
        variance, and its noise is the neighbours' as well.
        """
        slopes = self._slopes()
        normal = slopes.T @ slopes
        here = value(self)
        moved = [replace(self, **{name: getattr(self, name) + STEP}) for name in PARAMETERS]
        gradient = np.array([value(fit) - here for fit in moved]) / STEP
        own = [i for i, name in enumerate(PARAMETERS) if name not in self.fixed]
        alone = [i for i in own if not (self.shared and PARAMETERS[i] in ("radius", "sweep"))]
        by_own, by_alone = (max(float(gradient @ _inverse(normal, f) @ gradient), 0.0) for f in (own, alone))
        scale = noise_mm * math.sqrt(len(self.points) / self.independent)
        return Noise(scale * math.sqrt(by_alone), scale * math.sqrt(OF_MEDIAN * max(by_own - by_alone, 0.0)))

    def radius_by_point(self) -> FloatArray:
        """(n,) how the fitted radius answers when one of the points moves outwards."""
        free = [i for i, name in enumerate(PARAMETERS) if name not in self.fixed]
        solved = np.linalg.pinv(self._slopes()[:, free], rcond=1e-9)
        return np.asarray(-solved[free.index(PARAMETERS.index("radius"))])

    def _slopes(self) -> FloatArray:
        """How the distances of the points (n, 5) answer to each parameter."""
        shape = np.array([getattr(self, name) for name in PARAMETERS])
        here, there = np.empty(len(self.points)), np.empty(len(self.points))
        fillet_residuals(self.points, shape, here)
        slopes = np.empty((len(self.points), 5))
        for j in range(5):
            moved = shape.copy()
            moved[j] += STEP
            fillet_residuals(self.points, moved, there)
            slopes[:, j] = (there - here) / STEP
        return slopes

    def _place(self, along: float, offset: float) -> FloatArray:
        wall, normal = self.axes()
        return along * wall + offset * normal


def _inverse(normal: FloatArray, free: list[int]) -> FloatArray:
    """Inverse of some rows and columns of a (5, 5) matrix, 0 in the others."""
    found = np.zeros((5, 5))
    found[np.ix_(free, free)] = np.linalg.pinv(normal[np.ix_(free, free)], rcond=1e-9, hermitian=True)
    return found


def best_fillet(
    points: FloatArray,
    guess: tuple[float, float, float, float],
    radii: tuple[float, ...],
    *,
    along_mm: float,
    fixed: tuple[str, ...] = (),
) -> Fillet:
    """The best of fits begun from some radii.

    Parameters
    ----------
    points : (n, 2) float array, mm
    guess : tuple of float
        Lean and offset of the first line, place along it of the corner without an arc, and how far the arc turns.
    radii : tuple of float
        Where to begin, mm.
    along_mm : float
        Side of the triangles the points come from.
    fixed : tuple of str
        `radius`, `sweep`: kept as they are in the guess.
    """
    points = np.ascontiguousarray(points)
    lean, offset, along, sweep = guess
    sweep = sweep if "sweep" in fixed else min(max(sweep, 0.3), 2.0)
    lowest = np.array([lean - 0.35, offset - 1.0, along - 2.0, SHARP_MM, 0.2])
    highest = np.array([lean + 0.35, offset + 1.0, along + 3.0, 3.0, WIDEST_SWEEP])
    if "sweep" in fixed:
        lowest[4] = highest[4] = sweep
    best, least = np.empty(5), math.inf
    for radius in radii:
        if "radius" in fixed:
            lowest[3] = highest[3] = radius
        turn = min(sweep, 2.0)
        begin = np.array([lean, offset, along + radius * math.tan(turn / 2), radius, sweep])
        shape, rms = fillet_fit(points, begin, lowest, highest)
        if rms < least:
            best, least = shape, rms
    turned, away, start, round_mm, swept = (float(v) for v in best)
    return Fillet(turned, away, start, round_mm, swept, float(least), points, along_mm, fixed)


def gain(freer: Fillet, plainer: Fillet) -> float:
    """By how much χ² a fit to the same points with some parameters more is the better one.

    A point of a section has half the noise variance of the vertices about it; the mean of many has all of what their
    number leaves.
    """
    return 0.5 * freer.independent * (plainer.rms**2 - freer.rms**2) / max(freer.rms**2, 1e-18)


def is_no_better(freer: Fillet, plainer: Fillet, *, more: int) -> bool:
    """Whether a fit to the same points with some parameters more is no better than noise alone would make it."""
    return gain(freer, plainer) <= SIGNIFICANT[more]
