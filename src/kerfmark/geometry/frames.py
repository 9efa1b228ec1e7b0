"""Rigid transforms and directions of the tooth frame."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.errors import InputError
from kerfmark.records import FloatArray

__all__ = [
    "as_direction",
    "azimuth_direction",
    "looking_frame",
    "perpendiculars",
    "rigid_inverse",
    "rotation_about",
    "transform_directions",
    "transform_points",
]


def as_direction(direction: ArrayLike, *, name: str) -> FloatArray:
    """A unit vector along `direction`.

    Parameters
    ----------
    direction : (3,) float array
        Any length but zero.
    name : str
        What to call it in an error.

    Raises
    ------
    InputError
        If it is not three finite numbers, or has no length.
    """
    vector = np.asarray(direction, dtype=float)
    length = float(np.linalg.norm(vector)) if vector.shape == (3,) else 0.0
    if not np.isfinite(length) or length == 0.0:
        raise InputError(
            f"{name} is {vector.tolist()}, expected three finite numbers that are not all 0. Give it a length."
        )
    return vector / length


def azimuth_direction(azimuth_deg: ArrayLike, *, mesial_sign: int) -> FloatArray:
    """Unit directions square to the long axis, from facial (0°) towards mesial (90°).

    Parameters
    ----------
    azimuth_deg : (...,) float array, degrees
    mesial_sign : int
        +1 where mesial lies on +x, −1 where it lies on −x.

    Returns
    -------
    direction : (..., 3) float array

    Examples
    --------
    >>> azimuth_direction(90.0, mesial_sign=-1).round(12)
    array([-1.,  0.,  0.])
    """
    angle = np.radians(np.asarray(azimuth_deg, dtype=float))
    return np.stack([mesial_sign * np.sin(angle), np.cos(angle), np.zeros_like(angle)], axis=-1)


def transform_points(matrix: ArrayLike, points_mm: ArrayLike) -> FloatArray:
    """Points carried by a 4 × 4 matrix; (n, 3) in, (n, 3) out, mm."""
    matrix = np.asarray(matrix, dtype=float)
    carried: FloatArray = np.asarray(points_mm, dtype=float) @ matrix[:3, :3].T + matrix[:3, 3]
    return carried


def transform_directions(matrix: ArrayLike, directions: ArrayLike) -> FloatArray:
    """Directions turned by the rotation of a rigid 4 × 4 matrix; (n, 3) in, (n, 3) out."""
    turned: FloatArray = np.asarray(directions, dtype=float) @ np.asarray(matrix, dtype=float)[:3, :3].T
    return turned


def rigid_inverse(matrix: ArrayLike) -> FloatArray:
    """The inverse of a rigid 4 × 4 transform."""
    matrix = np.asarray(matrix, dtype=float)
    inverse = np.eye(4)
    inverse[:3, :3] = matrix[:3, :3].T
    inverse[:3, 3] = -matrix[:3, :3].T @ matrix[:3, 3]
    return inverse


def rotation_about(axis: ArrayLike, angle_deg: float) -> FloatArray:
    """The 4 × 4 rotation by `angle_deg` about `axis` through the origin, right-handed.

    Notes
    -----
    Source: Rodrigues' formula.

    Examples
    --------
    >>> (rotation_about([0, 0, 1], 90.0) @ [1, 0, 0, 1]).round(12)
    array([0., 1., 0., 1.])
    """
    x, y, z = as_direction(axis, name="rotation axis")
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    angle = np.radians(angle_deg)
    matrix = np.eye(4)
    matrix[:3, :3] += np.sin(angle) * cross + (1.0 - np.cos(angle)) * cross @ cross
    return matrix


def looking_frame(towards: ArrayLike, up: ArrayLike) -> FloatArray:
    """The rotation (4 × 4) into a frame seen from `towards`: its third axis points at the viewer, its second upwards.

    Parameters
    ----------
    towards : (3,) float array
        From what is looked at to the viewer; any length but zero.
    up : (3,) float array
        Made square to `towards`.

    Examples
    --------
    >>> looking_frame([0, 1, 0], up=[0, 0, 1])[:3, :3] @ [1, 2, 3]
    array([-1.,  3.,  2.])
    """
    z = as_direction(towards, name="towards")
    y = np.asarray(up, dtype=float)
    y = as_direction(y - (y @ z) * z, name="up")
    matrix = np.eye(4)
    matrix[:3, :3] = np.stack([np.cross(y, z), y, z])
    return matrix


def perpendiculars(direction: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Two unit directions square to a direction and to each other; with it, in this order, right-handed.

    Examples
    --------
    >>> first, second = perpendiculars([0.0, 0.0, 2.0])
    >>> np.allclose(np.cross(first, second), [0.0, 0.0, 1.0])
    True
    """
    unit = as_direction(direction, name="direction")
    helper = np.array([1.0, 0.0, 0.0]) if abs(unit[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    first = np.cross(helper, unit)
    first /= np.linalg.norm(first)
    return first, np.cross(unit, first)
