"""A cut field spread out over its whole box."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfmark.records import CutField

__all__ = ["dense"]


def dense(field: CutField) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Distance (mm) and time (s) of every voxel of the box; + the band and infinity where no block is."""
    distance = np.full(field.shape, field.band_mm, dtype=np.float32)
    time = np.full(field.shape, np.inf, dtype=np.float32)
    edge = field.distance_mm.shape[1]
    for block, near, when in zip(field.blocks * edge, field.distance_mm, field.time_s, strict=True):
        place = tuple(slice(low, low + edge) for low in block.tolist())
        distance[place], time[place] = near, when
    return distance, time
