"""The reach kernel against a plain twin, for a ball over a plane, where the way to room is known by hand."""

from __future__ import annotations

import numpy as np

from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.reach import BEFORE_TIP_MM, take_away

RADIUS, STEP, CELL, MESH, ALLOWANCE, ENOUGH = 0.5, 0.4, 0.2, 0.02, 0.03, -0.02
SHAPE = (8, 8, 8)


def plain_best(point: np.ndarray) -> float:
    """Deepest the point comes to lie in a ball whose tip stands on any lattice point, lifted to just room over z = 1."""
    best = -np.inf
    for i, j, k in np.ndindex(*SHAPE):
        tip = STEP * np.array([i, j, k], dtype=float)
        lift = max(0.0, 1.0 - ALLOWANCE - tip[2])
        if lift <= 1.5 * STEP:
            centre = tip + np.array([0.0, 0.0, lift + RADIUS])
            best = max(best, RADIUS - float(np.linalg.norm(point - centre)))
    return best


def kernel_best(points: np.ndarray) -> np.ndarray:
    cells = [2 * count - 1 for count in SHAPE]
    field = np.broadcast_to(CELL * np.arange(cells[2]) - 1.0, cells).astype(np.float32)
    along, radius = np.arange(-BEFORE_TIP_MM, 2.0, MESH), np.arange(0.0, 1.5, MESH)
    table = RADIUS - np.hypot(along[:, None] - RADIUS, radius[None, :])
    offsets = np.array(list(np.ndindex(9, 9, 9)), dtype=np.int32) - 4
    depths = RADIUS - np.linalg.norm(STEP * offsets - [0.0, 0.0, RADIUS], axis=1)
    steps = points / STEP
    best, standing = np.full(len(points), -np.inf), np.full((*SHAPE, 4), np.nan, dtype=np.float32)
    take_away(
        best, read_only(np.rint(steps), np.int32), read_only((steps - np.rint(steps)) * STEP, np.float64),
        read_only(field, np.float32), CELL, standing, read_only([[0.0, 0.0, RADIUS, RADIUS]], np.float64),
        read_only(offsets, np.int32), read_only(depths, np.float64), read_only(table, np.float64), MESH,
        read_only([0.0, 0.0, 1.0], np.float64), 5.0, ALLOWANCE, STEP, ENOUGH,
    )  # fmt: skip
    return best


def test_the_kernel_agrees_with_its_plain_twin():
    # 0.012 mm: 0.002 mm of give in finding room, and bilinear reading of a depth table whose tip is curved.
    points = np.random.default_rng(3).uniform([0.9, 0.9, 0.7], [1.9, 1.9, 2.0], (300, 3))
    found, expected = kernel_best(points), np.array([plain_best(point) for point in points])
    stays = expected < ENOUGH
    assert 20 < stays.sum() < 280
    assert (found[~stays] >= ENOUGH - 0.012).all()
    np.testing.assert_allclose(found[stays], expected[stays], atol=0.012)
