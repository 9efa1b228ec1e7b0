"""Triangles that cut through each other."""

from __future__ import annotations

import numpy as np
import pytest

from kerfmark.kernels import crossing as kernels


def plain_cross(t, u):
    """By solving for where each side meets the other triangle."""
    for one, other in ((t, u), (u, t)):
        for p, q in ((0, 1), (1, 2), (2, 0)):
            a, b, c = other
            matrix = np.column_stack([b - a, c - a, one[p] - one[q]])
            if abs(np.linalg.det(matrix)) < 1e-12:
                continue
            s, r, at = np.linalg.solve(matrix, one[p] - a)
            if s > 0 and r > 0 and s + r < 1 and 0 < at < 1:
                return True
    return False


def test_random_pairs_agree_with_solving_for_each_side():
    rng = np.random.default_rng(9)
    pairs = rng.normal(size=(500, 2, 3, 3))
    fast = [kernels.triangles_cross(np.ascontiguousarray(p.reshape(2, 9)), 0, 1) for p in pairs]
    assert fast == [plain_cross(*p) for p in pairs]
    assert 50 < sum(fast) < 450  # the sample holds plenty of both


@pytest.mark.parametrize("lift", [0.0, 1.0])
def test_lying_in_one_plane_or_apart_is_no_crossing(lift):
    flat = np.array([[0, 0, 0, 2, 0, 0, 0, 2, 0], [0.5, 0.5, lift, 3, 0.5, lift, 0.5, 3, lift]], dtype=float)
    assert not kernels.triangles_cross(flat, 0, 1)
