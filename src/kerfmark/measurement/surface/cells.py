"""What is left and what is gone as small upright cells, for readings that ask where material lies and not only how much.

A cell holds shares, not a yes or no: columns cross surfaces at exact heights, so that the sum over cells is exact along the
columns and errs only across them, as `geometry.columns` says.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfmark.geometry.columns import Crossings, Lattice
from kerfmark.geometry.grids import sample
from kerfmark.measurement.surface.bench import Bench
from kerfmark.records import FloatArray

__all__ = ["Cells", "cells_of", "layer_at", "share_of"]


@dataclass(frozen=True, eq=False)
class Cells:
    """Cells of the subject: cell (c, k) stands on column c of `lattice`, from `top_mm − k · step_mm` down by one step.

    Attributes
    ----------
    left, gone : (columns, levels) float32 arrays
        Which share of each cell is subject that is still there, and subject that was removed.
    """

    lattice: Lattice
    top_mm: float
    step_mm: float
    left: NDArray[np.float32]
    gone: NDArray[np.float32]

    @property
    def cell_mm3(self) -> float:
        """Volume of a whole cell."""
        return self.lattice.cell_mm2 * self.step_mm

    def middles(self, chosen: NDArray[np.bool_]) -> FloatArray:
        """(n, 3) middles of the chosen cells (a mask like `left`), mm, in the order of `np.nonzero`."""
        column, level = np.nonzero(chosen)
        return np.column_stack([self.lattice.feet[column], self.top_mm - (level + 0.5) * self.step_mm])

    def is_left(self, points_mm: ArrayLike) -> NDArray[np.bool_]:
        """(n,) whether each point lies in a cell more than half of which is left; False outside the cells."""
        points = np.asarray(points_mm, dtype=float)
        column, level = self.lattice.nearest(points), np.floor((self.top_mm - points[:, 2]) / self.step_mm).astype(int)
        known = (level >= 0) & (level < self.left.shape[1])
        return np.asarray(known & (self.left[column, np.clip(level, 0, self.left.shape[1] - 1)] > 0.5))


def cells_of(bench: Bench, *, low_mm: float, high_mm: float, step_mm: float | None = None) -> Cells | None:
    """The subject between two heights over the bench's lattice, in cells as high as its columns stand apart.

    Parameters
    ----------
    bench : Bench
    low_mm, high_mm : float
    step_mm : float, optional

    Returns
    -------
    cells : Cells or None
        None where nothing is cut or planned to be. Columns the scan never saw count as left.
    """
    lattice = bench.lattice
    if lattice is None or not high_mm > low_mm:
        return None
    step = step_mm or lattice.spacing_mm
    levels = int(np.ceil((high_mm - low_mm) / step))
    subject = share_of(bench.subject_columns, lattice, top_mm=high_mm, step_mm=step, levels=levels)
    piece = share_of(bench.piece_columns, lattice, top_mm=high_mm, step_mm=step, levels=levels)
    if not bench.piece_columns.is_closed:
        piece[np.diff(bench.piece_columns.starts) == 0] = 1.0
    left = np.minimum(subject, piece)
    return Cells(lattice, float(high_mm), float(step), left, subject - left)


def share_of(found: Crossings, lattice: Lattice, *, top_mm: float, step_mm: float, levels: int) -> NDArray[np.float32]:
    """(columns, levels) which share of each cell lies inside a surface that columns cross at `found`."""
    column = np.repeat(np.arange(lattice.columns), np.diff(found.starts))
    depth = np.clip((top_mm - found.heights) / step_mm, 0.0, levels)
    level = np.minimum(np.floor(depth).astype(np.int64), levels)
    sign = np.where(found.upward, 1.0, -1.0)
    part = level + 1.0 - depth
    change = np.zeros((lattice.columns, levels + 2), np.float32)
    np.add.at(change, (column, level), (sign * part).astype(np.float32))
    np.add.at(change, (column, level + 1), (sign * (1.0 - part)).astype(np.float32))
    return np.asarray(np.clip(np.cumsum(change[:, :levels], axis=1), 0.0, 1.0), dtype=np.float32)


def layer_at(bench: Bench, points_mm: ArrayLike) -> NDArray[np.int64]:
    """(n,) which layer holds each point: its place among `bench.layer_names`, −1 where none does. The later layer wins."""
    points = np.asarray(points_mm, dtype=float).reshape(-1, 3)
    held = np.full(len(points), -1)
    for n, name in enumerate(bench.layer_names):
        held[sample(bench.prepared.layer_grids[name], points) < 0.0] = n
    return held
