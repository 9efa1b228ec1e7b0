"""The sparse blocks a motion is swept through, kept between chunks of it."""

from __future__ import annotations

import itertools
import math
import mmap
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.grids import sample
from kerfmark.instruments import Instrument, outline_of
from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.sweep import ROW, near_blocks, sweep_blocks
from kerfmark.records import FloatArray, Grid, IntArray
from kerfmark.replay.poses import Poses

__all__ = ["BAND_VOXELS", "EDGE", "Head", "Sweep", "head_of"]

EDGE = 8
CELLS, PLAIN = 8, 64
BAND_VOXELS = 2.0
SPANS_PER_THREAD = 8
FEW_BLOCKS = 64
BLOCKS_AT_ONCE = 1024
NOT_YET_HELD = -2
ROOM = 2**17
"""Blocks there is room for at first: half a gibibyte, none of it used before it is needed."""
WRITTEN_TO = 16_384
"""Blocks whose room a session has from its first step, 70 MB: three times what ten minutes in a cube of 10 mm need."""
NO_EDGE = 1e6
"""Length of a fan's end normal that lies along the axis: there the fan does not end, whatever margin is asked for."""
DIAGONAL = 3.5 * 3.0**0.5


@dataclass(frozen=True, slots=True, eq=False)
class Head:
    """An instrument's head in the kernels' form, its length and largest radius."""

    faces: NDArray[np.float32]
    fans: NDArray[np.float32]
    segments: NDArray[np.float32]
    length_mm: float
    radius_mm: float

    @property
    def reach_mm(self) -> float:
        """How far from the tip the head goes."""
        return float(np.hypot(self.length_mm, self.radius_mm))


def head_of(instrument: Instrument) -> Head:
    """The head of an instrument."""
    outline = outline_of(instrument.path)
    faces, fans = (outline.faces, outline.fans) if outline.is_convex else (np.empty((0, 3)), np.empty((0, 7)))
    fans = np.where((np.abs(fans) == 1.0) & (np.arange(7) >= 3) & (fans[:, 1:2] == 0.0), NO_EDGE * fans, fans)
    return Head(
        read_only(faces, np.float32),
        read_only(fans, np.float32),
        read_only(outline.segments, np.float32),
        instrument.length_mm,
        instrument.diameter_mm / 2,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Batch:
    """At most ROW windows of a run of poses, flat as the kernels want them."""

    poses: Poses
    windows: NDArray[np.float32]
    spans: NDArray[np.int32]
    head: Head


class Sweep:
    """Blocks of voxels about a subject, and what the heads swept so far did to them.

    Attributes
    ----------
    origin_mm, spacing_mm, band_mm
        Of the grid.
    counts : (3,) tuple of int
        Blocks along x, y, z.
    most : int
        Blocks that hold material or voxels beside it.
    used : int
        Blocks held so far.
    index : 3-D int32 array
        Where each block is held, −1 where it is not.
    cells : float32 array
        Flat in the kernels' form: distances and times, cell by cell.
    even_steps : bool
        Room is taken so that no single call waits long for it, at some cost to a whole record.
    swept : (n,) int32 array
        Where the blocks are held that the last poses came near to.
    """

    def __init__(
        self,
        subject: Grid,
        instruments: Sequence[Instrument],
        *,
        spacing_mm: float,
        threads: int,
        even_steps: bool = False,
    ) -> None:
        self.even_steps = even_steps
        self.origin_mm: FloatArray = np.array(subject.origin_mm, dtype=float)
        self.spacing_mm, self.band_mm = float(spacing_mm), BAND_VOXELS * float(spacing_mm)
        extent = (np.array(subject.values.shape) - 1) * subject.spacing_mm
        nx, ny, nz = (np.floor(extent / (EDGE * self.spacing_mm)).astype(int) + 1).tolist()
        self.counts: tuple[int, int, int] = (nx, ny, nz)
        self.heads = tuple(head_of(tool) for tool in instruments)
        self.threads = threads
        self.used = 0
        self.swept: IntArray = np.empty(0, dtype=np.int32)
        self.index = np.full(self.counts, -1, dtype=np.int32)
        self._active = _worth_holding(subject, self.origin_mm, self.counts, self.spacing_mm, self.band_mm)
        self._marks = np.zeros(self.counts, dtype=np.uint8)
        self._offsets = read_only(_voxel_offsets(self.spacing_mm).ravel(), np.float32)
        self.most = int(self._active.sum())
        self.places: IntArray = np.empty((0, 3), dtype=np.int32)
        self._near: IntArray = np.empty((self.most, 3), dtype=np.int32)
        self._slots: IntArray = np.empty(self.most, dtype=np.int32)
        self._work, self._chosen = np.empty((4, 8 * ROW), dtype=np.float32), np.empty(ROW, dtype=np.int32)
        self._room = np.empty(6 * PLAIN, dtype=np.float32)
        self._few = (
            np.empty((max((len(head.faces) for head in self.heads), default=0), 3), dtype=np.float32),
            np.empty((max((len(head.fans) for head in self.heads), default=0), 7), dtype=np.float32),
        )
        self._windows = np.zeros((8, ROW), dtype=np.float32)
        self._all_windows = self._windows.reshape(-1)
        self._lookers: dict[tuple[int, int], Callable[[], int]] = {}
        self.cells = np.empty((0, CELLS, 2, PLAIN), dtype=np.float32)
        self._planes = np.empty((0, CELLS, 4), dtype=np.float32)
        self._have_room(min(self.most, ROOM))
        self._pool: ThreadPoolExecutor | None = None

    def __enter__(self) -> Sweep:
        return self

    def __exit__(self, *_: object) -> None:
        """Let the threads go."""
        if self._pool is not None:
            self._pool.shutdown()
            self._pool = None

    STATE = ("places", "cells", "planes")
    """Names of the arrays that `state` gives and `restore` takes."""

    def state(self) -> dict[str, NDArray[Any]]:
        """The blocks held so far, as arrays: what a later sweep of the same heads over the same subject can go on from."""
        held = slice(0, self.used)
        return {"places": self.places[held], "cells": self.cells[held], "planes": self._planes[held]}

    def restore(self, state: Mapping[str, NDArray[Any]]) -> None:
        """Hold the blocks that `state` gave, in a sweep that holds none yet.

        Raises
        ------
        ValueError
            If the arrays cannot be a sweep's over this subject.
        """
        places, cells, planes = (state[name] for name in self.STATE)
        count = len(places)
        shaped = cells.shape == (count, *self.cells.shape[1:]) and planes.shape == (count, *self._planes.shape[1:])
        if not shaped or places.shape != (count, 3) or ((places < 0) | (places >= self.counts)).any():
            raise ValueError("blocks that do not belong to this grid")
        slots = slice(0, count)
        self._have_room(count)
        self.places[slots], self.cells[slots], self._planes[slots] = places, cells, planes
        self.index[tuple(places.T)] = np.arange(count, dtype=np.int32)
        self.used = count

    def candidates(self) -> IntArray:
        """Places (n, 3) of all blocks that hold material, or voxels beside it, in lexicographic order."""
        return np.argwhere(self._active).astype(np.int32)

    def reserve(self, blocks: int) -> None:
        """Take room for so many blocks now, as far as the grid has them: growing later copies what is held."""
        self._have_room(min(blocks, self.most))

    def make_ready(self, poses: Poses) -> None:
        """Load the loops of a step, by sweeping such poses through no blocks: the first step is then as quick as any."""
        self._look(poses.instrument, 1)
        batch = _Batch(poses, self._all_windows, poses.spans[:1], self.heads[poses.instrument])
        self._sweep(np.empty(0, dtype=np.int32), batch)

    def _have_room(self, blocks: int) -> None:
        """Room for so many blocks; room that is not written to takes no memory, so it is given generously."""
        held = len(self.places)
        if blocks <= held:
            return
        room = min(max(blocks, 2 * held), self.most)
        for name in ("places", "cells", "_planes"):
            before = getattr(self, name)
            wider = self._room_for((room, *before.shape[1:]), before.dtype)
            wider[: self.used] = before[: self.used]
            setattr(self, name, wider)

    def _room_for(self, shape: tuple[int, ...], dtype: np.dtype[Any]) -> NDArray[Any]:
        """Room that is taken as it is written to.

        A session takes it in small pages. The library asks the system for pages of 2 MB, which are quicker for a whole
        record, but the step that first writes to one waits for it up to 13 ms. The first part is written to at once: on a
        machine short of memory even a small page took a step 7 ms.
        """
        size = math.prod(shape) * dtype.itemsize
        if not self.even_steps or not size or not hasattr(mmap, "MADV_NOHUGEPAGE"):
            return np.empty(shape, dtype)
        room = mmap.mmap(-1, size)
        room.madvise(mmap.MADV_NOHUGEPAGE)
        taken = np.frombuffer(room, dtype).reshape(shape)
        taken[:WRITTEN_TO] = 0
        return taken

    def take(self, poses: Poses) -> None:
        """Sweep more poses."""
        for first in range(0, len(poses.spans), ROW):
            some = poses.windows[:, first : first + ROW]
            self._windows[:, : some.shape[1]] = some
            self._take(_Batch(poses, self._all_windows, poses.spans[first : first + ROW], self.heads[poses.instrument]))

    def _take(self, batch: _Batch) -> None:
        found = self._look(batch.poses.instrument, len(batch.spans))()
        slots = self._slots[:found].copy()
        new = slots == NOT_YET_HELD
        if new.any():
            slots[new] = self._held(self._near[:found][new])
        self.swept = slots[slots >= 0]
        if len(self.swept):
            self._sweep(self.swept, batch)

    def _look(self, instrument: int, windows: int) -> Callable[[], int]:
        """What finds the blocks near so many windows of a head; they stand in the sweep's own room."""
        look = self._lookers.get((instrument, windows))
        if look is None:
            head = self.heads[instrument]
            look = self._lookers[instrument, windows] = near_blocks.bound(
                self._near, self._slots, self._marks, self._active, self.index, self._all_windows, windows, self.spacing_mm,
                self.band_mm, head.length_mm, head.radius_mm, head.faces, head.fans, head.segments, self._work,
            )  # fmt: skip
        return look

    def _held(self, places: IntArray) -> IntArray:
        """Hold more blocks; where."""
        end = self.used + len(places)
        self._have_room(end)
        held, slots = slice(self.used, end), np.arange(self.used, end, dtype=np.int32)
        self.places[held] = places
        self.cells[held, :, 0], self.cells[held, :, 1] = self.band_mm, np.inf
        self._planes[held, :, :3], self._planes[held, :, 3] = 0.0, self.band_mm
        self.index[tuple(places.T)] = slots
        self.used = end
        return slots

    def _sweep(self, slots: IntArray, batch: _Batch) -> None:
        blocks, poses, head = self.places[slots], batch.poses, batch.head
        cells = self.cells.reshape(-1)

        def part(span: tuple[int, int], work: Any, chosen: Any, room: Any, *few: Any) -> None:
            sweep_blocks(
                slots, blocks, span[0], span[1], self.spacing_mm, self.band_mm, self._offsets, poses.columns, poses.linked,
                batch.windows, batch.spans, head.faces, head.fans, head.segments, cells, self._planes, work, chosen, room,
                *few,
            )  # fmt: skip

        if self.threads == 1 or len(slots) < FEW_BLOCKS:
            part((0, len(slots)), self._work, self._chosen, self._room, *self._few)
            return

        def apart(span: tuple[int, int]) -> None:
            part(span, *(np.empty_like(room) for room in (self._work, self._chosen, self._room, *self._few)))

        if self._pool is None:
            self._pool = ThreadPoolExecutor(self.threads)
        cuts = np.linspace(0, len(slots), SPANS_PER_THREAD * self.threads + 1).astype(int).tolist()
        list(self._pool.map(apart, itertools.pairwise(cuts)))

    def blocks(self) -> tuple[IntArray, NDArray[np.float32], NDArray[np.float32]]:
        """Places (n, 3), distances and times (n, 8, 8, 8) of the blocks that the head came near to, in lexicographic order."""
        nearest = self.cells[: self.used, :, 0].min(axis=(1, 2), initial=self.band_mm)
        near = np.flatnonzero(nearest < np.float32(self.band_mm))
        order = near[np.lexsort(self.places[near].T[::-1])]
        return self.places[order].copy(), self._unpacked(order, 0), self._unpacked(order, 1)

    def _unpacked(self, order: NDArray[np.intp], row: int) -> NDArray[np.float32]:
        """Distances (row 0) or times (1) of blocks as 8 × 8 × 8, from their 8 cells of 64 voxels."""
        out = np.empty((len(order), EDGE, EDGE, EDGE), dtype=np.float32)
        for first in range(0, len(order), BLOCKS_AT_ONCE):
            cells = self.cells[order[first : first + BLOCKS_AT_ONCE], :, row]
            split = cells.reshape(-1, 2, 2, 2, 4, 4, 4).transpose(0, 1, 4, 2, 5, 3, 6)
            out[first : first + BLOCKS_AT_ONCE] = split.reshape(-1, EDGE, EDGE, EDGE)
        return out


def _voxel_offsets(spacing_mm: float) -> FloatArray:
    """(3, 64) voxels of a cell from its centre."""
    steps = (np.arange(4) - 1.5) * spacing_mm
    return np.stack(np.meshgrid(steps, steps, steps, indexing="ij")).reshape(3, -1)


def _worth_holding(
    subject: Grid, origin_mm: FloatArray, counts: tuple[int, int, int], spacing_mm: float, band_mm: float
) -> NDArray[np.uint8]:
    """Blocks that hold material, or voxels beside it."""
    worth = np.empty(counts, dtype=np.uint8)
    inner = origin_mm + (np.array(subject.values.shape) - 1.001) * subject.spacing_mm
    across = np.stack(np.meshgrid(np.arange(counts[1]), np.arange(counts[2]), indexing="ij"), axis=-1).reshape(-1, 2)
    for i in range(counts[0]):
        middles = np.column_stack([np.full(len(across), i), across])
        points = origin_mm + spacing_mm * (EDGE * middles + 3.5)
        away = np.linalg.norm(np.maximum(points - inner, 0.0), axis=1)
        far = sample(subject, np.minimum(points, inner)) - away
        worth[i] = (far < band_mm + DIAGONAL * spacing_mm + subject.spacing_mm).reshape(counts[1:])
    return worth
