"""The surface a cut field leaves: marching cubes over the blocks that it passes through."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.marching import triangle_table
from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.sparse import count_surface, crossed, fill_faces, fill_vertices, sides
from kerfmark.records import CutField, CutSurface, Grid, IntArray, Surface
from kerfmark.replay.voxels import in_parts, read_at_blocks

__all__ = ["cut_surface"]

HALF_DIAGONAL = 4.5 * 3.0**0.5


def cut_surface(field: CutField, subject: Grid, *, threads: int = 2) -> CutSurface:
    """What is left of the subject: where its own distance and minus the head's are both negative, by marching cubes.

    A vertex lies where the first of the two surfaces crosses its edge, so that the rim of a cut stays sharp.

    Parameters
    ----------
    field : CutField
    subject : Grid
        The one that was replayed on.
    threads : int
        Do not change the result.

    Returns
    -------
    surface : CutSurface
        Closed; faces counter-clockwise from outside; tooth frame. `time_s` is that of the closest pass of the head to
        the material's side of the vertex, NaN on the subject's own surface.
    """
    blocks, index = _blocks(field, subject)
    before = read_at_blocks(
        subject, blocks, origin_mm=field.origin_mm, spacing_mm=field.spacing_mm, edge=8, threads=threads
    )
    own, slots = np.arange(len(blocks), dtype=np.int32), np.full(len(blocks), -1, dtype=np.int32)
    slots[index[tuple(field.blocks.T)]] = np.arange(len(field.blocks), dtype=np.int32)
    cut, time = read_only(field.distance_mm, np.float32), read_only(field.time_s, np.float32)
    chosen = _crossed(before, cut, slots, blocks, index, threads)
    table, band, count = read_only(triangle_table(), np.int8), float(field.band_mm), len(chosen)
    vertices, faces = np.zeros(count, dtype=np.int32), np.zeros(count, dtype=np.int32)
    lines = np.empty((count, 3 * 8**3), dtype=np.int16)

    def counted(a: int, b: int) -> None:
        count_surface(
            before, cut, own, slots, blocks, index, band, table, chosen, a, b, vertices, faces, lines
        )  # fmt: skip

    in_parts(count, threads, counted)
    starts, face_starts = _starts(vertices), _starts(faces)
    line_of = np.full(len(blocks), -1, dtype=np.int32)
    line_of[chosen] = np.arange(count, dtype=np.int32)
    points, when = np.empty((starts[-1], 3)), np.empty(starts[-1], dtype=np.float32)
    triangles = np.empty((face_starts[-1], 3), dtype=np.int32)

    def filled(a: int, b: int) -> None:
        fill_vertices(
            before, cut, time, own, slots, blocks, index, band, field.spacing_mm, lines, starts, chosen, a, b, points, when
        )  # fmt: skip
        fill_faces(
            before, cut, own, slots, blocks, index, band, table, lines, line_of, starts, face_starts, chosen, a, b, triangles
        )  # fmt: skip

    in_parts(count, threads, filled)
    points += field.origin_mm
    return CutSurface(Surface(points, triangles), when)


def _crossed(
    before: NDArray[np.float32], cut: NDArray[np.float32], slots: IntArray, blocks: IntArray, index: IntArray, threads: int
) -> IntArray:  # fmt: skip
    """Those of the blocks that the surface crosses."""
    side, found = np.empty(len(blocks), dtype=np.int8), np.zeros(len(blocks), dtype=bool)
    in_parts(len(blocks), threads, lambda a, b: sides(before, cut, slots, a, b, side))
    crossed(blocks, index, side, found)
    return np.flatnonzero(found).astype(np.int32)


def _blocks(field: CutField, subject: Grid) -> tuple[IntArray, IntArray]:
    """Blocks the surface may pass through with those after them, and where each stands in that list."""
    counts = np.array(field.shape) // 8
    everywhere = np.indices(counts.tolist(), dtype=np.int32).reshape(3, -1).T
    middles = read_at_blocks(
        subject, everywhere, origin_mm=field.origin_mm + 3.5 * field.spacing_mm,
        spacing_mm=8 * field.spacing_mm, edge=1, threads=1,
    )  # fmt: skip
    near = np.abs(middles.reshape(counts)) < HALF_DIAGONAL * field.spacing_mm + 0.5 * subject.spacing_mm
    near[tuple(field.blocks.T)] = True
    wanted = near.copy()
    for axis in range(3):
        low, high = [slice(None)] * 3, [slice(None)] * 3
        low[axis], high[axis] = slice(None, -1), slice(1, None)
        wanted[tuple(high)] |= wanted[tuple(low)]
    blocks = np.argwhere(wanted).astype(np.int32)
    index = np.full(counts, -1, dtype=np.int32)
    index[tuple(blocks.T)] = np.arange(len(blocks))
    return blocks, index


def _starts(counts: IntArray) -> IntArray:
    return np.concatenate([[0], np.cumsum(counts, dtype=np.int64)]).astype(np.int32)
