"""Small symmetric systems of equations, solved where they stand."""

from __future__ import annotations

import numpy as np

from kerfmark.kernels.compiled import loop
from kerfmark.records import FloatArray

__all__ = ["solve_positive"]


@loop
def solve_positive(matrix: FloatArray, right: FloatArray, out: FloatArray) -> bool:
    """Cholesky solution of a small symmetric system into `out`; `matrix` is used up. False where it is not positive."""
    n = matrix.shape[0]
    for i in range(n):
        for j in range(i + 1):
            total = matrix[i, j]
            for k in range(j):
                total -= matrix[i, k] * matrix[j, k]
            if i == j:
                if total <= 0.0:
                    return False
                matrix[i, i] = np.sqrt(total)
            else:
                matrix[i, j] = total / matrix[j, j]
    for i in range(n):
        total = right[i]
        for k in range(i):
            total -= matrix[i, k] * out[k]
        out[i] = total / matrix[i, i]
    for i in range(n - 1, -1, -1):
        total = out[i]
        for k in range(i + 1, n):
            total -= matrix[k, i] * out[k]
        out[i] = total / matrix[i, i]
    return True
