"""How stiff each tissue feels, as a share of the hardest, and which tissue each voxel of the subject is."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.grids import sample
from kerfmark.records import FloatArray, Grid

__all__ = ["TISSUE_STIFFNESS", "labels_of", "stiffness_of"]

TISSUE_STIFFNESS: Mapping[str, float] = {
    "enamel": 1.0,
    "dentine": 18.6 / 80.0,
    "cortical": 14.5 / 80.0,
    "bone": 14.5 / 80.0,
    "cancellous": 1.37 / 80.0,
    "caries": 0.1,
    "pulp": 0.01,
}
"""Moduli over enamel's 80 GPa: dentine 18.6, cortical bone 14.5, trabecular 1.37 GPa, as used in finite-element work
(Int J Environ Res Public Health 2023;20:1889, table 1). Caries and pulp are chosen, no source at hand."""
OTHER = 1.0


def stiffness_of(names: tuple[str, ...], hardest_n_mm: float) -> FloatArray:
    """Stiffness (N/mm) of each layer, and last of what no layer claims, which feels like the hardest."""
    shares = [TISSUE_STIFFNESS.get(name, OTHER) for name in names]
    return hardest_n_mm * np.array([*shares, OTHER])


def labels_of(subject: Grid, layers: Mapping[str, Grid]) -> NDArray[np.uint8]:
    """Which layer each voxel of the subject's grid lies in, the later one where two do; the number of layers where none.

    A voxel beside a layer, by two at most, belongs to the nearest: what faces the surface is not left to rounding.
    """
    label = np.full(subject.values.shape, len(layers), dtype=np.uint8)
    near = np.argwhere(subject.values < 2.0 * subject.spacing_mm)
    points = subject.origin_mm + subject.spacing_mm * near
    own, nearest = np.full(len(near), len(layers)), np.full(len(near), 2.0 * subject.spacing_mm)
    for number, grid in enumerate(layers.values()):
        away = np.maximum(sample(grid, points), 0.0)
        own[away <= nearest] = number
        nearest = np.minimum(nearest, away)
    label[tuple(near.T)] = own
    return label
