"""A whole motion swept into a cut field."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace as with_changes

import numpy as np

from kerfmark.instruments import Instrument
from kerfmark.records import CutField, Grid, Motion
from kerfmark.replay.poses import Poses, cutting_stretches, poses_of
from kerfmark.replay.shank import shank_contacts
from kerfmark.replay.sweep import EDGE, Sweep

__all__ = ["STEP_VOXELS", "field_of", "replay"]

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
    progress: Callable[[float], None] = _silent,
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
    progress : callable, optional
        Called with the share done, 0 to 1.

    Returns
    -------
    field : CutField
    """
    sweep = Sweep(subject, instruments, spacing_mm=spacing_mm, threads=threads)
    reach = np.array([head.reach_mm for head in sweep.heads])
    cuts, count, poses = cutting_stretches(motion), len(motion.time_s), 0

    def runs_from(first: int) -> list[Poses]:
        return list(
            poses_of(
                motion,
                cuts,
                first,
                min(first + chunk, count),
                origin_mm=sweep.origin_mm,
                reach_mm=reach,
                step_mm=STEP_VOXELS * spacing_mm,
            )
        )

    with ThreadPoolExecutor(1) as ahead, sweep:
        for first, runs in _one_ahead(ahead, runs_from, range(0, count, chunk)):
            for run in runs:
                sweep.take(run)
                poses += run.swept
            progress(min(first + chunk, count) / count)
    return field_of(sweep, motion, subject, instruments, poses=poses)


def field_of(sweep: Sweep, motion: Motion, subject: Grid, instruments: Sequence[Instrument], *, poses: int) -> CutField:
    """What a sweep has come to, as the field of the motion that was swept."""
    blocks, distance, time = sweep.blocks()
    nx, ny, nz = (EDGE * n for n in sweep.counts)
    field = CutField(
        sweep.origin_mm, sweep.spacing_mm, (nx, ny, nz), sweep.band_mm, blocks, distance, time, float(motion.time_s[0]),
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
