"""Blocks to cut, motions to cut them with, and a plain replay to compare with."""

from __future__ import annotations

import numpy as np
import pytest

from kerfmark.geometry.grids import distance_grid, sample
from kerfmark.geometry.solids import Solid
from kerfmark.instruments import head_distance
from kerfmark.records import Grid, Motion


def motion_of(
    tip_mm, orientation=None, *, rate_hz=1000.0, joined=None, cutting=None, start_s=0.0, held=None, names=("a",)
):
    """A motion through these tips."""
    tip = np.asarray(tip_mm, dtype=float)
    n = len(tip)
    upright = np.tile([1.0, 0.0, 0.0, 0.0], (n, 1))
    linked = np.ones(n, dtype=bool) if joined is None else np.array(joined)
    linked[0] = False
    return Motion(
        start_s + np.arange(n) / rate_hz,
        tip,
        upright if orientation is None else np.asarray(orientation, dtype=float),
        linked,
        np.ones(n, dtype=bool) if cutting is None else np.array(cutting),
        np.zeros(n, dtype=np.int32) if held is None else np.array(held, dtype=np.int32),
        names,
    )


def tilted(tilt_x_deg, tilt_y_deg):
    """Unit quaternions that lean +z about x, then about y."""
    a, b = np.radians(tilt_x_deg) / 2, np.radians(tilt_y_deg) / 2
    return np.stack(
        [np.cos(a) * np.cos(b), np.sin(a) * np.cos(b), np.cos(a) * np.sin(b), -np.sin(a) * np.sin(b)], axis=-1
    )


def wandering(n=150):
    """A tip that wanders through the block with a leaning instrument."""
    p = np.linspace(0.0, 6.0, n)
    tip = np.stack([2 + np.cos(p), 1.5 + 0.7 * np.sin(1.3 * p), 1.2 + 0.2 * np.sin(p)], axis=1)
    return tip, tilted(17 * np.sin(p), 9 * np.cos(2 * p))


def plain_replay(poses_list, tools, subject: Grid, *, origin, shape, spacing, band):
    """Distance and time of every voxel of a dense box, pose by pose, with the instruments' own distance; where they are."""
    index = np.stack(np.meshgrid(*[np.arange(n) for n in shape], indexing="ij"), axis=-1).reshape(-1, 3)
    near = np.flatnonzero(sample(subject, spacing * index + origin) < band)
    points = spacing * index[near]
    least, time = np.full(len(points), band), np.full(len(points), np.inf)
    for poses in poses_list:
        previous = None
        for s in range(poses.spans[-1, 1]):
            x, y, z, u, v, w, when = poses.columns[:, s].astype(float)
            away = points - [x, y, z]
            along = away @ [u, v, w]
            radius = np.sqrt(np.maximum((away**2).sum(axis=1) - along**2, 0.0))
            found = head_distance(tools[poses.instrument], along, radius)
            if s >= poses.spans[0, 0]:
                closer = (found < least) & (least > 0.0)
                reached = closer & (found <= 0.0)
                time[closer] = when
                if poses.linked[s]:
                    before, then = previous
                    share = before[reached] / (before[reached] - found[reached])
                    time[reached] = then + share * (when - then)
                least = np.minimum(least, found)
            previous = found, when
    return np.unravel_index(near, shape), np.maximum(least, -band), time


def dense(field):
    """Distance and time of every voxel of a field's box."""
    distance, time = (
        np.full(field.shape, field.band_mm, dtype=np.float32),
        np.full(field.shape, np.inf, dtype=np.float32),
    )
    for block, near, when in zip(8 * field.blocks, field.distance_mm, field.time_s, strict=True):
        place = tuple(slice(low, low + 8) for low in block)
        distance[place], time[place] = near, when
    return distance, time


@pytest.fixture(scope="session")
def slab() -> Grid:
    """Signed distance of a block of 4 × 3 × 2 mm with a corner at the origin."""
    return distance_grid(Solid.box([0, 0, 0], [4, 3, 2]).surface(), spacing_mm=0.1, band_mm=0.6)


@pytest.fixture(scope="session")
def slab_solid() -> Solid:
    """The same block as a solid."""
    return Solid.box([0, 0, 0], [4, 3, 2])
