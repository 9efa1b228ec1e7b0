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

__all__ = ["Placement", "place", "shift_covariance", "shown_fraction", "tolerance_mm", "worst_shift_mm"]

BESIDE_MM = 0.35
"""How far along the surface the nearest sample may lie from a reference point that has found the scan."""
HOLDS_MM = 0.03
"""Other surface helps to hold the piece only where the subject's own uncut surface leaves more doubt than this."""
NEAR_MM = 1.5
STRAY_POINTS = 4000
ROUGH_EVERY = 4
"""Reference points looked at to tell poses from one another: one in so many."""


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
    held_by : str
        What the fit rests on: `subject`, `neighbours` (with the subject), `uncut` (whatever seems so).
    """

    fit: Fit
    overlap: float
    own_overlap: float
    stray: float
    held_by: str

    @property
    def score(self) -> float:
        """Higher is likelier: what should be there is there, and nothing is there that should not be."""
        return self.own_overlap - self.stray


def tolerance_mm(noise_mm: float) -> float:
    """How far the scan may lie from a surface it shows: four times its noise, at least 0.1 mm."""
    return max(0.1, 4.0 * noise_mm)


def place(
    samples: Samples,
    matrix: FloatArray,
    scene: Scene,
    *,
    noise_mm: float,
    nearly: bool = False,
    rough: bool = False,
) -> Placement | None:
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
    nearly : bool
        The pose is right within a few hundredths of a millimetre already.
    rough : bool
        Right within a few micrometres will do.

    Returns
    -------
    placement : Placement or None
        None where nothing holds the scan there.
    """
    held = _held(samples, matrix, scene, nearly=nearly, rough=rough)
    if held is None:
        return None
    fit, held_by = held
    moved = samples.moved(fit.matrix)
    tolerance = tolerance_mm(noise_mm)
    overlap, own = _overlaps(moved, scene, tolerance=tolerance, every=ROUGH_EVERY if rough else 1)
    return Placement(fit, overlap, own, _stray(moved, scene, tolerance=tolerance), held_by)


def _held(samples: Samples, matrix: FloatArray, scene: Scene, *, nearly: bool, rough: bool) -> tuple[Fit, str] | None:
    """The first fit that holds: the subject's own uncut surface, then with the neighbours', then whatever seems uncut."""
    own, every = scene.bodies[:1], scene.bodies
    tries = [(own, True, "subject", np.inf), (every, True, "neighbours", HOLDS_MM), (every, False, "uncut", HOLDS_MM)]
    best: tuple[Fit, str] | None = None
    doubt = np.inf
    for bodies, fixed_only, word, tried_above in tries:
        if doubt < tried_above or (word == "neighbours" and len(every) == 1):
            continue
        fit = fit_pose(samples, matrix, scene, bodies=bodies, fixed_only=fixed_only, nearly=nearly, rough=rough)
        if fit is not None and worst_shift_mm(fit.patch_covariance, scene) < 0.5 * doubt:
            best, doubt = (fit, word), worst_shift_mm(fit.patch_covariance, scene)
    return best


def worst_shift_mm(covariance: FloatArray, scene: Scene) -> float:
    """Largest standard uncertainty of any corner of the subject's box, in any direction."""
    low, high = scene.boxes_mm[0]
    corners = np.array(np.meshgrid(*zip(low, high, strict=True))).reshape(3, -1).T
    return float(np.sqrt(max(np.linalg.eigvalsh(shift_covariance(covariance, c))[-1] for c in corners)))


def shift_covariance(covariance: FloatArray, point: FloatArray) -> FloatArray:
    """Covariance (3, 3) of where the motion carries a point."""
    x, y, z = point
    jacobian = np.hstack([np.array([[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]]), np.eye(3)])
    return np.asarray(jacobian @ covariance @ jacobian.T)


def shown_fraction(points_mm: FloatArray, grid: Grid, *, within_mm: float) -> float:
    """Fraction of the points that lie within so much of the grid's surface."""
    return float(np.mean(np.abs(sample(grid, points_mm)) < within_mm))


def _overlaps(moved: Samples, scene: Scene, *, tolerance: float, every: int) -> tuple[float, float]:
    """Found reference points: over the bodies shown, and over the subject alone; one in `every` is looked at."""
    fixed, outward, bodies = scene.fixed.points_mm[::every], scene.fixed_normals[::every], scene.fixed_body[::every]
    inside = _within(moved.points_mm, scene.fixed.points_mm)
    near = moved.where(inside)
    if not len(near.points_mm):
        return 0.0, 0.0
    nearest = cells_of(near.points_mm, width_mm=BESIDE_MM).nearest(fixed)
    away = np.einsum("ij,ij->i", fixed - near.points_mm[nearest], outward)
    same_way = np.einsum("ij,ij->i", outward, near.normals[nearest]) > 0.0
    found = (nearest >= 0) & (np.abs(away) < tolerance) & same_way
    own = float(found[bodies == 0].mean()) if (bodies == 0).any() else float(found.mean())
    each = [found[bodies == body] for body in np.unique(bodies)]
    shown = [f for n, f in enumerate(each) if n == 0 or f.mean() > 0.2]
    return float(np.concatenate(shown).mean()), own


def _within(points: FloatArray, others: FloatArray) -> np.ndarray:
    low, high = others.min(axis=0) - BESIDE_MM, others.max(axis=0) + BESIDE_MM
    return np.asarray(((points > low) & (points < high)).all(axis=1))


def _stray(moved: Samples, scene: Scene, *, tolerance: float) -> float:
    """Fraction of the samples near the subject that nothing explains."""
    points = np.ascontiguousarray(moved.thinned(STRAY_POINTS).points_mm)
    distance = signed_distances(points, scene.values, scene.origin_mm, scene.spacing_mm)[0]
    near = distance < NEAR_MM
    if not near.any():
        return 1.0
    for body in scene.bodies:
        fine = sample(body, points)
        distance = np.where(np.abs(fine) < 0.25, fine, distance)
    voxel = np.rint((points - scene.origin_mm) / scene.spacing_mm).astype(int)
    voxel = np.clip(voxel, 0, np.array(scene.values.shape) - 1)
    allowed = (scene.flags[tuple(voxel.T)] & ALLOWED) != 0
    unexplained = (distance > tolerance) | ((distance < -tolerance) & ~allowed)
    return float(unexplained[near].mean())
