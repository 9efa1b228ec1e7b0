"""Quaternions w, x, y, z."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.records import FloatArray

__all__ = ["product", "quaternion_of", "shortest_turn", "turned", "turned_by"]


def product(a: ArrayLike, b: ArrayLike) -> FloatArray:
    """The Hamilton product: first turn by `b`, then by `a`; (..., 4).

    Examples
    --------
    >>> product([0.0, 1.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0])
    array([0., 0., 0., 1.])
    """
    aw, ax, ay, az = np.moveaxis(np.asarray(a, dtype=float), -1, 0)
    bw, bx, by, bz = np.moveaxis(np.asarray(b, dtype=float), -1, 0)
    return np.stack(
        [
            aw * bw - ax * bx - ay * by - az * bz,
            aw * bx + ax * bw + ay * bz - az * by,
            aw * by - ax * bz + ay * bw + az * bx,
            aw * bz + ax * by - ay * bx + az * bw,
        ],
        axis=-1,
    )


def turned_by(turn: ArrayLike, orientations: FloatArray) -> FloatArray:
    """Every one of some orientations (n, 4), then turned by the one quaternion `turn`."""
    w, x, y, z = np.asarray(turn, dtype=float)
    left = np.array([[w, -x, -y, -z], [x, w, -z, y], [y, z, w, -x], [z, -y, x, w]])
    return np.asarray(orientations @ left.T)


def turned(quaternion: ArrayLike, vectors: ArrayLike) -> FloatArray:
    """Vectors (..., 3) turned by unit quaternions (..., 4)."""
    q, v = np.asarray(quaternion, dtype=float), np.asarray(vectors, dtype=float)
    twice = 2.0 * np.cross(q[..., 1:], v)
    result: FloatArray = v + q[..., :1] * twice + np.cross(q[..., 1:], twice)
    return result


def quaternion_of(rotation: ArrayLike) -> FloatArray:
    """The unit quaternion of a 3 × 3 rotation, w not negative.

    Notes
    -----
    Source: the eigenvector of Bar-Itzhack's symmetric matrix (J. Guidance 23:1085, 2000 [memory]); no case is singular.
    """
    r = np.asarray(rotation, dtype=float)
    form = np.array(
        [
            [r[0, 0] + r[1, 1] + r[2, 2], r[2, 1] - r[1, 2], r[0, 2] - r[2, 0], r[1, 0] - r[0, 1]],
            [r[2, 1] - r[1, 2], r[0, 0] - r[1, 1] - r[2, 2], r[1, 0] + r[0, 1], r[2, 0] + r[0, 2]],
            [r[0, 2] - r[2, 0], r[1, 0] + r[0, 1], r[1, 1] - r[0, 0] - r[2, 2], r[2, 1] + r[1, 2]],
            [r[1, 0] - r[0, 1], r[2, 0] + r[0, 2], r[2, 1] + r[1, 2], r[2, 2] - r[0, 0] - r[1, 1]],
        ]
    )
    vector = np.linalg.eigh(form)[1][:, -1]
    return np.asarray(-vector if vector[0] < 0.0 else vector)


def shortest_turn(axis: ArrayLike) -> FloatArray:
    """The unit quaternion of the shortest turn that carries +z onto unit directions (..., 3)."""
    a = np.asarray(axis, dtype=float)
    raw = np.stack([1.0 + a[..., 2], -a[..., 1], a[..., 0], np.zeros(a.shape[:-1])], axis=-1)
    back = raw[..., 0] < 1e-12
    raw = np.where(back[..., None], [0.0, 1.0, 0.0, 0.0], raw)
    unit: FloatArray = raw / np.linalg.norm(raw, axis=-1, keepdims=True)
    return unit
