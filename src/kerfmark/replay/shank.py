"""Where the shank, which cuts nothing, stood in material."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kerfmark.instruments import Instrument, shank_profile
from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.sparse import shank_depths
from kerfmark.records import CutField, FloatArray, Grid, Motion, ShankContact
from kerfmark.replay.poses import axes_of

__all__ = ["shank_contacts"]

EVERY = 8
"""Samples: a shank that presses against a wall does so for longer than a few milliseconds."""
RING_MM = 0.25
CLEAR_OF_HEAD_MM = 0.1
APART_S = 0.1
"""Contacts nearer in time than this are one."""


def shank_contacts(
    field: CutField, subject: Grid, motion: Motion, instruments: Sequence[Instrument]
) -> tuple[ShankContact, ...]:
    """Stretches of time in which neck or shank stood more than a voxel deep in material that was there at the time.

    Every eighth sample is looked at, on rings 0.25 mm apart. The depth is that below the subject's surface.
    """
    looked = np.arange(0, len(motion.time_s), EVERY)
    depths, points = np.zeros(len(looked)), np.zeros((len(looked), 3))
    index = np.full(np.array(field.shape) // 8, -1, dtype=np.int32)
    index[tuple(field.blocks.T)] = np.arange(len(field.blocks))
    for held, tool in enumerate(instruments):
        mine = np.flatnonzero(motion.instrument[looked] == held)
        if not len(mine):
            continue
        deep, where = np.zeros(len(mine)), np.zeros((len(mine), 3))
        shank_depths(
            _poses(motion, looked[mine], field.origin_mm), _rings(tool, field.spacing_mm), read_only(subject.values, np.float32),
            field.origin_mm - subject.origin_mm, float(subject.spacing_mm), field.distance_mm, field.time_s, index,
            float(field.spacing_mm), deep, where,
        )  # fmt: skip
        depths[mine], points[mine] = deep, where + field.origin_mm
    return _joined(motion.time_s[looked], depths, points)


def _poses(motion: Motion, samples: NDArray[np.intp], origin_mm: FloatArray) -> NDArray[np.float32]:
    columns = [
        motion.tip_mm[samples] - origin_mm,
        axes_of(motion.orientation[samples]),
        motion.time_s[samples] - motion.time_s[0],
    ]
    return np.ascontiguousarray(np.column_stack(columns).T, dtype=np.float32)


def _rings(tool: Instrument, within_mm: float) -> FloatArray:
    """Heights along the axis and radii at which the shank is looked at, this far within its surface."""
    profile = shank_profile(tool)[:-1]
    heights = np.arange(profile[0, 0] + CLEAR_OF_HEAD_MM, profile[-1, 0], RING_MM)
    return np.stack([heights, np.maximum(np.interp(heights, *profile.T) - within_mm, 0.0)], axis=1)


def _joined(times: FloatArray, depths: FloatArray, points: FloatArray) -> tuple[ShankContact, ...]:
    touching = np.flatnonzero(depths > 0.0)
    if not len(touching):
        return ()
    breaks = np.flatnonzero(np.diff(times[touching]) > APART_S) + 1
    contacts = []
    for run in np.split(touching, breaks):
        deepest = run[np.argmax(depths[run])]
        contacts.append(
            ShankContact(float(times[run[0]]), float(times[run[-1]]), points[deepest], float(depths[deepest]))
        )
    return tuple(contacts)
