"""What the process readings of one piece share: its motion, what was cut when, and how noisy the recording is."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from kerfmark.geometry.grids import sample
from kerfmark.measurement.budget import surface_u_mm
from kerfmark.measurement.process.smoothness import speeds
from kerfmark.measurement.process.strokes import Stroke, recording_noise, strokes
from kerfmark.records import CutField, FloatArray, Grid, Motion, Piece, Removal, Witness

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = ["Course", "Removed", "removed_of"]

BIN_S = 1.0
DRAWN_POINTS = 600
PAUSE_IN_CUTTING_S = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Removed:
    """Voxels that were cut away: centres (n, 3), times (n,) after the motion's first, in order of time."""

    points_mm: FloatArray
    time_s: FloatArray


class Course:
    """How a recorded piece was cut. Everything is worked out when first asked for, and once."""

    def __init__(self, piece: Piece, prepared: Prepared) -> None:
        self.piece, self.prepared = piece, prepared
        self.u_mm = surface_u_mm(piece)

    @property
    def is_recorded(self) -> bool:
        """Whether the piece has a motion of two samples or more, and the cut it made."""
        return self.piece.motion is not None and self.piece.cut is not None and len(self.piece.motion.time_s) > 1

    @property
    def motion(self) -> Motion:
        """The recorded motion."""
        assert self.piece.motion is not None
        return self.piece.motion

    @property
    def field(self) -> CutField:
        """The cut it made in the subject."""
        assert self.piece.cut is not None
        return self.piece.cut

    @cached_property
    def step_s(self) -> float:
        """Median time between samples."""
        return float(np.median(np.diff(self.motion.time_s)))

    @cached_property
    def strokes(self) -> list[Stroke]:
        """The tip's unbroken stretches, evenly sampled."""
        return strokes(self.motion)

    @cached_property
    def speed_mm_s(self) -> FloatArray:
        """The tip's speed, evenly sampled, gaps left out."""
        found = [speeds(stroke.points, stroke.rate_hz) for stroke in self.strokes]
        return np.concatenate(found) if found else np.empty(0)

    @cached_property
    def noise_mm(self) -> float:
        """White noise of the recording, each coordinate."""
        return recording_noise(self.motion, self.motion.tip_mm)

    @cached_property
    def removed(self) -> Removed:
        """What was cut from the subject, voxel by voxel."""
        return removed_of(self.field, self.prepared.subject_grid)

    @cached_property
    def removal(self) -> Removal:
        """Volumes by tissue and time."""
        from kerfmark.replay import removal

        return removal(self.field, self.prepared.subject_grid, layers=self.prepared.layer_grids, bin_s=BIN_S)

    @cached_property
    def path(self) -> Witness:
        """The way of the tip, thinned for drawing."""
        return Witness("curve", curves_mm=tuple(self._drawn()))

    def _drawn(self) -> list[FloatArray]:
        breaks = np.flatnonzero(~self.motion.joined[1:]) + 1
        thin = max(1, len(self.motion.time_s) // DRAWN_POINTS)
        parts = [part for part in np.split(self.motion.tip_mm, breaks) if len(part) > 1]
        return [part[np.r_[0 : len(part) - 1 : thin, len(part) - 1]] for part in parts]


def removed_of(field: CutField, subject: Grid) -> Removed:
    """The voxels of a body that a cut took away."""
    edge = field.distance_mm.shape[1]
    block, i, j, k = np.nonzero((field.distance_mm <= 0.0) & np.isfinite(field.time_s))
    points = field.origin_mm + field.spacing_mm * (edge * field.blocks[block] + np.stack([i, j, k], axis=1))
    time = field.time_s[block, i, j, k].astype(float)
    was_there = sample(subject, points) < 0.0
    order = np.argsort(time[was_there], kind="stable")
    return Removed(points[was_there][order], time[was_there][order])


def spells(times: FloatArray, *, apart_s: float) -> list[tuple[int, int]]:
    """First and last place of each run of rising times with no step longer than `apart_s`."""
    if not len(times):
        return []
    edges = np.flatnonzero(np.diff(times) > apart_s) + 1
    return list(zip([0, *edges.tolist()], [*(edges - 1).tolist(), len(times) - 1], strict=True))
