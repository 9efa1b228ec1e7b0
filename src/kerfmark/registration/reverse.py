"""Where the exercise may lie in a scan that shows more than the exercise: an arch, a model's base, unnamed neighbours."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np

from kerfmark.kernels import search
from kerfmark.kernels.arrays import read_only
from kerfmark.records import FloatArray
from kerfmark.registration.coarse import ROTATIONS, STAGES, UNCUT, distinct, followed, shuffled
from kerfmark.registration.rotations import spread_rotations
from kerfmark.registration.samples import Samples
from kerfmark.registration.scene import FIXED, Scene, SearchGrid

__all__ = ["find_poses_reversed", "shows_more"]

LARGER = 1.2
SPACING_MM = 0.5
REACH_VOXELS = 4
STAMPED = 20_000
PLACES_APART_MM = 3.0
MOST_PLACES = 240
DEPTH_MM = 3.0


def shows_more(samples: Samples, scene: Scene) -> bool:
    """Whether the scan is larger than everything the exercise expects."""
    expected = np.linalg.norm(scene.boxes_mm[-1][1] - scene.boxes_mm[-1][0])
    return bool(np.linalg.norm(np.ptp(samples.points_mm, axis=0)) > LARGER * expected)


def find_poses_reversed(samples: Samples, scene: Scene) -> tuple[FloatArray, FloatArray]:
    """Poses in which the exercise may lie in the scan, turned round: as `find_poses`, best first.

    What is not cut must all be in the scan, wherever else the scan goes on, so the reference is laid into the scan here; once
    with the subject's whole surface, for a piece hardly cut, once with what is not cut alone.

    Parameters
    ----------
    samples : Samples
        The scan, in any pose.
    scene : Scene

    Returns
    -------
    poses : (m, 12) float array
        Carrying samples into the tooth frame.
    penalty : (m,) float array
        Comparable among themselves only.
    """
    grid = _stamped(samples)
    places = _places(samples)
    references = [scene.fixed.points_mm, np.concatenate([scene.fixed.points_mm, scene.surface_points])]
    with ThreadPoolExecutor(2) as pool:
        found = list(pool.map(lambda reference: _follow(reference, places, grid), references))
    poses = np.concatenate([_turned_round(f[0]) for f in found])
    penalty = np.concatenate([f[1] for f in found])
    last = STAGES[-1]
    kept = distinct(poses, penalty, samples.points_mm.mean(axis=0), apart=last.apart, keep=last.keep)
    return poses[kept], penalty[kept]


def _stamped(samples: Samples) -> SearchGrid:
    """The scan as a grid for the search kernels, all of it fixed."""
    few = samples.thinned(STAMPED)
    points, normals = np.ascontiguousarray(few.points_mm), np.ascontiguousarray(few.normals)
    low, high = points.min(axis=0), points.max(axis=0)
    margin = REACH_VOXELS * SPACING_MM
    spacing = max(SPACING_MM, float((high - low).max()) / 200.0)
    shape = (np.ceil((high - low + 2.0 * margin) / spacing) + 1).astype(np.int32)
    origin = low - margin
    values = search.stamp_distances(points, normals, origin, spacing, shape, REACH_VOXELS)
    flags = np.full(values.shape, FIXED, dtype=np.uint8)
    return read_only(values, np.float32), flags, read_only(origin, np.float64), spacing


def _places(samples: Samples) -> FloatArray:
    """Where in the scan the middle of the reference may lie: a few millimetres beneath its surface, some apart."""
    few = samples.thinned(STAMPED)
    beneath = few.points_mm - DEPTH_MM * few.normals
    apart = PLACES_APART_MM
    while True:
        cells = np.floor(beneath / apart).astype(np.int64)
        _, first = np.unique(cells, axis=0, return_index=True)
        if len(first) <= MOST_PLACES:
            return beneath[np.sort(first)]
        apart *= 1.25


def _follow(reference: FloatArray, places: FloatArray, grid: SearchGrid) -> tuple[FloatArray, FloatArray]:
    points = shuffled(reference)
    rotations = spread_rotations(ROTATIONS)
    turned_middle = np.einsum("rij,j->ri", rotations.reshape(-1, 3, 3), points.mean(axis=0))
    shifts = np.ascontiguousarray(places[None, :, :] - turned_middle[:, None, :])
    return followed(UNCUT, points, shifts, grid)


def _turned_round(poses: FloatArray) -> FloatArray:
    """The inverse of each pose."""
    rotation = poses[:, :9].reshape(-1, 3, 3).transpose(0, 2, 1)
    shift = -np.einsum("mij,mj->mi", rotation, poses[:, 9:])
    return np.ascontiguousarray(np.hstack([rotation.reshape(-1, 9), shift]))
