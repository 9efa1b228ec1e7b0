"""Holes of a scan inside the cut: found among the columns, filled from beside them, and owned up to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.columns import Crossings, Lattice
from kerfmark.kernels.columns import beside_patches, patches

__all__ = ["Filled", "filled"]


@dataclass(frozen=True, slots=True, eq=False)
class Filled:
    """Lengths along the columns, and which of the columns the scan never saw and were filled in.

    `share` is the part of the cut's area, seen from above, that was filled in.
    """

    length_mm: NDArray[np.float32]
    filled: np.ndarray
    share: float


def filled(lengths: NDArray[np.float32], lattice: Lattice, *, subject: Crossings, piece: Crossings) -> Filled:
    """Columns in holes of the scan take the lengths of the nearest column that was seen.

    A hole lies inside the cut: most of what surrounds it is cut, and it does not reach the edge of what was scanned.
    """
    unseen = (np.diff(piece.starts) == 0) & (np.diff(subject.starts) > 0)
    none = np.zeros(lattice.columns, bool)
    if piece.is_closed or not unseen.any():
        return Filled(lengths, none, 0.0)
    cut = lengths[:, 1::2].sum(axis=(0, 1)) > 0.0
    holes = _holes(unseen, cut, np.diff(subject.starts) > 0, lattice)
    if not holes.any():
        return Filled(lengths, none, 0.0)
    from scipy.ndimage import distance_transform_edt

    shape = (lattice.nx, lattice.ny)
    source = (~unseen & (np.diff(subject.starts) > 0)).reshape(shape)
    near = distance_transform_edt(~source, return_distances=False, return_indices=True)
    number = (near[0] * lattice.ny + near[1]).ravel()
    whole = lengths.copy()
    whole[..., holes] = _like(lengths[..., holes], lengths[..., number[holes]])
    return Filled(whole, holes, float(holes.sum() / (holes.sum() + cut.sum())))


def _like(own: NDArray[np.float32], beside: NDArray[np.float32]) -> NDArray[np.float32]:
    """Own material of each layer, gone and left in the proportion found beside it."""
    out = own.copy()
    for plan in (0, 2):
        total, near = own[:, plan] + own[:, plan + 1], beside[:, plan] + beside[:, plan + 1]
        gone = np.divide(beside[:, plan + 1], near, out=np.zeros_like(near), where=near > 0)
        out[:, plan], out[:, plan + 1] = total * (1.0 - gone), total * gone
    return out


def _holes(unseen: np.ndarray, cut: np.ndarray, subject: np.ndarray, lattice: Lattice) -> np.ndarray:
    shape = (lattice.nx, lattice.ny)
    numbers = patches(unseen.reshape(shape))
    near, near_cut, at_edge = beside_patches(numbers, cut.reshape(shape), subject.reshape(shape))
    is_hole = ~at_edge & (near > 0) & (2 * near_cut > near)
    is_hole[0] = False
    return np.asarray(is_hole[numbers].ravel())
