"""Probabilities of lying inside limits, in bulk, on plain arrays."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop

__all__ = ["inside", "rule_all"]

ROOT_HALF = math.sqrt(0.5)


@loop
def inside(value: float, u: float, lower: float, upper: float) -> float:
    """Normal probability between two limits; with u = 0, 1 inside or on them and 0 outside."""
    if u == 0.0:
        return 1.0 if lower <= value <= upper else 0.0
    a, b = (lower - value) / u * ROOT_HALF, (upper - value) / u * ROOT_HALF
    if a > 0.0:  # both limits on one side: tails subtract without cancelling
        return 0.5 * (math.erfc(a) - math.erfc(b))
    if b < 0.0:
        return 0.5 * (math.erfc(-b) - math.erfc(-a))
    return 1.0 - 0.5 * (math.erfc(-a) + math.erfc(b))


@loop
def rule_all(
    values: NDArray[np.float64],
    u: NDArray[np.float64],
    lower: NDArray[np.float64],
    upper: NDArray[np.float64],
    met_at: float,
    codes: NDArray[np.int8],
    probability: NDArray[np.float64],
    code: NDArray[np.int8],
) -> None:
    """Fill `probability` and `code` (n, m); `codes` holds not measurable, not met, too close, met."""
    for i in range(values.shape[0]):
        for j in range(values.shape[1]):
            if math.isnan(values[i, j]) or math.isnan(u[i, j]):
                probability[i, j], code[i, j] = math.nan, codes[0]
                continue
            p = inside(values[i, j], u[i, j], lower[j], upper[j])
            probability[i, j] = p
            code[i, j] = codes[3] if p >= met_at else codes[1] if p <= 1.0 - met_at else codes[2]
