"""The sweep: a motion's head through a sparse grid of blocks."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from kerfmark.geometry.grids import sample
from kerfmark.instruments import Instrument, head_distance
from kerfmark.records import CutField, Grid, Motion

__all__ = ["BAND_VOXELS", "EDGE", "replay"]

EDGE = 8
BAND_VOXELS = 2.0


def _silent(_share: float) -> None:
    """Say nothing."""


def replay(
    motion: Motion,
    subject: Grid,
    *,
    instruments: Sequence[Instrument],
    spacing_mm: float = 0.05,
    threads: int = 2,  # noqa: ARG001
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
    threads : int
    progress : callable, optional
        Called with the share done, 0 to 1.

    Returns
    -------
    field : CutField
    """
    shape = np.ceil((np.array(subject.values.shape) - 1) * subject.spacing_mm / spacing_mm).astype(int) + 1
    counts = -(-shape // EDGE)
    band = BAND_VOXELS * spacing_mm
    ranges = [np.arange(n * EDGE) for n in counts]
    points = np.stack(np.meshgrid(*ranges, indexing="ij"), axis=-1).reshape(-1, 3) * spacing_mm + subject.origin_mm
    near = np.flatnonzero(sample(subject, points) < band)
    points = points[near]
    least = np.full(len(points), band, dtype=np.float32)
    time = np.full(len(points), np.inf, dtype=np.float32)
    cuts = motion.cutting & np.roll(motion.cutting, 1) & motion.joined
    cuts[0] = motion.cutting[0]
    for i in np.flatnonzero(cuts):
        w, x, y, z = motion.orientation[i]
        axis = np.array([2 * (x * z + w * y), 2 * (y * z - w * x), 1 - 2 * (x * x + y * y)])
        away = points - motion.tip_mm[i]
        along = away @ axis
        radius = np.linalg.norm(away - along[:, None] * axis, axis=1)
        found = head_distance(instruments[motion.instrument[i]], along, radius).astype(np.float32)
        closer = (found < least) & (least > 0)
        time[closer] = motion.time_s[i] - motion.time_s[0]
        np.minimum(least, found, out=least)
        progress(i / len(cuts))
    full, when = (np.full(counts * EDGE, value, dtype=np.float32) for value in (band, np.inf))
    full.reshape(-1)[near], when.reshape(-1)[near] = np.maximum(least, -band), time
    split = [n for c in counts for n in (c, EDGE)]
    full, when = (a.reshape(split).transpose(0, 2, 4, 1, 3, 5).reshape(-1, EDGE, EDGE, EDGE) for a in (full, when))
    kept = np.flatnonzero(full.reshape(len(full), -1).min(axis=1) < np.float32(band))
    blocks = np.stack(np.unravel_index(kept, counts), axis=1).astype(np.int32)
    box = (int(counts[0]) * EDGE, int(counts[1]) * EDGE, int(counts[2]) * EDGE)
    return CutField(
        np.array(subject.origin_mm, dtype=float), spacing_mm, box, band, blocks, full[kept], when[kept],
        float(motion.time_s[0]), int(cuts.sum()), len(motion.time_s),
    )  # fmt: skip
