"""The best placements of one scan, over every way of finding them."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from kerfmark.geometry.frames import rotation_about, transform_points
from kerfmark.records import FloatArray, Surface
from kerfmark.registration.coarse import find_poses, find_poses_alone
from kerfmark.registration.placement import Placement, place, shown_fraction
from kerfmark.registration.reverse import find_poses_reversed, shows_more
from kerfmark.registration.samples import Samples, samples_of
from kerfmark.registration.scene import Scene
from kerfmark.registration.verdict import holds

__all__ = ["mirrored", "placements_of", "sampled"]

SAMPLES_PER_MM2 = 40.0
LEAST_SAMPLES, MOST_SAMPLES = 30_000, 120_000
TRIAL_SAMPLES = 10_000
CANDIDATES = 4
PENALTY_LEFT = 0.06
"""Poses whose penalty exceeds the best one's by more are not tried further."""
ALONE = 1.25
"""A scan up to so many times the subject's size is taken for the subject alone first."""
RIVALS_WITHIN = 0.1
"""Placements whose scores differ by less are all fitted again on every sample before they are compared."""
SAME_DEG, SAME_MM = 1.0, 0.1
LIKE_ITSELF, ITSELF_WITHIN_MM = 0.7, 0.1
"""Part of the subject that a turn must carry onto itself to be worth trying; the most alike turn of a molar's crown has 0.34."""

FindPoses = Callable[[Samples, Scene], tuple[FloatArray, FloatArray]]


def sampled(surface: Surface) -> Samples:
    """A scan as points: enough that each reference point has one beside it."""
    return samples_of(surface, per_mm2=SAMPLES_PER_MM2, least=LEAST_SAMPLES, most=MOST_SAMPLES)


def placements_of(samples: Samples, scene: Scene, *, noise_mm: float) -> list[Placement]:
    """Distinct placements of a scan, likeliest first.

    The scan is looked for in the exercise; where it shows more than the exercise, or nothing found that way holds, the exercise
    is looked for in the scan. Which ways are tried depends on the scan alone, so the same scan gives the same answer.

    Parameters
    ----------
    samples : Samples
        In any pose.
    scene : Scene
    noise_mm : float
        Standard uncertainty of a surface point.
    """
    found: list[Placement] = []
    for way in _ways(samples, scene):
        found = _likeliest_first([*found, *_tried(way, samples, scene, noise_mm=noise_mm)])
        if found and holds(found[0], scene, noise_mm=noise_mm):
            break
    if found:
        trial, best = samples.thinned(TRIAL_SAMPLES), found[0].fit.matrix
        turned = [place(trial, turn @ best, scene, noise_mm=noise_mm, rough=True) for turn in own_turns(scene)]
        found = _likeliest_first([*found, *(p for p in turned if p is not None)])
    rivals = [p for p in found if p.score > found[0].score - RIVALS_WITHIN]
    again = [place(samples, p.fit.matrix, scene, noise_mm=noise_mm, nearly=True) for p in rivals]
    return _likeliest_first([p for p in again if p is not None])


def own_turns(scene: Scene) -> list[FloatArray]:
    """Quarter and half turns about the axes of the subject's box that carry most of the subject onto itself.

    The pose in which the cut lies wrongly may be all a search finds of such a subject; its turns are then tried as well.
    """
    low, high = scene.boxes_mm[0]
    middle, points = 0.5 * (low + high), scene.surface_points[:: max(1, len(scene.surface_points) // 2000)]
    turns = []
    for axis in np.eye(3):
        for angle in (90.0, 180.0, 270.0):
            turn = rotation_about(axis, angle)
            turn[:3, 3] = middle - turn[:3, :3] @ middle
            there = transform_points(turn, points)
            if shown_fraction(there, scene.bodies[0], within_mm=ITSELF_WITHIN_MM) > LIKE_ITSELF:
                turns.append(turn)
    return turns


def _ways(samples: Samples, scene: Scene) -> tuple[FindPoses, ...]:
    """In which order to search, by the size of the scan."""
    if shows_more(samples, scene):
        return find_poses_reversed, find_poses
    if len(scene.boxes_mm) == 1:
        return find_poses, find_poses_reversed
    size = np.linalg.norm(np.ptp(samples.points_mm, axis=0))
    alone_first = size < ALONE * np.linalg.norm(scene.boxes_mm[0][1] - scene.boxes_mm[0][0])
    return (find_poses_alone, find_poses) if alone_first else (find_poses, find_poses_alone, find_poses_reversed)


def _tried(way: FindPoses, samples: Samples, scene: Scene, *, noise_mm: float) -> list[Placement]:
    """Placements from the poses one way of searching finds, on fewer points."""
    trial = samples.thinned(TRIAL_SAMPLES)
    poses, penalty = way(trial, scene)
    poses = poses[penalty <= penalty.min() + PENALTY_LEFT][:CANDIDATES]
    with ThreadPoolExecutor(2) as pool:
        placed = pool.map(lambda pose: place(trial, _matrix(pose), scene, noise_mm=noise_mm, rough=True), poses)
    return [p for p in placed if p is not None]


def _matrix(pose: FloatArray) -> FloatArray:
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = pose[:9].reshape(3, 3), pose[9:]
    return matrix


def _likeliest_first(placements: list[Placement]) -> list[Placement]:
    """Sorted, one of each pose."""
    kept: list[Placement] = []
    for placement in sorted(placements, key=lambda p: -p.score):
        if not any(_same(placement.fit.matrix, k.fit.matrix) for k in kept):
            kept.append(placement)
    return kept


def _same(a: FloatArray, b: FloatArray) -> bool:
    apart = a @ np.linalg.inv(b)
    turned = np.degrees(np.arccos(np.clip(0.5 * (np.trace(apart[:3, :3]) - 1.0), -1.0, 1.0)))
    return bool(turned < SAME_DEG and np.linalg.norm(apart[:3, 3]) < SAME_MM)


def mirrored(samples: Samples) -> Samples:
    """The mirror image, in x."""
    flip = np.array([-1.0, 1.0, 1.0])
    return Samples(samples.points_mm * flip, samples.normals * flip, samples.area_each_mm2)
