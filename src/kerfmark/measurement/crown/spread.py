"""Percentiles of measured values, with what noise adds to their spread taken out."""

from __future__ import annotations

import math

import numpy as np

from kerfmark.records import FloatArray

__all__ = ["without_noise"]


def without_noise(values: FloatArray, *, at: float, noise_mm: float) -> float:
    """A percentile of values whose spread is drawn in by what the source's noise adds to it.

    Noise alone moves the 5th percentile down and the 95th up; that much is known and is taken out (JCGM 100, 3.2.3).
    """
    middle, found = np.percentile(values, [50.0, at])
    variance = float(values.var())
    kept = math.sqrt(max(variance - noise_mm**2, 0.0) / variance) if variance > 0.0 else 1.0
    return float(middle + kept * (found - middle))
