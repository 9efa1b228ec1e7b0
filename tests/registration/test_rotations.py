"""The rotations that the search starts from."""

from __future__ import annotations

import numpy as np

from kerfmark.registration.rotations import spread_rotations


def test_every_rotation_has_a_start_within_twenty_nine_degrees():
    # Random unit quaternions (normal numbers, made unit) are uniform rotations: Shoemake (1992). 29°: the figure stated, and 3°.
    rng = np.random.default_rng(1)
    from scipy.spatial.transform import Rotation

    starts = spread_rotations(600).reshape(-1, 3, 3)
    asked = Rotation.random(3000, random_state=rng).as_matrix()
    trace = np.einsum("aij,sij->as", asked, starts).max(axis=1)
    away_deg = np.degrees(np.arccos(np.clip(0.5 * (trace - 1.0), -1.0, 1.0)))
    assert away_deg.max() < 29.0
    assert away_deg.mean() < 15.0


def test_starts_are_rotations():
    starts = spread_rotations(600).reshape(-1, 3, 3)
    np.testing.assert_allclose(starts @ starts.transpose(0, 2, 1), np.broadcast_to(np.eye(3), starts.shape), atol=1e-12)
    np.testing.assert_allclose(np.linalg.det(starts), 1.0, atol=1e-12)
