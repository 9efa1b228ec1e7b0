"""The floor of what was cut in a block: found on the columns, its depth and its flatness."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.columns import patches
from kerfmark.measurement.budget import alignment_u_mm, effective_count, measured, shared_u_mm, unmeasured
from kerfmark.measurement.surface.bench import Bench
from kerfmark.records import Component, FloatArray, Reading, Witness

__all__ = ["Floor", "find_floor", "floor_depth_mm", "floor_flatness_um"]

STEEPEST_DEG = 25.0
SMOOTHED_MM = 0.25
SLOPE_OVER_MM = 0.2
OFF_THE_EDGE_MM = 0.2
"""Beyond the 0.1 mm beside an edge where the slope is not known."""
EXTENT_PART = 0.5
LEAST_AREA_MM2 = 0.3
LEAST_PART = 0.1
COLUMN_VARIANCE = 0.5
"""Noise variance of a point inside a triangle over that of its corners: mean of a² + b² + c² over a triangle."""


@dataclass(frozen=True, slots=True, eq=False)
class Floor:
    """The floor's columns: points (n, 3) and depths below the subject's top (n,), its best plane and its area.

    `plane` is z = plane[0] + plane[1] · x + plane[2] · y about `middle_mm`; `inner` (n,) marks the columns that are
    twice as far off the edges: how much depth and flatness change with them says what the choice of an edge matters.
    """

    points_mm: FloatArray
    depths_mm: FloatArray
    middle_mm: FloatArray
    plane: FloatArray
    area_mm2: float
    inner: NDArray[np.bool_]

    @property
    def normal(self) -> FloatArray:
        """Unit normal of the best plane, upwards."""
        normal = np.array([-self.plane[1], -self.plane[2], 1.0])
        return np.asarray(normal / np.linalg.norm(normal))

    def change(self, values: FloatArray, of: Callable[[FloatArray], FloatArray]) -> float:
        """How a statistic over the floor changes when only its inner part is taken."""
        if self.inner.sum() < 0.5 * len(self.inner):
            return 0.0
        return float(of(values[self.inner]) - of(values))

    def off_plane_mm(self) -> FloatArray:
        """(n,) heights above the best plane, at right angles to it."""
        flat = self.points_mm[:, :2] - self.middle_mm[:2]
        height = self.points_mm[:, 2] - self.plane[0] - flat @ self.plane[1:]
        return np.asarray(height * self.normal[2])


def floor_depth_mm(bench: Bench) -> tuple[Reading, ...]:
    """`block.floor_depth_mm`: mean depth of the floor below the top face, at right angles to it."""
    floor = find_floor(bench)
    if isinstance(floor, str):
        return (unmeasured("block.floor_depth_mm", floor, unit="mm"),)
    noise = 1e-3 * bench.piece.noise_um
    up = np.array([0.0, 0.0, 1.0])
    budget = (
        Component("surface noise", noise / np.sqrt(effective_count(edge_mm=bench.edge_mm, area_mm2=floor.area_mm2))),
        Component("trueness", _shared_mm(bench, floor)),
        Component("alignment", alignment_u_mm(bench.piece.alignment, floor.middle_mm, up)),
        Component("extent of the floor", EXTENT_PART * abs(floor.change(floor.depths_mm, np.mean))),
    )
    depth = float(floor.depths_mm.mean())
    segment = np.array([[floor.middle_mm, floor.middle_mm + depth * up]])
    witness = Witness("length", points_mm=_thinned(floor.points_mm), segments_mm=segment)
    return (measured("block.floor_depth_mm", depth, unit="mm", budget=budget, witness=witness),)


def _shared_mm(bench: Bench, floor: Floor) -> float:
    """A source's smooth error over the floor."""
    some = floor.points_mm[:: max(1, len(floor.points_mm) // 100)]
    return shared_u_mm(1e-3 * bench.piece.trueness_um, some, np.full(len(some), 1.0 / len(some)))


def floor_flatness_um(bench: Bench) -> tuple[Reading, ...]:
    """`block.floor_flatness_um`: RMS height of the floor off its best plane, the source's noise variance taken off."""
    floor = find_floor(bench)
    if isinstance(floor, str):
        return (unmeasured("block.floor_flatness_um", floor, unit="um"),)
    off_um = 1e3 * floor.off_plane_mm()
    count = effective_count(edge_mm=bench.edge_mm, area_mm2=floor.area_mm2)
    noise = COLUMN_VARIANCE * bench.piece.noise_um**2
    square = float((off_um**2).mean()) - noise * (1.0 - 3.0 / count)
    flatness = float(np.sqrt(max(square, 0.0)))
    slack = noise * float(np.sqrt(2.0 / count))
    budget = (
        Component("surface noise", bench.piece.noise_um / np.sqrt(count)),
        Component("extent of the floor", EXTENT_PART * abs(floor.change(off_um, np.std))),
        Component("noise taken off", slack / float(np.sqrt(flatness**2 + slack)) if slack else 0.0),
    )
    witness = Witness("patch", points_mm=_thinned(floor.points_mm))
    return (measured("block.floor_flatness_um", flatness, unit="um", budget=budget, witness=witness),)


def find_floor(bench: Bench) -> Floor | str:
    """The largest patch of the cut that lies within 25° of level, away from its edges; or why there is none."""
    if not bench.has_cut or bench.lattice is None:
        return "nothing is cut"
    lattice = bench.lattice
    shape, spacing = (lattice.nx, lattice.ny), lattice.spacing_mm
    height = bench.piece_columns.top.reshape(shape)
    depth = (bench.subject_columns.top - bench.piece_columns.top).reshape(shape)
    opened = depth > bench.least_mm
    level = opened & (_slope_deg(height, opened, spacing) < STEEPEST_DEG)
    number = patches(level)
    if number.max() == 0:
        return "the cut has no level floor"
    patch = number == 1 + int(np.argmax(np.bincount(number.ravel())[1:]))
    kept = _eroded(patch, OFF_THE_EDGE_MM / spacing)
    area = float(kept.sum()) * lattice.cell_mm2
    if area < max(LEAST_AREA_MM2, LEAST_PART * float(opened.sum()) * lattice.cell_mm2):
        return "the cut has no level floor large enough to measure"
    farther = _eroded(patch, 2.0 * OFF_THE_EDGE_MM / spacing)
    points = np.column_stack([lattice.feet[kept.ravel()], height[kept]])
    middle = points.mean(axis=0)
    flat = points - middle
    plane = np.linalg.lstsq(np.column_stack([np.ones(len(flat)), flat[:, :2]]), points[:, 2], rcond=None)[0]
    return Floor(points, depth[kept], middle, plane, area, farther[kept])


def _slope_deg(height: FloatArray, known: np.ndarray, spacing: float) -> FloatArray:
    """Steepness of a height map smoothed over 0.25 mm; nan where its surroundings are not known."""
    reach = max(1, round(0.5 * SMOOTHED_MM / spacing))
    weight = _box_sum(known.astype(float), reach)
    total = _box_sum(np.where(known, np.nan_to_num(height), 0.0), reach)
    smooth = np.where(weight > 0, total / np.maximum(weight, 1.0), np.nan)
    smooth[~known] = np.nan
    step = max(1, round(0.5 * SLOPE_OVER_MM / spacing))
    slope = np.full((2, *height.shape), np.nan)
    slope[0, step:-step] = (smooth[2 * step :] - smooth[: -2 * step]) / (2 * step * spacing)
    slope[1, :, step:-step] = (smooth[:, 2 * step :] - smooth[:, : -2 * step]) / (2 * step * spacing)
    return np.asarray(np.degrees(np.arctan(np.hypot(*slope))))


def _box_sum(values: FloatArray, reach: int) -> FloatArray:
    """Sums over squares of 2 · reach + 1 cells, what lies outside counted as 0."""
    padded = np.pad(values, ((reach + 1, reach), (reach + 1, reach)))
    total = padded.cumsum(axis=0).cumsum(axis=1)
    n = 2 * reach + 1
    return np.asarray(total[n:, n:] - total[:-n, n:] - total[n:, :-n] + total[:-n, :-n])


def _eroded(mask: np.ndarray, reach: float) -> np.ndarray:
    cells = max(1, round(reach))
    return _box_sum(mask.astype(float), cells) > (2 * cells + 1) ** 2 - 0.5


def _thinned(points: FloatArray, most: int = 400) -> FloatArray:
    return points[:: max(1, len(points) // most)]
