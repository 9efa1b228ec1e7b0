"""Roots of teeth that have several: each a tapering tube about its own curved axis, joined below the trunk."""

from __future__ import annotations

import numpy as np

from kerfmark.anatomy.form.curves import monotone, rounded_end, smooth_step
from kerfmark.anatomy.form.tables import Root, Shape
from kerfmark.records import FloatArray

__all__ = ["make_roots"]

COLUMNS = 9


def make_roots(z_mm: FloatArray, shape: Shape, *, root_length_mm: float) -> FloatArray:
    """One table along z for each root, (k, nz, 9), as `kernels.tooth_field` reads them."""
    if not shape.roots:
        return np.empty((0, len(z_mm), COLUMNS))
    return np.stack([_table(z_mm, root, root_length_mm - root.shorter, shape) for root in shape.roots])


def _table(z_mm: FloatArray, root: Root, length: float, shape: Shape) -> FloatArray:
    table = np.zeros((len(z_mm), COLUMNS))
    t = -z_mm / length
    for column, index, rows in ((0, 1, root.path), (1, 2, root.path), (2, 1, root.half), (3, 2, root.half)):
        table[:, column] = monotone([(row[0], row[index]) for row in rows], np.clip(t, -0.2, 1.15))
    buried = 1.0 - 0.28 * (1.0 - smooth_step(-z_mm / (1.1 * shape.furcation)))
    table[:, 2:4] = np.maximum(table[:, 2:4] * (buried * rounded_end(t))[:, None], 0.2)
    table[:, 4] = root.waist * np.clip(np.minimum(t * 3, (1.15 - t) * 2), 0.0, 1.0)
    table[:, 5], table[:, 6] = np.cos(np.radians(-root.turn)), np.sin(np.radians(-root.turn))
    table[:, 7], table[:, 8] = -0.25 * shape.furcation, -length
    return table
