"""The surface a cut field leaves."""

from __future__ import annotations

import numpy as np

from kerfmark.geometry.grids import sample, surface_of
from kerfmark.records import CutField, CutSurface, FloatArray, Grid
from kerfmark.replay.dense import dense

__all__ = ["cut_surface"]


def cut_surface(field: CutField, subject: Grid) -> CutSurface:
    """What is left of the subject: where its own distance and minus the head's are both negative, by marching cubes.

    Parameters
    ----------
    field : CutField
    subject : Grid
        The one that was replayed on.

    Returns
    -------
    surface : CutSurface
        Closed; faces counter-clockwise from outside; tooth frame.
    """
    distance, time = dense(field)
    ranges = [np.arange(n) for n in field.shape]
    points = np.stack(np.meshgrid(*ranges, indexing="ij"), axis=-1).reshape(-1, 3) * field.spacing_mm + field.origin_mm
    before = sample(subject, points).reshape(field.shape).astype(np.float32)
    left = surface_of(Grid(field.origin_mm, field.spacing_mm, np.maximum(before, -distance)))
    cut = np.where(-distance >= before, time, np.inf)
    nearest = np.rint((left.vertices_mm - field.origin_mm) / field.spacing_mm).astype(int)
    found: FloatArray = cut[tuple(nearest.T)]
    return CutSurface(left, np.where(np.isfinite(found), found, np.nan).astype(np.float32))
