"""A whole motion swept into a cut field."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace as with_changes
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from kerfmark.instruments import Instrument
from kerfmark.records import CutField, Grid, IntArray, Motion
from kerfmark.replay.kept import Keeper
from kerfmark.replay.poses import Poses, cutting_stretches, poses_of
from kerfmark.replay.shank import shank_contacts
from kerfmark.replay.sweep import EDGE, Sweep

__all__ = ["STEP_VOXELS", "Device", "field_of", "replay"]

Device: TypeAlias = Literal["cpu", "cuda"]

CHUNK = 4096
STEP_VOXELS = 0.5


def _silent(_share: float) -> None:
    """Say nothing."""


def replay(
    motion: Motion,
    subject: Grid,
    *,
    instruments: Sequence[Instrument],
    spacing_mm: float = 0.05,
    threads: int = 2,
    chunk: int = CHUNK,
    device: Device = "cpu",
    progress: Callable[[float], None] = _silent,
    keeper: Keeper | None = None,
) -> CutField:
    """The cut as a field of times.

    Between samples the tip moves straight and the orientation by the shortest arc. A stretch cuts if it is joined and the
    spindle turns at both its ends; the first sample cuts where it stands. Only the head cuts. The result is the same, bit
    for bit, for any number of threads.

    Parameters
    ----------
    motion : Motion
        In the tooth frame.
    subject : Grid
        Signed distance of the state before cutting, tooth frame (`Prepared.subject_grid`).
    instruments : sequence of Instrument
        One for each of `motion.instruments`, in their order.
    spacing_mm : float
        Between voxels.
    threads, chunk : int
        Threads, and samples looked at together; neither changes the result by a bit.
    device : "cpu" or "cuda"
        A CUDA device sweeps some fifty times as fast; distances and times then differ in the last bits of single precision.
    progress : callable, optional
        Called with the share done, 0 to 1.
    keeper : Keeper, optional
        Keeps where the replay stands, and goes on from where it stood. The result is the same, bit for bit, as in one go.

    Returns
    -------
    field : CutField

    Raises
    ------
    InputError
        If `device` is "cuda" and there is none, or `keeper`'s file cannot be gone on from.
    """
    sweep = Sweep(subject, instruments, spacing_mm=spacing_mm, threads=threads)
    cuts, step_mm = cutting_stretches(motion), STEP_VOXELS * spacing_mm
    if device == "cuda":
        from kerfmark.replay.on_device import swept_on_device

        places, distance, time, poses = swept_on_device(
            motion, cuts, sweep.candidates(), heads=sweep.heads, origin_mm=sweep.origin_mm, spacing_mm=sweep.spacing_mm,
            band_mm=sweep.band_mm, step_mm=step_mm,
        )  # fmt: skip
        return field_of(sweep, motion, subject, instruments, poses=poses, blocks=(places, distance, time))
    begun = (0, 0) if keeper is None else keeper.resume(sweep, motion, subject, cuts)

    def keep(first: int, poses: int) -> None:
        if keeper is not None:
            keeper.keep(sweep, motion, subject, cuts, first=first, poses=poses)

    poses = _swept(sweep, motion, cuts, chunk=chunk, step_mm=step_mm, progress=progress, begun=begun, keep=keep)
    return field_of(sweep, motion, subject, instruments, poses=poses)


def _swept(
    sweep: Sweep,
    motion: Motion,
    cuts: NDArray[np.bool_],
    *,
    chunk: int,
    step_mm: float,
    progress: Callable[[float], None],
    begun: tuple[int, int],
    keep: Callable[[int, int], None],
) -> int:
    """Sweep a motion chunk by chunk from the sample where it stood; how many poses that took, with those before."""
    reach = np.array([head.reach_mm for head in sweep.heads])
    count, (start, poses) = len(motion.time_s), begun

    def runs_from(first: int) -> list[Poses]:
        end = min(first + chunk, count)
        return list(poses_of(motion, cuts, first, end, origin_mm=sweep.origin_mm, reach_mm=reach, step_mm=step_mm))

    with ThreadPoolExecutor(1) as ahead, sweep:
        for first, runs in _one_ahead(ahead, runs_from, range(start, count, chunk)):
            for run in runs:
                sweep.take(run)
                poses += run.swept
            done = min(first + chunk, count)
            keep(done, poses)
            progress(done / count)
    return poses


Blocks: TypeAlias = tuple[IntArray, NDArray[np.float32], NDArray[np.float32]]
"""Places (n, 3), distances and times (n, 8, 8, 8) of the blocks that a head came near to."""


def field_of(
    sweep: Sweep,
    motion: Motion,
    subject: Grid,
    instruments: Sequence[Instrument],
    *,
    poses: int,
    blocks: Blocks | None = None,
) -> CutField:
    """What a sweep has come to, as the field of the motion that was swept; `blocks` where another engine swept them."""
    places, distance, time = sweep.blocks() if blocks is None else blocks
    nx, ny, nz = (EDGE * n for n in sweep.counts)
    field = CutField(
        sweep.origin_mm, sweep.spacing_mm, (nx, ny, nz), sweep.band_mm, places, distance, time, float(motion.time_s[0]),
        poses, len(motion.time_s),
    )  # fmt: skip
    return with_changes(field, contacts=shank_contacts(field, subject, motion, instruments))


def _one_ahead(
    pool: ThreadPoolExecutor, make: Callable[[int], list[Poses]], firsts: range
) -> Iterator[tuple[int, list[Poses]]]:
    """What `make` gives for each first sample, in order; the next is made while the last is used."""
    waiting = pool.submit(make, firsts[0]) if len(firsts) else None
    for n, first in enumerate(firsts):
        assert waiting is not None
        runs = waiting.result()
        waiting = pool.submit(make, firsts[n + 1]) if n + 1 < len(firsts) else None
        yield first, runs
