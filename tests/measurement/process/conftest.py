"""A slab with a pulp, an envelope and a neighbour, all exact distances, and motions over it with known answers."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace

import numpy as np
import pytest

from kerfmark.records import Alignment, CutField, Grid, Motion, Piece, Surface

TOOL, RADIUS_MM, EDGE = "round 1.0", 0.5, 8


def box_grid(low, high, *, origin=(-3.0, -2.0, -2.0), shape=(61, 41, 31), spacing=0.1, band=0.6) -> Grid:
    """Signed distance to a box, exact, cut off at the band."""
    low, high = np.asarray(low), np.asarray(high)
    axes = [o + spacing * np.arange(n) for o, n in zip(origin, shape, strict=True)]
    points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    off = np.abs(points - 0.5 * (low + high)) - 0.5 * (high - low)
    distance = np.linalg.norm(np.maximum(off, 0.0), axis=-1) + np.minimum(off.max(axis=-1), 0.0)
    return Grid(np.array(origin, float), spacing, np.clip(distance, -band, band).astype(np.float32))


def motion_of(time_s, tip_mm, *, orientation=None, cutting=None, **more) -> Motion:
    """A motion of the ball, upright unless told otherwise, joined throughout."""
    time_s = np.asarray(time_s, float)
    count = len(time_s)
    upright = np.tile([1.0, 0.0, 0.0, 0.0], (count, 1))
    joined = np.ones(count, bool)
    joined[0] = False
    return Motion(
        time_s, np.asarray(tip_mm, float), upright if orientation is None else orientation, joined,
        np.ones(count, bool) if cutting is None else cutting, np.zeros(count, np.int32), (TOOL,), **more,
    )  # fmt: skip


def ball_field(motion: Motion, body: Grid) -> CutField:
    """What a ball standing on its tip cuts, pose by pose: the plainest way there is."""
    spacing, band, shape = 0.1, 0.2, -(-np.array(body.values.shape) // EDGE) * EDGE
    least, time = np.full(shape, band, np.float32), np.full(shape, np.inf, np.float32)
    cuts = motion.cutting & np.r_[True, motion.cutting[:-1] & motion.joined[1:]]
    for n in np.flatnonzero(cuts):
        centre = (motion.tip_mm[n] + [0.0, 0.0, RADIUS_MM] - body.origin_mm) / spacing
        low, high = (
            np.clip(np.floor(centre - 8).astype(int), 0, shape),
            np.clip(np.ceil(centre + 9).astype(int), 0, shape),
        )
        place = tuple(slice(a, b) for a, b in zip(low, high, strict=True))
        apart = (
            np.stack(np.meshgrid(*(np.arange(a, b) for a, b in zip(low, high, strict=True)), indexing="ij"), -1)
            - centre
        )
        found = (spacing * np.linalg.norm(apart, axis=-1) - RADIUS_MM).astype(np.float32)
        closer = (found < least[place]) & (least[place] > 0.0)
        time[place][closer] = motion.time_s[n] - motion.time_s[0]
        np.minimum(least[place], found, out=least[place])
    split = [n for count in shape // EDGE for n in (count, EDGE)]
    parts = [a.reshape(split).transpose(0, 2, 4, 1, 3, 5).reshape(-1, EDGE, EDGE, EDGE) for a in (least, time)]
    kept = np.flatnonzero(parts[0].reshape(len(parts[0]), -1).min(axis=1) < np.float32(band))
    blocks = np.stack(np.unravel_index(kept, shape // EDGE), axis=1).astype(np.int32)
    near = np.maximum(parts[0][kept], np.float32(-band))
    return CutField(
        body.origin_mm,
        spacing,
        tuple(shape.tolist()),
        band,
        blocks,
        near,
        parts[1][kept],
        float(motion.time_s[0]),
        int(cuts.sum()),
        len(cuts),
    )


@pytest.fixture(scope="session")
def slab() -> SimpleNamespace:
    """Top at z = 0; from x = −3 to 3, y = −2 to 2; pulp below z = −0.8; cutting permitted for |x| < 1.5; neighbour at x > 2."""
    exercise = SimpleNamespace(family="block", instruments=(), source=SimpleNamespace(kind="motion"))
    subject = box_grid((-3.5, -2.5, -3.0), (3.5, 2.5, 0.0))
    return SimpleNamespace(
        exercise=exercise, subject=Surface(np.zeros((0, 3)), np.zeros((0, 3), np.int32)), subject_grid=subject,
        envelope_grid=box_grid((-1.5, -9.0, -9.0), (1.5, 9.0, 9.0)), target=None, target_grid=None,
        layers={"pulp": None}, layer_grids={"pulp": box_grid((-9.0, -9.0, -9.0), (9.0, 9.0, -0.8))},
        neighbour_grids={"distal": box_grid((2.0, -9.0, -9.0), (9.0, 9.0, 9.0))}, frame=np.eye(4),
    )  # fmt: skip


@pytest.fixture(scope="session")
def recorded(slab) -> Callable[..., Piece]:
    """`recorded(motion, neighbours=False)` gives the piece such a motion cuts from the slab, voxels of 0.1 mm."""

    def piece(motion: Motion, *, neighbours: bool = False) -> Piece:
        cut = ball_field(motion, slab.subject_grid)
        sides = {side: ball_field(motion, grid) for side, grid in slab.neighbour_grids.items()} if neighbours else {}
        still = Alignment(np.eye(4), 0.0, 1.0, np.zeros((6, 6)), 1)
        return Piece(
            "motion",
            "",
            slab.subject,
            still,
            5.0,
            5.0,
            motion=motion,
            cut=cut,
            neighbour_cuts=sides,
        )

    return piece


@pytest.fixture(scope="session")
def made() -> Callable[..., Motion]:
    """`made(time, tips, …)` gives a motion."""
    return motion_of


@pytest.fixture(scope="session")
def process(slab):
    """`process(piece)` gives the process readings by id and place."""
    from kerfmark.measurement.process import PROCESS
    from kerfmark.measurement.process.course import Course

    def taken(piece: Piece):
        course = Course(piece, slab)
        return {(r.id.partition(".")[2], r.where): r for m in PROCESS for r in m.function(course)}

    return taken
