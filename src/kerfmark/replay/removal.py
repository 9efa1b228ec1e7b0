"""What a cut field removed, by tissue and over time."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from kerfmark.kernels.sparse import removed
from kerfmark.records import CutField, FloatArray, Grid, Removal
from kerfmark.replay.voxels import read_at_blocks

__all__ = ["removal"]

OTHER = "other"
BLOCKS_AT_ONCE = 512


def removal(
    field: CutField, subject: Grid, *, layers: Mapping[str, Grid], bin_s: float = 1.0, threads: int = 2
) -> Removal:
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
    threads : int
        Do not change the result.

    Returns
    -------
    removal : Removal
    """
    names = (*layers, OTHER)
    finite = field.time_s[np.isfinite(field.time_s)]
    bins = int(finite.max() / bin_s) + 1 if len(finite) else 1

    def part(first: int) -> tuple[FloatArray, FloatArray]:
        here = slice(first, first + BLOCKS_AT_ONCE)
        blocks = field.blocks[here]
        before, *tissues = (
            read_at_blocks(grid, blocks, origin_mm=field.origin_mm, spacing_mm=field.spacing_mm, edge=8, threads=1)
            for grid in (subject, *layers.values())
        )
        by_time, ends = np.zeros((len(names), bins)), np.tile([np.inf, -np.inf], (len(names), 1))
        stacked = np.stack(tissues) if tissues else np.empty((0, len(blocks), 8, 8, 8), dtype=np.float32)
        removed(
            np.ascontiguousarray(field.distance_mm[here]), np.ascontiguousarray(field.time_s[here]), before, stacked,
            field.spacing_mm, bin_s, by_time, ends,
        )  # fmt: skip
        return by_time, ends

    with ThreadPoolExecutor(threads) as pool:
        parts = list(pool.map(part, range(0, len(field.blocks), BLOCKS_AT_ONCE)))
    total = sum((by_time for by_time, _ in parts), np.zeros((len(names), bins)))
    first = np.min([ends[:, 0] for _, ends in parts], axis=0, initial=np.inf)
    last = np.max([ends[:, 1] for _, ends in parts], axis=0, initial=-np.inf)
    return Removal(
        names,
        bin_s * np.arange(1.0, bins + 1.0),
        total,
        np.where(np.isfinite(first), first, np.nan),
        np.where(np.isfinite(last), last, np.nan),
    )
