"""Where a scan may lie: every rotation tried, the best places refined, the distinct ones kept."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from kerfmark.kernels import search
from kerfmark.records import FloatArray
from kerfmark.registration.rotations import spread_rotations
from kerfmark.registration.samples import Samples
from kerfmark.registration.scene import Scene, SearchGrid

__all__ = ["ROTATIONS", "STAGES", "UNCUT", "distinct", "find_poses", "find_poses_alone", "followed", "shuffled"]

ROTATIONS = 600
SHIFTS_KEPT = 2
STARTS = 500
"""Of all rotations and shifts so many of the best are refined."""
CUT = 0.5
"""Penalty of a point where material may be missing: half of one where there should be none."""


@dataclass(frozen=True, slots=True)
class Stage:
    """One pass over the poses left: how many points, how far they reach, how they are judged, how many poses stay.

    Attributes
    ----------
    points : int
    reaches_mm : tuple of (inside, outside)
        One Gauss–Newton step each.
    judged_mm : (inside, outside)
        Where the penalty is full.
    apart : (degrees, mm)
        Poses nearer than both are the same.
    keep : int
    """

    points: int
    reaches_mm: tuple[tuple[float, float], ...]
    judged_mm: tuple[float, float]
    apart: tuple[float, float]
    keep: int


STAGES = (
    Stage(96, ((1.5, 3.0), (1.2, 2.0), (1.0, 1.5), (0.8, 1.2), (0.6, 0.9)), (0.5, 0.8), (8.0, 0.7), 150),
    Stage(200, ((0.6, 1.0), (0.5, 0.8), (0.4, 0.7), (0.35, 0.6), (0.3, 0.5)), (0.4, 0.6), (4.0, 0.4), 40),
    Stage(500, ((0.3, 0.5), (0.3, 0.5), (0.25, 0.4), (0.2, 0.3), (0.2, 0.3), (0.2, 0.3)), (0.2, 0.3), (2.0, 0.2), 10),
    Stage(2000, ((0.15, 0.2),) * 4 + ((0.1, 0.1),) * 4, (0.15, 0.2), (2.0, 0.2), 10),
)


@dataclass(frozen=True, slots=True)
class Belief:
    """What surface that may be cut is worth: as much as any (`UNCUT`), or nothing (`CUT_DOWN`), stage by stage.

    `pull` weighs points inside and outside near it, `penalty` is that of a point on it. A piece hardly cut is found by the
    first; one cut down all over looks like a smaller copy of its subject, and is found by the second.
    """

    pull: tuple[tuple[float, float], ...]
    penalty: tuple[float, ...]


UNCUT = Belief(((1.0, 1.0),) * 4, (0.0, 0.2, 0.3, 0.4))
CUT_DOWN = Belief(((0.0, 1.0), (0.0, 0.5), (0.0, 0.2), (0.0, 0.0)), (0.5, 0.45, 0.4, 0.4))


def find_poses(samples: Samples, scene: Scene) -> tuple[FloatArray, FloatArray]:
    """Poses in which the samples may lie in the scene, best first, and their penalties (0 to 1).

    Parameters
    ----------
    samples : Samples
        In any pose. Two thousand points are used.
    scene : Scene

    Returns
    -------
    poses : (m, 12) float array
        Rotation row by row, then shift, carrying samples into the tooth frame.
    penalty : (m,) float array
    """
    return _found(samples, scene.boxes_mm, scene.grid)


def find_poses_alone(samples: Samples, scene: Scene) -> tuple[FloatArray, FloatArray]:
    """As `find_poses`, for samples of the subject alone: neighbours are no place for them."""
    return _found(samples, scene.boxes_mm[:1], scene.grid_alone)


def _found(samples: Samples, boxes_mm: FloatArray, grid: SearchGrid) -> tuple[FloatArray, FloatArray]:
    points = shuffled(samples.points_mm)
    shifts = _shifts(points[:200], boxes_mm)
    with ThreadPoolExecutor(2) as pool:
        jobs = [pool.submit(followed, belief, points, shifts, grid) for belief in (UNCUT, CUT_DOWN)]
        found = [job.result() for job in jobs]
    poses = np.concatenate([f[0] for f in found])
    penalty = np.concatenate([f[1] for f in found])
    last = STAGES[-1]
    kept = distinct(poses, penalty, points.mean(axis=0), apart=last.apart, keep=last.keep)
    return poses[kept], penalty[kept]


def shuffled(points: FloatArray) -> FloatArray:
    """At most as many points as the last stage takes, in an order in which any first few are spread over all."""
    chosen = points[np.arange(min(len(points), STAGES[-1].points)) * len(points) // min(len(points), STAGES[-1].points)]
    order = np.argsort((np.arange(len(chosen)) * 0.6180339887498949) % 1.0, kind="stable")
    return np.ascontiguousarray(chosen[order])


def _shifts(points: FloatArray, boxes_mm: FloatArray) -> FloatArray:
    """Shifts to try for each rotation, (r, s, 3): box sides on box sides or middles on middles, and centres on centres."""
    turned = np.einsum("rij,nj->rni", spread_rotations(ROTATIONS).reshape(-1, 3, 3), points)
    low, high = turned.min(axis=1), turned.max(axis=1)
    sides = np.stack([low, 0.5 * (low + high), high], axis=1)
    shifts = [boxes_mm[:1].mean(axis=1) - turned.mean(axis=1)]
    for box in boxes_mm:
        offsets = np.stack([box[0], box.mean(axis=0), box[1]]) - sides
        shifts += [
            np.stack([offsets[:, i, 0], offsets[:, j, 1], offsets[:, k, 2]], axis=1)
            for i in range(3)
            for j in range(3)
            for k in range(3)
        ]
    return np.ascontiguousarray(np.stack(shifts, axis=1))


def followed(belief: Belief, points: FloatArray, shifts: FloatArray, grid: SearchGrid) -> tuple[FloatArray, FloatArray]:
    """All stages under one belief: poses of points in a grid, best first, and their penalties."""
    first = STAGES[0]
    rule = np.array([0.8, 2.0, belief.penalty[0], CUT if belief.penalty[0] else 0.6])
    rotations = spread_rotations(ROTATIONS)
    poses, penalty = search.best_shifts(points[: first.points], rotations, shifts, *grid, rule, SHIFTS_KEPT)
    poses = np.ascontiguousarray(poses[np.argsort(penalty, kind="stable")[:STARTS]])
    centre = points.mean(axis=0)
    for stage, pull, free in zip(STAGES, belief.pull, belief.penalty, strict=True):
        reaches = np.array([[*reach, *pull] for reach in stage.reaches_mm])
        rule = np.array([*stage.judged_mm, free, CUT])
        poses, penalty = search.refine_poses(points[: stage.points], poses, *grid, reaches, rule)
        kept = distinct(poses, penalty, centre, apart=stage.apart, keep=stage.keep)
        poses, penalty = poses[kept], penalty[kept]
    return poses, penalty


def distinct(
    poses: FloatArray, penalty: FloatArray, centre: FloatArray, *, apart: tuple[float, float], keep: int
) -> np.ndarray:
    """Rows of the best poses, best first, no two nearer than `apart` (degrees and, at `centre`, mm)."""
    trace = 1.0 + 2.0 * float(np.cos(np.radians(apart[0])))
    kept: np.ndarray = search.distinct_poses(poses, penalty, centre, trace, apart[1], keep)
    return kept
