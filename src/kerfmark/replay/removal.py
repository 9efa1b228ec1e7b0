"""What a cut field removed, by tissue and over time."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from kerfmark.geometry.grids import sample
from kerfmark.records import CutField, FloatArray, Grid, Removal

__all__ = ["removal"]

OTHER = "other"


def removal(field: CutField, subject: Grid, *, layers: Mapping[str, Grid], bin_s: float = 1.0) -> Removal:
    """Volumes removed, partial voxels by signed distance.

    Parameters
    ----------
    field : CutField
    subject : Grid
        The one that was replayed on.
    layers : mapping of name to Grid
        Signed distance of each layer; where two overlap the later one wins.
    bin_s : float
        Width of a time bin, s.

    Returns
    -------
    removal : Removal
    """
    edge = field.distance_mm.shape[1]
    inner = np.stack(np.meshgrid(*[np.arange(edge)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    points = (field.blocks[:, None] * edge + inner).reshape(-1, 3) * field.spacing_mm + field.origin_mm
    distance, time = field.distance_mm.reshape(-1), field.time_s.reshape(-1)
    before = sample(subject, points)
    share = _inside(before, field.spacing_mm) - _inside(np.maximum(before, -distance), field.spacing_mm)
    gone = np.flatnonzero((share > 0.0) & np.isfinite(time))
    volume, when = share[gone] * field.spacing_mm**3, time[gone].astype(float)
    names = (*layers, OTHER)
    rest, shares = np.ones(len(gone)), np.zeros((len(names), len(gone)))
    for n, name in reversed(list(enumerate(layers))):
        within = _inside(sample(layers[name], points[gone]), field.spacing_mm)
        shares[n], rest = rest * within, rest * (1.0 - within)
    shares[-1] = rest
    bins = int(when.max() / bin_s) + 1 if len(when) else 1
    slot = (when / bin_s).astype(int)
    by_time = np.stack([np.bincount(slot, weights=volume * row, minlength=bins) for row in shares])
    ends = np.array([_ends(when[row > 0.5]) for row in shares])
    return Removal(names, bin_s * np.arange(1.0, bins + 1.0), by_time.astype(float), ends[:, 0], ends[:, 1])


def _inside(distance: FloatArray, spacing: float) -> FloatArray:
    """Share of a voxel inside a surface that passes at this signed distance from its centre."""
    return np.clip(0.5 - distance / spacing, 0.0, 1.0)


def _ends(times: FloatArray) -> tuple[float, float]:
    return (float(times.min()), float(times.max())) if len(times) else (np.nan, np.nan)
