"""How much of the subject is gone along upright columns."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.columns import Crossings, Lattice
from kerfmark.kernels import columns as kernels
from kerfmark.kernels.arrays import read_only
from kerfmark.records import Grid

__all__ = ["lengths_removed"]


def lengths_removed(
    lattice: Lattice,
    *,
    subject: Crossings,
    piece: Crossings,
    target: Crossings | None,
    layers: Sequence[Crossings],
    planned_layer: int | None,
    subject_grid: Grid,
    least_mm: float,
) -> NDArray[np.float32]:
    """How much of the subject is left and gone along each column, by layer and by plan.

    Parameters
    ----------
    lattice : Lattice
    subject, piece, target : Crossings
        What the target lacks is planned to go.
    layers : sequence of Crossings
        The last that holds a point names it.
    planned_layer : int, optional
        Used without a target: this layer and what stands above it are planned to go.
    subject_grid : Grid
        Signed distance of the subject.
    least_mm : float
        A run of removed material counts where it comes deeper than this below the subject's surface, or runs along it
        beside one that does.

    Returns
    -------
    length_mm : (layers + 1, 4, columns) float32 array, mm
        First axis: 0 for what no layer claims, then the layers. Second axis: left and removed outside the plan, left
        and removed inside it.
    """
    empty = Crossings(np.zeros(lattice.columns + 1, np.int64), np.empty(0), np.empty(0, bool))
    stack = [subject, piece, target or empty, *layers]
    offsets = np.cumsum([0] + [len(s.heights) for s in stack])
    starts = np.concatenate([s.starts[:-1] + o for s, o in zip(stack, offsets, strict=False)] + [offsets[-1:]])
    plan = -1 if target is not None else -2 if planned_layer is None else planned_layer
    feet = np.column_stack([lattice.feet, np.zeros(lattice.columns)])
    return kernels.lengths_removed(
        starts.astype(np.int64), np.concatenate([s.heights for s in stack]),
        np.concatenate([s.upward for s in stack]), len(stack), lattice.columns, plan,
        read_only(subject_grid.values, np.float32), (feet - subject_grid.origin_mm) / subject_grid.spacing_mm,
        np.array([0.0, 0.0, 1.0]) / subject_grid.spacing_mm, float(least_mm), piece.is_closed,
        lattice.ny, 1 + math.ceil(least_mm / lattice.spacing_mm),
    )  # fmt: skip
