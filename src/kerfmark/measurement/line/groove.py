"""The groove along a planned line: the tool's centre, width and depth at each station, and where it begins and ends."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from kerfmark.geometry.columns import Crossings, Lattice, crossings, lattice_over
from kerfmark.geometry.mesh import even_edge_mm
from kerfmark.kernels.paths import find_grooves, read_walls
from kerfmark.measurement.line.unrolled import DepthMap, Path, Unrolled, planned_path, unrolled
from kerfmark.measurement.surface.bench import Bench
from kerfmark.records import FloatArray, Piece, Surface

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = ["Groove", "Run", "Stations"]

STATION_MM, SAMPLE_MM, LEVEL_MM = 0.1, 0.05, 0.02
DEEPEST_MM = 8.0
AVERAGED_MM = 0.3
ASTRAY_MM = 1.5
BEYOND_MM = 6.0
GROOVE_PART = 0.25
"""A groove counts where it is deeper than this part of the planned depth (and than 3 u)."""
BRIDGED_MM = 0.15
END_STEP_MM = 0.02
END_HALF_MM = 0.1
END_FROM, END_TO = 0.3, 0.7
MIDDLE_PART = 0.3
TOP_SPACING_MM = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Stations:
    """The groove's cross-sections every 0.1 mm: place along the line, the tool's centre to its left, width, depth.

    All (n,) mm, nan where there is no groove; centre, width and depth are means over 0.3 mm.
    """

    along: FloatArray
    centre_mm: FloatArray
    width_mm: FloatArray
    depth_mm: FloatArray


@dataclass(frozen=True, slots=True)
class Run:
    """An unbroken stretch of groove: where the tool's centre began and ended along the line, mm."""

    start_mm: float
    end_mm: float


class Groove(Bench):
    """A piece of a line exercise on the bench: its groove, worked out once."""

    def __init__(self, piece: Piece, prepared: Prepared) -> None:
        super().__init__(piece, prepared)
        target = prepared.exercise.target
        self.planned_width_mm, self.planned_depth_mm = float(target.width_mm or 1.0), float(target.depth_mm or 1.0)
        self.least_depth_mm = max(self.least_mm, GROOVE_PART * self.planned_depth_mm)

    @cached_property
    def edge_mm(self) -> float:
        """Side of even triangles as large as those in the groove, the source's noise in it taken off."""
        if not self.has_cut:
            return super().edge_mm
        seen = even_edge_mm(Surface(self.piece.surface.vertices_mm, self.piece.surface.faces[self.is_cut]))
        # Both ends of a side move along their normals, which are much alike: its square grows by twice the variance.
        return math.sqrt(max(seen**2 - 2.0 * (1e-3 * self.piece.noise_um) ** 2, 0.25 * seen**2))

    @cached_property
    def path(self) -> Path:
        """The planned line, produced beyond its ends."""
        assert self.prepared.line is not None
        return planned_path(self.prepared.line, beyond_mm=BEYOND_MM)

    @cached_property
    def laid_out(self) -> Unrolled:
        """The piece beside the line."""
        reach = self.reach_mm + 0.5
        return unrolled(self.piece.surface, self.path, reach_mm=reach, top_at=self.top_at)

    @property
    def reach_mm(self) -> float:
        """How far to each side of the line the groove is looked for."""
        return 0.5 * self.planned_width_mm + ASTRAY_MM

    @cached_property
    def _tops(self) -> tuple[Lattice, FloatArray]:
        assert self.prepared.subject is not None
        side = self.reach_mm + 2.0
        bounds = np.array([self.path.points.min(axis=0) - side, self.path.points.max(axis=0) + side])
        lattice = lattice_over(bounds, spacing_mm=TOP_SPACING_MM)
        return lattice, crossings(self.prepared.subject, lattice).top.reshape(lattice.nx, lattice.ny)

    def top_at(self, places: FloatArray) -> FloatArray:
        """Height of the subject's top at places (n, 2), bilinear between columns."""
        lattice, top = self._tops
        at = (places @ lattice.turn[:2, :2].T - lattice.origin) / lattice.spacing_mm
        i = np.clip(np.floor(at).astype(int), 0, [lattice.nx - 2, lattice.ny - 2])
        x, y = (at - i).T
        a, b = i.T
        return np.asarray(
            (1 - x) * ((1 - y) * top[a, b] + y * top[a, b + 1]) + x * ((1 - y) * top[a + 1, b] + y * top[a + 1, b + 1])
        )

    @cached_property
    def stations(self) -> Stations:
        """Cross-sections along the line and beyond its ends."""
        span = (float(self.path.lengths[0]), float(self.path.lengths[-1]))
        rows = self.laid_out.depth_map(span, (-self.reach_mm, self.reach_mm), row_mm=STATION_MM, sample_mm=SAMPLE_MM)
        found = find_grooves(rows.depth_mm, self.least_depth_mm)
        if not np.isfinite(found).any():
            return Stations(rows.along, *(np.full(len(rows.along), np.nan) for _ in range(3)))
        rough, full = rows.left[0] + SAMPLE_MM * found[:, 0], found[:, 1]
        deepest = min(float(np.nanmax(full)), DEEPEST_MM)
        levels, crossed = self.laid_out.walls(span, (0.0, deepest), row_mm=STATION_MM, level_mm=LEVEL_MM)
        walls = read_walls(crossed.starts, crossed.heights, levels, rough, full)
        depth = _depth_at_centre(rows, walls[:, 0], walls[:, 1])
        return Stations(rows.along, *(_mean_over(v) for v in (walls[:, 0], walls[:, 1], depth)))

    @cached_property
    def runs(self) -> tuple[Run, ...]:
        """Every unbroken stretch of groove, in order along the line."""
        stations = self.stations
        present = np.flatnonzero(np.isfinite(stations.centre_mm))
        if not len(present):
            return ()
        splits = np.flatnonzero(np.diff(present) * STATION_MM > BRIDGED_MM) + 1
        return tuple(self._run(part[0], part[-1]) for part in np.split(present, splits))

    def _run(self, first: int, last: int) -> Run:
        at = self.stations.along
        if self.path.closed:
            first = 0 if at[first] <= AVERAGED_MM else first
            last = len(at) - 1 if at[last] >= self.path.length_mm - AVERAGED_MM else last
        start = at[first] if first == 0 else self._tool_end(first, last, side=-1)
        end = at[last] if last == len(at) - 1 else self._tool_end(first, last, side=1)
        return Run(start, end) if start < end else Run(0.5 * (start + end), 0.5 * (start + end))

    def _tool_end(self, first: int, last: int, *, side: int) -> float:
        """Where the tool's centre stood at one end of a run: the end wall less the groove's half width there.

        The end wall is read from 3/10 to 7/10 of the groove's depth, by lines along the planned line.
        """
        stations, edge = self.stations, last if side > 0 else first
        reach = max(2, round(self.planned_width_mm / STATION_MM))
        near = np.arange(edge - reach, edge + 1) if side > 0 else np.arange(edge, edge + reach + 1)
        near = near[(near >= first) & (near <= last)]
        inner = near[: max(1, 2 * len(near) // 3)] if side > 0 else near[-max(1, 2 * len(near) // 3) :]
        slope, middle = self._heading(inner)
        radius = 0.5 * self._width_at(inner, stations.along[edge]) / math.hypot(1.0, slope)
        depth = float(np.nanmedian(stations.depth_mm[inner]))
        centre = middle(stations.along[edge] - side * radius)
        span = np.sort([stations.along[edge] - side * radius, stations.along[edge] + side * 0.5])
        places, levels, met = self.laid_out.end_walls(
            (float(span[0]), float(span[1])), (centre - END_HALF_MM, centre + END_HALF_MM),
            (END_FROM * depth, END_TO * depth), step_mm=END_STEP_MM,
        )  # fmt: skip
        rim = _outermost(met, len(places), levels, float(stations.along[edge]), reach_mm=0.5)
        arc = np.sqrt(np.maximum(radius**2 - (places - centre) ** 2, 0.0))
        known = np.isfinite(rim)
        return float(np.mean((rim - side * arc)[known])) if known.any() else float(stations.along[edge] - side * radius)

    def _heading(self, chosen: np.ndarray) -> tuple[float, Callable[[float], float]]:
        """How the tool's centre leaves the line over some stations, and where that takes it."""
        at, centre = self.stations.along[chosen], self.stations.centre_mm[chosen]
        known = np.isfinite(centre)
        if known.sum() < 3:
            return 0.0, lambda _: float(np.nanmedian(centre))
        slope, offset = np.polyfit(at[known] - at[known].mean(), centre[known], 1)
        return float(slope), lambda t: float(offset + slope * (t - at[known].mean()))

    def _width_at(self, chosen: np.ndarray, end: float) -> float:
        """Width where the tool's centre stood last, half a width short of the end, by a line through those of stations."""
        at, width = self.stations.along[chosen], self.stations.width_mm[chosen]
        known = np.isfinite(width)
        usual = float(np.median(width[known]))
        if known.sum() < 5:
            return usual
        place = end - math.copysign(0.5 * usual, end - float(at[known].mean()))
        slope, offset = np.polyfit(at[known] - place, width[known], 1)
        return float(np.clip(offset, 0.8 * usual, 1.2 * usual)) if math.isfinite(slope) else usual

    @cached_property
    def followed(self) -> np.ndarray:
        """(stations,) whether the tool's centre passed each station of the planned line itself."""
        at = self.stations.along
        on_line = (at >= -1e-9) & (at <= self.path.length_mm + 1e-9) & np.isfinite(self.stations.centre_mm)
        passed = np.zeros(len(at), bool)
        for run in self.runs:
            passed |= (at >= run.start_mm - 0.5 * STATION_MM) & (at <= run.end_mm + 0.5 * STATION_MM)
        return np.asarray(on_line & passed)


def _outermost(met: Crossings, places: int, levels: int, near: float, *, reach_mm: float) -> FloatArray:
    """(places,) where the end wall stands: the median over the levels of what each line meets nearest to a length."""
    found = np.full((places, levels), np.nan)
    for line in range(places * levels):
        crossed = met.heights[met.starts[line] : met.starts[line + 1]]
        if len(crossed):
            nearest = float(crossed[np.argmin(np.abs(crossed - near))])
            if abs(nearest - near) < reach_mm:
                found[line // levels, line % levels] = nearest
    known = np.isfinite(found).sum(axis=1) > levels // 2
    walls = np.full(places, np.nan)
    walls[known] = np.nanmedian(found[known], axis=1)
    return walls


def _depth_at_centre(rows: DepthMap, centre: FloatArray, width: FloatArray) -> FloatArray:
    """Depth under the tool's centre: the top of a parabola through the middle 60 % of the floor, flat or round."""
    off = rows.left[None, :] - centre[:, None]
    with np.errstate(invalid="ignore"):
        weight = ((np.abs(off) < MIDDLE_PART * width[:, None]) & np.isfinite(rows.depth_mm)).astype(float)
    x, d = np.where(weight > 0, off, 0.0), np.where(weight > 0, rows.depth_mm, 0.0)
    scale = np.maximum(MIDDLE_PART * np.nan_to_num(width, nan=1.0), 1e-6)[:, None]
    powers = [(weight * (x / scale) ** k).sum(axis=1) for k in range(5)]
    normal = np.array([[powers[i + j] for j in range(3)] for i in range(3)]).transpose(2, 0, 1)
    right = np.array([(weight * d * (x / scale) ** k).sum(axis=1) for k in range(3)]).T
    depth = np.full(len(centre), np.nan)
    enough = powers[0] >= 6
    depth[enough] = np.linalg.solve(normal[enough], right[enough][:, :, None])[:, 0, 0]
    return depth


def _mean_over(values: FloatArray, length_mm: float = AVERAGED_MM) -> FloatArray:
    """Means over 0.3 mm of the stations that have a value; a station without one stays without."""
    reach = max(0, round(0.5 * (length_mm / STATION_MM - 1.0)))
    known = np.isfinite(values)
    kernel = np.ones(2 * reach + 1)
    total = np.convolve(np.where(known, values, 0.0), kernel, mode="same")
    count = np.convolve(known.astype(float), kernel, mode="same")
    return np.where(known, total / np.maximum(count, 1.0), np.nan)
