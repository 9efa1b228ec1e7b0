"""How a wall leaves the old surface along a side of the margin: one straight line in depth through all its sections at once."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.records import FloatArray

__all__ = ["Leaving", "WallEdge", "nearest_of", "straight_below"]

FROM_MM = 0.06
DEPTHS_MM = (0.45, 0.6, 0.75, 0.9, 1.05, 1.2, 1.35)
"""How deep the line may reach: as deep as the wall is straight."""
REACH_MM, SLACK_MM = 2.1, 0.3
"""How far from the margin points are looked for: of a wall that leans by 45° the deepest lie 1.9 mm off. Depths below the nearest
margin point and below the one whose line passes differ by less than the slack."""
STATION_MM = 0.075
"""Half a step of the margin, and half as much again: points beyond lie past the side's end."""
OFF_LINE_MM, OFF_LINE_NOISE = 0.15, 5.0
ROUNDS, SAME_LEAN = 6, 0.002
OUTLIER, BENT = 2.5, 3.0
TRIMMED = 1.1
"""Leaving out what lies farther off than 2.5 root mean squares, three times over, makes a line a tenth less sure than all its points would."""
STRETCH, STEADY = 5, 0.002
"""How many margin points a stretch has, and how alike (in radians, a tenth of a degree) stretches of one wall are at best."""
LEAST_POINTS = 12
LEAST_RMS_MM = 5e-4
INDEPENDENT_MM = 0.4


@dataclass(frozen=True, slots=True, eq=False)
class WallEdge:
    """A side's part of the margin: its points (k, 3), and there the old surface's normals, the ways in, and rough leans (NaN: not known)."""

    points_mm: FloatArray
    outward: FloatArray
    inward: FloatArray
    lean: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Leaving:
    """The wall's line below a side of the margin.

    Attributes
    ----------
    lean_deg : float
        From straight down; + where it leans into the cut.
    noise_deg, spread_deg : float
        Standard uncertainty from the source's noise, and from how the wall's stretches differ beyond it.
    depth_mm : float
        How deep the line reaches.
    points_mm, weights : (n, 3), (n,) float arrays
        What it rests on, and by how many radians it turns for each millimetre each of them moves inwards.
    """

    lean_deg: float
    noise_deg: float
    spread_deg: float
    depth_mm: float
    points_mm: FloatArray
    weights: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Points:
    """Wall points by the margin point beside them: how far in they lie, how deep, whose they are, and where."""

    into: FloatArray
    depth: FloatArray
    station: NDArray[np.int64]
    points_mm: FloatArray

    def only(self, chosen: NDArray[np.bool_]) -> _Points:
        return _Points(self.into[chosen], self.depth[chosen], self.station[chosen], self.points_mm[chosen])


def straight_below(
    edge: WallEdge, vertices_mm: FloatArray, *, noise_mm: float, edge_mm: float, deepest_mm: float = math.inf
) -> Leaving | None:
    """The line in = a + b · depth, with an a of its own at each margin point and one b; None where there are too few points.

    It reaches as deep as the wall is straight: from 0.45 mm on as long as a bend, in = a + b · depth + c · depth², is not
    told from none. A bend that is gone again one step deeper was noise. The margin's own leans only say where to look first:
    a strip about a line that leans too much would keep the points that lean with it, so it is laid about the line found.

    Parameters
    ----------
    edge : WallEdge
    vertices_mm : (n, 3) float array, mm
        The cut's vertices.
    noise_mm, edge_mm : float
        Noise of a vertex, and the usual side of a triangle.
    deepest_mm : float
        Where the wall is known to end, as above a floor or at the foot of a bevel.
    """
    lean, known = float(np.nanmedian(edge.lean)), list[_Points]()
    off_line = max(OFF_LINE_MM, OFF_LINE_NOISE * noise_mm)
    about = _about(edge, vertices_mm)
    for _ in range(ROUNDS):
        found = _beside(edge, about, lean, off_line)
        tried = [_without_outliers(found.only(found.depth <= deepest), noise_mm) for deepest in _depths(deepest_mm)]
        known = [some for some in tried if some is not None]
        if not known:
            return None
        before, lean = lean, _slope(_straight(known, noise_mm))[0]
        if abs(lean - before) < SAME_LEAN:
            break
    return _leaving(_straight(known, noise_mm), noise_mm=noise_mm, edge_mm=edge_mm)


def _depths(deepest_mm: float) -> tuple[float, ...]:
    """How deep the line is tried, down to where the wall is known to end."""
    return (min(DEPTHS_MM[0], deepest_mm), *(d for d in DEPTHS_MM[1:] if d <= deepest_mm))


def _straight(known: list[_Points], noise_mm: float) -> _Points:
    """The points of the deepest line that no bend shows in."""
    bent = [_is_bent(some, noise_mm) for some in known[1:]]
    return known[next((n for n, is_bent in enumerate(bent) if is_bent and all(bent[n : n + 2])), len(bent))]


@dataclass(frozen=True, slots=True, eq=False)
class _About:
    """The vertices about a side of the margin (n, 3), the margin point nearest to each, and how deep below it they lie."""

    vertices: FloatArray
    nearest: NDArray[np.int64]
    depth: FloatArray


def _about(edge: WallEdge, vertices: FloatArray) -> _About:
    """What may lie below the margin's points however the wall leans: as far down as it is looked, and as far to the side."""
    low, high = edge.points_mm.min(axis=0) - REACH_MM, edge.points_mm.max(axis=0) + REACH_MM
    vertices = vertices[((vertices > low) & (vertices < high)).all(axis=1)]
    nearest = nearest_of(vertices, edge.points_mm)
    depth = -((vertices - edge.points_mm[nearest]) * edge.outward[nearest]).sum(axis=1)
    near = (depth > FROM_MM - SLACK_MM) & (depth < DEPTHS_MM[-1] + SLACK_MM)
    return _About(vertices[near], nearest[near], depth[near])


def _beside(edge: WallEdge, about: _About, lean: float, off_line_mm: float) -> _Points:
    """The vertices below the margin's points, along the way the wall leans, as far as it is known.

    A wall that leans leaves the margin's point behind: the station is that whose line passes nearest.
    """
    way = lean * edge.inward - edge.outward
    station = nearest_of(about.vertices - about.depth[:, None] * way[about.nearest], edge.points_mm)
    off = about.vertices - edge.points_mm[station]
    depth = -(off * edge.outward[station]).sum(axis=1)
    into = (off * edge.inward[station]).sum(axis=1)
    along = (off * np.cross(edge.outward, edge.inward)[station]).sum(axis=1)
    kept = (depth > FROM_MM) & (depth < DEPTHS_MM[-1]) & (np.abs(along) < STATION_MM)
    kept &= np.abs(into - lean * depth) < off_line_mm
    return _Points(into, depth, station, about.vertices).only(kept)


def nearest_of(points: FloatArray, among: FloatArray) -> NDArray[np.int64]:
    """(n,) number of the one of a few points (k, 2 or 3) that lies nearest to each of many (n, 2 or 3)."""
    square = (among**2).sum(axis=1) - 2.0 * points @ among.T  # less each point's own square, the same for all
    return np.asarray(square.argmin(axis=1), np.int64)


def _centred(values: FloatArray, station: NDArray[np.int64]) -> FloatArray:
    """Values less the mean of their station."""
    count = np.bincount(station)
    mean = np.bincount(station, values) / np.maximum(count, 1)
    return np.asarray(values - mean[station])


def _slope(some: _Points) -> tuple[float, FloatArray, FloatArray]:
    """The common slope, what lies off it, and the depths off their stations' means."""
    into, depth = _centred(some.into, some.station), _centred(some.depth, some.station)
    slope = float(depth @ into) / max(float(depth @ depth), 1e-12)
    return slope, into - slope * depth, depth


def _without_outliers(some: _Points, noise_mm: float) -> _Points | None:
    for _ in range(3):
        if len(some.depth) < LEAST_POINTS or float(np.ptp(some.depth)) < 0.2:
            return None
        some = some.only(_alike(some, noise_mm))
        off = _slope(some)[1]
        kept = np.abs(off) <= OUTLIER * float(np.sqrt((off**2).mean())) + 1e-6
        some = some.only(kept)
    return some if len(some.depth) >= LEAST_POINTS else None


def _alike(some: _Points, noise_mm: float) -> NDArray[np.bool_]:
    """(n,) points whose stretch of five margin points leans as the middle of all stretches does, within noise.

    At a side's ends its wall runs into the next one's.
    """
    into, depth = _centred(some.into, some.station), _centred(some.depth, some.station)
    run = np.convolve(np.bincount(some.station, depth * into), np.ones(STRETCH), "same")
    square = np.convolve(np.bincount(some.station, depth * depth), np.ones(STRETCH), "same")
    slope = run / np.maximum(square, 1e-12)
    known = square > 0.05
    if known.sum() < STRETCH:
        return np.ones(len(some.depth), dtype=bool)
    usual = float(np.median(slope[known]))
    sure = max(noise_mm, LEAST_RMS_MM) / np.sqrt(np.maximum(square, 1e-12))
    alike = np.asarray((np.abs(slope - usual) < OUTLIER * np.hypot(sure, STEADY))[some.station])
    return alike if alike.sum() > 0.4 * len(alike) else np.ones(len(alike), dtype=bool)


def _is_bent(some: _Points, noise_mm: float) -> bool:
    """Whether a bend is told from none: over three times its standard deviation."""
    _, off, depth = _slope(some)
    square = _centred(some.depth**2, some.station)
    square = square - depth * float(depth @ square) / max(float(depth @ depth), 1e-12)
    weight = max(float(square @ square), 1e-12)
    rms = max(float(np.sqrt((off**2).mean())), noise_mm, LEAST_RMS_MM)
    return abs(float(square @ off)) / weight > BENT * rms / math.sqrt(weight)


def _leaving(some: _Points, *, noise_mm: float, edge_mm: float) -> Leaving:
    slope, off, depth = _slope(some)
    square = float(depth @ depth)
    per_slope = math.degrees(1.0 / (1.0 + slope * slope))
    rms = max(float(np.sqrt((off**2).mean())), LEAST_RMS_MM)
    noise = TRIMMED * max(noise_mm, LEAST_RMS_MM) / math.sqrt(square)
    beyond = math.sqrt(max(rms * rms - noise_mm * noise_mm, 0.0)) / math.sqrt(square)
    clumped = math.sqrt(max(1.0, INDEPENDENT_MM / edge_mm))
    weights = depth / max(square, 1e-12)
    return Leaving(
        math.degrees(math.atan(slope)), per_slope * noise, per_slope * beyond * clumped,
        float(some.depth.max()), some.points_mm, weights,
    )  # fmt: skip
