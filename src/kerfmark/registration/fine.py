"""The last micrometres: a robust fit of the scan to what the exercise says is not cut, and how sure it is.

Residuals are read from the exact fine distance grids. A point counts only while it lies beside a fixed point, faces the way the
surface there faces, and its residual passes Tukey's biweight; cut surface beside a margin fails one of the three.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kerfmark.kernels import fine as kernels
from kerfmark.kernels.arrays import read_only
from kerfmark.records import FloatArray, Grid
from kerfmark.registration.samples import Samples
from kerfmark.registration.scene import Scene

__all__ = ["Fit", "fit_pose", "moved_by"]

MOST_POINTS, ROUGH_POINTS = 8000, 2000
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
LEAST_STEP, ROUGH_STEP = 2e-6, 2e-4
"""Radians and millimetres at once: a step that moves nothing by more than a few hundredths of a micrometre; a few micrometres."""


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
class _Laid:
    """Points carried by a pose, their distances from the nearest body and its slopes there."""

    points: FloatArray
    residual: FloatArray
    slope: FloatArray

    @property
    def jacobian(self) -> FloatArray:
        """Of the residuals, for a small motion about the tooth-frame origin."""
        return np.hstack([np.cross(self.points, self.slope), self.slope])


def fit_pose(
    samples: Samples,
    matrix: FloatArray,
    scene: Scene,
    *,
    bodies: tuple[Grid, ...],
    fixed_only: bool,
    nearly: bool = False,
    rough: bool = False,
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
    rough : bool
        Right within a few micrometres will do: to tell poses from one another before the best is fitted again.

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
    most, least_step = (ROUGH_POINTS, ROUGH_STEP) if rough else (MOST_POINTS, LEAST_STEP)
    samples = _near(samples, matrix, bodies) if fixed_only else samples
    points, scale = samples.points_mm, LEAST_SCALE_MM
    for reach in (*(REACHES_MM[-1:] if nearly else REACHES_MM), *(None,) * (1 if rough else ADAPTIVE_ROUNDS)):
        widest = max(TUKEY * scale, 0.02) if reach is None else reach
        points = _chosen(samples, matrix, scene, bodies, reach=widest, fixed_only=fixed_only, most=most)
        if len(points) < LEAST_POINTS:
            return None
        for _ in range(STEPS):
            laid = _laid(points, matrix, bodies)
            scale = max(1.4826 * float(np.median(np.abs(laid.residual))), LEAST_SCALE_MM)
            step = _step(laid, TUKEY * scale if reach is None else reach)
            matrix = moved_by(step) @ matrix
            if np.abs(step).max() < least_step:
                break
    return _judged(_laid(points, matrix, bodies), matrix, TUKEY * scale)


def _near(samples: Samples, matrix: FloatArray, bodies: tuple[Grid, ...]) -> Samples:
    """Those that lie, or may come to lie, beside a body."""
    distance = _laid(samples.points_mm, matrix, bodies).residual
    return samples.where(np.abs(distance) < min(REACHES_MM[0] + 0.15, 0.99 * _far(bodies[0])))


def _chosen(
    samples: Samples,
    matrix: FloatArray,
    scene: Scene,
    bodies: tuple[Grid, ...],
    *,
    reach: float,
    fixed_only: bool,
    most: int,
) -> FloatArray:
    """Points that may take part, at most `most`."""
    laid = _laid(samples.points_mm, matrix, bodies)
    every = kernels.facing(laid.residual, laid.slope, samples.normals, matrix, reach, SAME_WAY)
    if not len(every):
        return np.empty((0, 3))
    kept = every[:: max(1, len(every) // (2 * most))]
    beside = scene.fixed.nearest(laid.points[kept])
    turned = samples.normals[kept] @ matrix[:3, :3].T
    fixed = beside >= 0
    fixed &= np.einsum("ij,ij->i", scene.fixed_normals[beside], turned) > SAME_WAY
    if not fixed_only:
        lies = np.zeros(len(laid.points), bool)
        lies[every] = True
        fixed |= _whole_patches(laid.points, lies)[kept]
    kept = kept[fixed]
    if len(kept) > most:
        kept = kept[np.arange(most) * len(kept) // most]
    return samples.points_mm[kept]


def _whole_patches(points: FloatArray, lies: np.ndarray) -> np.ndarray:
    """Which points stand in a patch that lies on the old surface nearly as a whole: it seems not to have been cut."""
    patch = _patches(points)
    return np.asarray((np.bincount(patch, weights=lies) > WHOLE * np.bincount(patch))[patch])


def _laid(points: FloatArray, matrix: FloatArray, bodies: tuple[Grid, ...]) -> _Laid:
    n = len(points)
    moved, distance, slope = np.empty((n, 3)), np.full(n, np.inf), np.zeros((n, 3))
    points, matrix = read_only(points, np.float64), np.ascontiguousarray(matrix)
    for body in bodies:
        values, origin = read_only(body.values, np.float32), read_only(body.origin_mm, np.float64)
        kernels.lay_on_grid(
            points, matrix, values, origin, float(body.spacing_mm), _far(body), moved, distance, slope
        )  # fmt: skip
    return _Laid(moved, distance, slope)


def _far(body: Grid) -> float:
    """The band of a grid, which stands in its corners."""
    return float(abs(body.values[0, 0, 0]))


def _step(laid: _Laid, width: float) -> FloatArray:
    hessian, right = kernels.normal_equations(laid.points, laid.residual, laid.slope, width)
    hessian[np.diag_indices(6)] += 1e-9 * np.trace(hessian) + 1e-12
    return np.asarray(np.linalg.solve(hessian, right))


def moved_by(step: FloatArray) -> FloatArray:
    """The 4 × 4 motion that turns by step[:3] (radians) about the origin and shifts by step[3:]."""
    x, y, z = step[:3]
    angle = float(np.sqrt(x * x + y * y + z * z))
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    matrix = np.eye(4)
    matrix[:3, :3] += np.sinc(angle / np.pi) * cross + 0.5 * np.sinc(0.5 * angle / np.pi) ** 2 * cross @ cross
    matrix[:3, 3] = step[3:]
    return matrix


def _judged(held: _Laid, matrix: FloatArray, width: float) -> Fit:
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
