"""Dense grids read at the voxels of sparse blocks."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.sparse import read_blocks
from kerfmark.records import FloatArray, Grid, IntArray

__all__ = ["in_parts", "read_at_blocks"]

PARTS_PER_THREAD = 4


def in_parts(count: int, threads: int, work: Callable[[int, int], None]) -> None:
    """Call `work(first, end)` over spans of `count` things, several at once."""
    cuts = np.unique(np.linspace(0, count, PARTS_PER_THREAD * threads + 1).astype(int)).tolist()
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(lambda span: work(*span), itertools.pairwise(cuts)))


def read_at_blocks(
    grid: Grid, blocks: IntArray, *, origin_mm: FloatArray, spacing_mm: float, edge: int, threads: int
) -> NDArray[np.float32]:
    """Trilinear values (n, edge, edge, edge) of a grid at the voxels of blocks of another."""
    out = np.empty((len(blocks), edge, edge, edge), dtype=np.float32)
    values, places = read_only(grid.values, np.float32), read_only(blocks, np.int32)
    shift = read_only(origin_mm - grid.origin_mm, np.float64)

    def part(first: int, end: int) -> None:
        read_blocks(out[first:end], places[first:end], spacing_mm, values, shift, float(grid.spacing_mm))

    in_parts(len(blocks), threads, part)
    return out
