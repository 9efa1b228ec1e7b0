"""The last micrometres: a robust fit of the scan to what the exercise says is not cut, and how sure it is.

Residuals are read from the exact fine distance grids. A point counts only while it lies beside a fixed point, faces the way the
surface there faces, and its residual passes Tukey's biweight; cut surface beside a margin fails one of the three.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kerfmark.geometry.grids import sample_with_gradient
from kerfmark.records import FloatArray, Grid
from kerfmark.registration.samples import Samples
from kerfmark.registration.scene import Scene

__all__ = ["Fit", "fit_pose", "moved_by"]

MOST_POINTS = 8000
"""Points in the fit. At 50 µm of noise they leave under 2 µm of uncertainty; more would cost time and gain nothing felt."""
REACHES_MM = (0.4, 0.25, 0.12)
TUKEY = 4.685
LEAST_SCALE_MM = 0.0015
"""What reading between voxels may err by; a residual scale below it would chase the grid."""
SAME_WAY = 0.75
PATCH_MM = 1.0
WHOLE = 0.85
"""Of a patch so much must lie on the old surface before it counts as not cut, where the exercise lets it be cut."""
STEPS = 6
ADAPTIVE_ROUNDS = 3
LEAST_POINTS = 60
LEAST_STEP = 2e-6
"""Radians and millimetres at once: a step that moves nothing by more than a few hundredths of a micrometre."""


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A pose and how well it holds.

    Attributes
    ----------
    matrix : (4, 4) float array
        Piece file to tooth frame.
    rms_mm : float
        Of the residuals of the points used.
    covariance : (6, 6) float array
        Of a small motion about the tooth-frame origin: rotations (rad), translations (mm).
    patch_covariance : (6, 6) float array
        The same if every square millimetre or so erred on its own by 10 µm: how well the places found hold the piece at all.
    points_used : int
    patches : int
        Places of about a square millimetre that took part.
    """

    matrix: FloatArray
    rms_mm: float
    covariance: FloatArray
    patch_covariance: FloatArray
    points_used: int
    patches: int


@dataclass(frozen=True, slots=True, eq=False)
class _Held:
    """Residuals and their derivatives for a small motion about the tooth-frame origin."""

    points: FloatArray
    residual: FloatArray
    jacobian: FloatArray


def fit_pose(
    samples: Samples,
    matrix: FloatArray,
    scene: Scene,
    *,
    bodies: tuple[Grid, ...],
    fixed_only: bool,
    nearly: bool = False,
) -> Fit | None:
    """Fit the samples to the bodies from a pose that is right within about 0.3 mm.

    Parameters
    ----------
    samples : Samples
        In the piece's coordinates, many (tens of thousands): those beside fixed points are picked out.
    matrix : (4, 4) float array
        Where to begin: piece file to tooth frame.
    scene : Scene
    bodies : tuple of Grid
        Fine signed-distance grids to fit to.
    fixed_only : bool
        Whether points must lie beside a fixed point. Otherwise patches that lie on the old surface as a whole take part as well.
    nearly : bool
        The pose is right within a few hundredths of a millimetre already.

    Returns
    -------
    fit : Fit or None
        None where too few points hold.

    Notes
    -----
    Sources: Gauss–Newton on the signed distance; Beaton & Tukey (1974) biweight, 4.685 times a scale from the median absolute
    residual (95 % efficient on normal noise, Huber & Ronchetti, Robust statistics); covariance A⁻¹ B A⁻¹ of an M-estimator
    (Huber 1967). B is multiplied by the design effect of patches of one millimetre (cluster-robust variance, Liang & Zeger
    1986): points that share vertices, or an error of the scanner as wide as that, do not count as independent.
    """
    samples = _near(samples, matrix, bodies) if fixed_only else samples
    chosen, held, scale = samples, None, LEAST_SCALE_MM
    for reach in (*(REACHES_MM[-1:] if nearly else REACHES_MM), *(None,) * ADAPTIVE_ROUNDS):
        widest = max(TUKEY * scale, 0.02) if reach is None else reach
        chosen = _chosen(samples, matrix, scene, bodies, reach=widest, fixed_only=fixed_only)
        if len(chosen.points_mm) < LEAST_POINTS:
            return None
        for _ in range(STEPS):
            held = _held(chosen.moved(matrix), bodies)
            scale = max(1.4826 * float(np.median(np.abs(held.residual))), LEAST_SCALE_MM)
            step = _step(held, TUKEY * scale if reach is None else reach)
            matrix = moved_by(step) @ matrix
            if np.abs(step).max() < LEAST_STEP:
                break
    return _judged(_held(chosen.moved(matrix), bodies), matrix, TUKEY * scale)


def _near(samples: Samples, matrix: FloatArray, bodies: tuple[Grid, ...]) -> Samples:
    """Those that lie, or may come to lie, beside a body."""
    distance, _ = _nearest_body(samples.moved(matrix).points_mm, bodies)
    return samples.where(np.abs(distance) < min(REACHES_MM[0] + 0.15, 0.99 * float(np.abs(bodies[0].values).max())))


def _chosen(
    samples: Samples, matrix: FloatArray, scene: Scene, bodies: tuple[Grid, ...], *, reach: float, fixed_only: bool
) -> Samples:
    """Samples that may take part, at most `MOST_POINTS`."""
    moved = samples.moved(matrix)
    distance, gradient = _nearest_body(moved.points_mm, bodies)
    lies = (np.abs(distance) < reach) & (np.einsum("ij,ij->i", gradient, moved.normals) > SAME_WAY)
    kept = np.flatnonzero(lies)
    if not len(kept):
        return samples.where(kept)
    kept = kept[:: max(1, len(kept) // (2 * MOST_POINTS))]
    beside = scene.fixed.nearest(moved.points_mm[kept])
    fixed = beside >= 0
    fixed &= np.einsum("ij,ij->i", scene.fixed_normals[beside], moved.normals[kept]) > SAME_WAY
    if not fixed_only:
        fixed |= _whole_patches(moved.points_mm, lies)[kept]
    return samples.where(kept[fixed]).thinned(MOST_POINTS)


def _whole_patches(points: FloatArray, lies: np.ndarray) -> np.ndarray:
    """Which points stand in a patch that lies on the old surface nearly as a whole: it seems not to have been cut."""
    patch = _patches(points)
    return np.asarray((np.bincount(patch, weights=lies) > WHOLE * np.bincount(patch))[patch])


def _nearest_body(points: FloatArray, bodies: tuple[Grid, ...]) -> tuple[FloatArray, FloatArray]:
    distance, gradient = sample_with_gradient(bodies[0], points)
    for body in bodies[1:]:
        other, slope = sample_with_gradient(body, points)
        nearer = np.abs(other) < np.abs(distance)
        distance[nearer], gradient[nearer] = other[nearer], slope[nearer]
    return distance, gradient


def _held(samples: Samples, bodies: tuple[Grid, ...]) -> _Held:
    points = samples.points_mm
    distance, gradient = _nearest_body(points, bodies)
    return _Held(points, distance, np.hstack([np.cross(points, gradient), gradient]))


def _step(held: _Held, width: float) -> FloatArray:
    weight = np.maximum(1.0 - (held.residual / width) ** 2, 0.0) ** 2
    weighted = held.jacobian * weight[:, None]
    hessian = weighted.T @ held.jacobian
    hessian[np.diag_indices(6)] += 1e-9 * np.trace(hessian) + 1e-12
    return -np.linalg.solve(hessian, weighted.T @ held.residual)


def moved_by(step: FloatArray) -> FloatArray:
    """The 4 × 4 motion that turns by step[:3] (radians) about the origin and shifts by step[3:]."""
    x, y, z = step[:3]
    angle = float(np.sqrt(x * x + y * y + z * z))
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    matrix = np.eye(4)
    matrix[:3, :3] += np.sinc(angle / np.pi) * cross + 0.5 * np.sinc(0.5 * angle / np.pi) ** 2 * cross @ cross
    matrix[:3, 3] = step[3:]
    return matrix


def _judged(held: _Held, matrix: FloatArray, width: float) -> Fit:
    ratio = np.clip(np.abs(held.residual) / width, 0.0, 1.0) ** 2
    psi = held.residual * (1.0 - ratio) ** 2
    slope = (1.0 - ratio) * (1.0 - 5.0 * ratio)
    used = ratio < 1.0
    jacobian = held.jacobian[used]
    bread = (jacobian * slope[used, None]).T @ jacobian
    scores = jacobian * psi[used, None]
    filling = scores.T @ scores
    patch = _patches(held.points[used])
    count = int(patch.max()) + 1
    inverse = np.linalg.pinv(bread, hermitian=True)
    covariance = inverse @ filling @ inverse * _design_effect(scores, filling, patch, count)
    members = np.bincount(patch, minlength=count)
    each = jacobian / np.sqrt(members[patch])[:, None]
    return Fit(
        matrix=matrix,
        rms_mm=float(np.sqrt(np.mean(held.residual[used] ** 2))),
        covariance=0.5 * (covariance + covariance.T),
        patch_covariance=np.linalg.pinv(each.T @ each, hermitian=True) * 0.01**2,
        points_used=int(used.sum()),
        patches=count,
    )


def _patches(points: FloatArray) -> np.ndarray:
    """Number of the one-millimetre cube each point lies in, from 0 without gaps."""
    cube = np.floor((points - points.min(axis=0)) / PATCH_MM).astype(np.int64)
    size = cube.max(axis=0) + 1
    _, patch = np.unique((cube[:, 0] * size[1] + cube[:, 1]) * size[2] + cube[:, 2], return_inverse=True)
    return np.asarray(patch).reshape(-1)


def _design_effect(scores: FloatArray, filling: FloatArray, patch: np.ndarray, count: int) -> float:
    """How much more the patches' sums scatter than independent points would make them; at least 1."""
    if count < 12:
        return float(len(patch)) / count
    sums = np.stack([np.bincount(patch, weights=scores[:, k], minlength=count) for k in range(6)], axis=1)
    ratio = float(np.trace(np.linalg.pinv(filling, hermitian=True) @ (sums.T @ sums))) / 6.0
    return max(1.0, ratio * count / (count - 6.0))
