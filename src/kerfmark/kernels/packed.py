"""Walking the rows of a binary table whose rows differ in length."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop
from kerfmark.records import IntArray

__all__ = ["fan_polygons", "list_rows"]


@loop
def _unsigned(data: NDArray[np.uint8], at: int, size: int, little: bool) -> int:
    value = 0
    for i in range(size):
        value = value * 256 + data[at + size - 1 - i if little else at + i]
    return value


@loop
def list_rows(
    data: NDArray[np.uint8], at: int, rows: int, sizes: IntArray, count_sizes: IntArray, little: bool,
    where: NDArray[np.int64], length: NDArray[np.int64],
) -> int:  # fmt: skip
    """Find where each property of each row begins: `where` and `length` (rows, properties). The end, or −1 if cut short.

    `count_sizes` is 0 for a plain value, else the bytes of the list's count (unsigned).
    """
    end = data.shape[0]
    for row in range(rows):
        for p in range(sizes.shape[0]):
            count = 1
            if count_sizes[p] > 0:
                if at + count_sizes[p] > end:
                    return -1
                count = _unsigned(data, at, count_sizes[p], little)
                at += count_sizes[p]
            where[row, p] = at
            length[row, p] = count
            if count * sizes[p] > end - at:
                return -1
            at += count * sizes[p]
    return at


@loop
def fan_polygons(indices: IntArray, starts: NDArray[np.int64], faces: IntArray) -> int:
    """Fan each polygon indices[starts[i]:starts[i + 1]] into triangles; how many were made."""
    made = 0
    for i in range(starts.shape[0] - 1):
        for k in range(starts[i] + 2, starts[i + 1]):
            faces[made, 0], faces[made, 1], faces[made, 2] = indices[starts[i]], indices[k - 1], indices[k]
            made += 1
    return made
