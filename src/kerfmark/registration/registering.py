"""From a learner's parts in any pose to the piece in the tooth frame, or a reason in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from kerfmark.exercise.prepared import Prepared
from kerfmark.geometry.frames import rigid_inverse
from kerfmark.geometry.mesh import transformed
from kerfmark.records import Alignment, FloatArray, Remark, Surface
from kerfmark.registration.coarse import find_poses
from kerfmark.registration.placement import Placement, place
from kerfmark.registration.samples import Samples, samples_of
from kerfmark.registration.scene import Scene, scene_of

__all__ = ["Registered", "register"]

SAMPLES = 40_000
CANDIDATES = 4


@dataclass(frozen=True, slots=True, eq=False)
class Registered:
    """A piece laid over the exercise.

    Attributes
    ----------
    alignment : Alignment
    surface : Surface
        The part that fits, in the tooth frame.
    others : tuple of Surface
        The other parts, carried by the same motion into the tooth frame.
    remarks : tuple of Remark
    """

    alignment: Alignment
    surface: Surface
    others: tuple[Surface, ...] = ()
    remarks: tuple[Remark, ...] = field(default=())


def register(parts: Sequence[Surface], prepared: Prepared, *, noise_um: float) -> Registered:
    """Lay the piece among `parts` over the exercise."""
    scene = scene_of(prepared)
    part = parts[0]
    samples = samples_of(part, count=SAMPLES)
    placements = _placements(samples, scene, noise_mm=noise_um / 1000.0)
    best = max(placements, key=lambda p: p.score)
    surface = transformed(part, best.fit.matrix)
    return Registered(_alignment(best, prepared), surface)


def _placements(samples: Samples, scene: Scene, *, noise_mm: float) -> list[Placement]:
    poses, _ = find_poses(samples, scene)
    tried = [place(samples, _matrix(pose), scene, noise_mm=noise_mm) for pose in poses[:CANDIDATES]]
    return [p for p in tried if p is not None]


def _matrix(pose: FloatArray) -> FloatArray:
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = pose[:9].reshape(3, 3), pose[9:]
    return matrix


def _alignment(placement: Placement, prepared: Prepared) -> Alignment:
    fit = placement.fit
    return Alignment(
        matrix=rigid_inverse(prepared.frame) @ fit.matrix,
        rms_um=1000.0 * fit.rms_mm,
        overlap=placement.overlap,
        covariance=fit.covariance,
        points_used=fit.points_used,
    )
