"""A scan laid in one pose: how much of the exercise it shows, how much of it the exercise does not explain."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kerfmark.geometry.grids import sample
from kerfmark.kernels.search import signed_distances
from kerfmark.records import FloatArray, Grid
from kerfmark.registration.fine import Fit, fit_pose
from kerfmark.registration.samples import Samples, cells_of
from kerfmark.registration.scene import ALLOWED, Scene

__all__ = ["FOUND_WITHIN_MM", "Placement", "place"]

FOUND_WITHIN_MM = 0.3
"""A reference point has found the scan where a sample of it lies this near."""
HOLDS_UM = 10.0
"""Neighbours help to hold the piece only where its own uncut surface leaves more uncertainty than this."""
NEAR_MM = 1.5
STRAY_POINTS = 4000


@dataclass(frozen=True, slots=True, eq=False)
class Placement:
    """A fit and what it would mean.

    Attributes
    ----------
    fit : Fit
    overlap : float
        Fraction of the reference points that found the scan, over the bodies the scan shows.
    own_overlap : float
        The same on the worked subject alone.
    stray : float
        Fraction of the scan near the subject that lies where the exercise has nothing, or where nothing may be cut.
    on_target : float
        Mean distance from the target, mm, of what was cut; 0 without a target.
    held_by : str
        What the last fit rests on: `subject`, `subject and neighbours`, `whatever is uncut`.
    """

    fit: Fit
    overlap: float
    own_overlap: float
    stray: float
    held_by: str

    @property
    def score(self) -> float:
        """Higher is likelier: what should be there is there, and nothing that should not be."""
        return self.own_overlap - self.stray


def place(samples: Samples, matrix: FloatArray, scene: Scene, *, noise_mm: float) -> Placement | None:
    """Fit from one coarse pose and weigh the result.

    Parameters
    ----------
    samples : Samples
        The scan, many points.
    matrix : (4, 4) float array
        Piece file to tooth frame, right within about 0.3 mm.
    scene : Scene
    noise_mm : float
        Standard uncertainty of a surface point.

    Returns
    -------
    placement : Placement or None
        None where nothing holds the scan there.
    """
    held = _held(samples, matrix, scene)
    if held is None:
        return None
    fit, held_by = held
    moved = samples.moved(fit.matrix)
    overlap, own = _overlaps(moved, scene)
    return Placement(fit, overlap, own, _stray(moved, scene, tolerance=max(0.12, 4.0 * noise_mm)), held_by)


def _held(samples: Samples, matrix: FloatArray, scene: Scene) -> tuple[Fit, str] | None:
    """The first fit that holds: the subject's own uncut surface, then with the neighbours', then whatever seems uncut."""
    own, every = scene.bodies[:1], scene.bodies
    tries: list[tuple[tuple[Grid, ...], bool, str]] = [(own, True, "subject")]
    if len(every) > 1:
        tries.append((every, True, "subject and neighbours"))
    tries.append((every, False, "whatever is uncut"))
    best: tuple[Fit, str] | None = None
    for bodies, fixed_only, word in tries:
        fit = fit_pose(samples, matrix, scene, bodies=bodies, fixed_only=fixed_only)
        if fit is None:
            continue
        if best is None or worst_shift_mm(fit.patch_covariance, scene) < 0.5 * worst_shift_mm(
            best[0].patch_covariance, scene
        ):
            best = fit, word
        if worst_shift_mm(best[0].patch_covariance, scene) * 1000.0 < HOLDS_UM:
            break
    return best


def worst_shift_mm(covariance: FloatArray, scene: Scene) -> float:
    """Largest standard uncertainty of any corner of the subject's box, in any direction."""
    low, high = scene.boxes_mm[0]
    worst = 0.0
    for corner in np.array(np.meshgrid(*zip(low, high, strict=True))).reshape(3, -1).T:
        worst = max(worst, float(np.linalg.eigvalsh(shift_covariance(covariance, corner))[-1]))
    return float(np.sqrt(worst))


def shift_covariance(covariance: FloatArray, point: FloatArray) -> FloatArray:
    """Covariance (3, 3) of where the motion carries a point."""
    x, y, z = point
    jacobian = np.hstack([np.array([[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]]), np.eye(3)])
    return jacobian @ covariance @ jacobian.T


def _overlaps(moved: Samples, scene: Scene) -> tuple[float, float]:
    """Over the bodies shown, and over the subject alone."""
    near = signed_distances(np.ascontiguousarray(moved.points_mm), scene.values, scene.origin_mm, scene.spacing_mm)[0]
    points = moved.points_mm[np.abs(near) < 2.0 * FOUND_WITHIN_MM]
    if not len(points):
        return 0.0, 0.0
    found = cells_of(points, width_mm=FOUND_WITHIN_MM).nearest(scene.fixed.points_mm) >= 0
    own = float(found[scene.fixed_own].mean()) if scene.fixed_own.any() else float(found.mean())
    shown = [found[scene.fixed_body == b] for b in np.unique(scene.fixed_body)]
    shown = [f for n, f in enumerate(shown) if n == 0 or f.mean() > 0.2]
    return float(np.concatenate(shown).mean()), own


def _stray(moved: Samples, scene: Scene, *, tolerance: float) -> float:
    """Fraction of the samples near the subject that nothing explains."""
    points = np.ascontiguousarray(moved.thinned(STRAY_POINTS).points_mm)
    distance = signed_distances(points, scene.values, scene.origin_mm, scene.spacing_mm)[0]
    fine = sample(scene.bodies[0], points)
    known = np.abs(fine) < 0.99 * float(np.abs(scene.bodies[0].values).max())
    distance[known] = np.where(np.abs(fine) < np.abs(distance), fine, distance)[known]
    voxel = np.clip(
        np.rint((points - scene.origin_mm) / scene.spacing_mm).astype(int), 0, np.array(scene.values.shape) - 1
    )
    allowed = (scene.flags[tuple(voxel.T)] & ALLOWED) != 0
    near = distance < NEAR_MM
    if not near.any():
        return 1.0
    return float(np.mean((distance > tolerance)[near] | ((distance < -tolerance) & ~allowed)[near]))
