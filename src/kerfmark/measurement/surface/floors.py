"""The level floors of a cut, found on the columns that look at it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.columns import patches
from kerfmark.measurement.surface.bench import Bench
from kerfmark.records import FloatArray

__all__ = ["Floor", "find_floor", "floors_of"]

STEEPEST_DEG = 25.0
SMOOTHED_MM = 0.25
SLOPE_OVER_MM = 0.2
OFF_THE_EDGE_MM = 0.2
"""Beyond the 0.1 mm beside an edge where the slope is not known."""
LEAST_AREA_MM2 = 0.3
LEAST_PART = 0.1


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


def find_floor(bench: Bench) -> Floor | str:
    """The largest patch of the cut that lies within 25° of level, away from its edges; or why there is none."""
    found = floors_of(bench)
    return found if isinstance(found, str) else found[0]


def floors_of(
    bench: Bench,
    *,
    least_part: float = LEAST_PART,
    least_mm2: float = LEAST_AREA_MM2,
    off_edge_mm: float = OFF_THE_EDGE_MM,
) -> tuple[Floor, ...] | str:
    """Every patch of the cut that lies within 25° of level and is large enough, largest first; or why there is none.

    Parameters
    ----------
    bench : Bench
    least_part : float
        Of the whole opening, what a floor has to take up.
    least_mm2, off_edge_mm : float
        The least area of one, and how far off its edges it is read; narrow floors need less of both.
    """
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
    least = max(least_mm2, least_part * float(opened.sum()) * lattice.cell_mm2)
    sizes = np.bincount(number.ravel())[1:]
    found = [
        _floor(bench, number == 1 + int(n), height, depth, off_edge_mm)
        for n in np.argsort(-sizes, kind="stable")
        if float(sizes[n]) * lattice.cell_mm2 >= least
    ]
    kept = tuple(floor for floor in found if floor is not None and floor.area_mm2 >= least)
    return kept or "the cut has no level floor large enough to measure"


def _floor(bench: Bench, patch: np.ndarray, height: FloatArray, depth: FloatArray, off_edge_mm: float) -> Floor | None:
    """A patch less what lies near its edges, and its best plane."""
    lattice = bench.lattice
    assert lattice is not None
    kept = _eroded(patch, off_edge_mm / lattice.spacing_mm)
    if not kept.any():
        return None
    farther = _eroded(patch, 2.0 * off_edge_mm / lattice.spacing_mm)
    points = np.column_stack([lattice.feet[kept.ravel()], height[kept]])
    middle = points.mean(axis=0)
    flat = points - middle
    plane = np.linalg.lstsq(np.column_stack([np.ones(len(flat)), flat[:, :2]]), points[:, 2], rcond=None)[0]
    return Floor(points, depth[kept], middle, plane, float(kept.sum()) * lattice.cell_mm2, farther[kept])


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
