"""Where a tracked tool's tip is: from poses recorded while it pivots about its tip."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.errors import InputError
from kerfmark.records import FloatArray

__all__ = ["Tip", "calibrate_tip"]

LEAST_POSES = 10
LEAST_SPREAD = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Tip:
    """A pivoting tool's tip.

    Attributes
    ----------
    tip_mm : (3,) float array
        In the frame of the tracked body.
    pivot_mm : (3,) float array
        Where it stood, in the tracker's frame.
    residual_mm : float
        Root mean square of the residual per coordinate.
    u_tip_mm : (3,) float array
        Standard uncertainty of `tip_mm` if the residuals are independent noise; a body that bends or slips adds more.
    """

    tip_mm: FloatArray
    pivot_mm: FloatArray
    residual_mm: float
    u_tip_mm: FloatArray


def calibrate_tip(poses: ArrayLike) -> Tip:
    """The tip of a tracked tool from poses taken while it pivots about that tip.

    Parameters
    ----------
    poses : (n, 4, 4) float array, mm
        Rigid; from the tracked body's frame to the tracker's. At least 10, turned about more than one axis.

    Returns
    -------
    tip : Tip

    Raises
    ------
    InputError
        If there are too few, a value is not finite, or the tool hardly turned.

    Notes
    -----
    The tip t and the pivot p keep Rᵢ t + dᵢ = p: linear least squares of [Rᵢ −I] (t, p) = −dᵢ in one step.

    Examples
    --------
    >>> from kerfmark.geometry.frames import rotation_about
    >>> turns = [rotation_about([np.cos(a), np.sin(a), 0.3], 20.0 + 3.0 * a) for a in range(12)]
    >>> for turn in turns:
    ...     turn[:3, 3] = [1.0, 2.0, 3.0] - turn[:3, :3] @ [0.0, 0.0, 100.0]
    >>> np.abs(calibrate_tip(turns).tip_mm.round(9))
    array([  0.,   0., 100.])
    """
    poses = np.asarray(poses, dtype=float)
    if poses.ndim != 3 or poses.shape[1:] != (4, 4) or len(poses) < LEAST_POSES or not np.isfinite(poses).all():
        raise InputError(
            f"pivoting poses have the shape {poses.shape}, expected at least {LEAST_POSES} matrices of 4 × 4 finite numbers. "
            "Record the tool pivoting for some seconds."
        )
    count = len(poses)
    design = np.concatenate([poses[:, :3, :3], np.broadcast_to(-np.eye(3), (count, 3, 3))], axis=2).reshape(-1, 6)
    wanted = -poses[:, :3, 3].reshape(-1)
    solution, _, rank, singular = np.linalg.lstsq(design, wanted, rcond=None)
    if rank < 6 or singular[-1] < LEAST_SPREAD * np.sqrt(count):
        raise InputError(
            f"pivoting poses: the tool turned too little (or about one axis only) in {count} poses, expected it to lean "
            "to all sides. Record again, leaning 30° and more."
        )
    residual = design @ solution - wanted
    variance = float(residual @ residual) / max(len(wanted) - 6, 1)
    spread = np.sqrt(np.diag(np.linalg.inv(design.T @ design)) * variance)
    return Tip(solution[:3], solution[3:], float(np.sqrt(np.mean(residual**2))), spread[:3])
