"""Straight fits beside a curve against numpy's least squares over all pairs."""

import numpy as np
import pytest

from kerfmark.kernels.rims import walls_beside

ALONG, INWARD = np.array([[1.0, 0.0, 0.0]]), np.array([[0.0, 1.0, 0.0]])


@pytest.fixture
def wall():
    """Points of a wall that leans in by a fifth of its depth and begins 0.1 mm inside, with noise."""
    rng = np.random.default_rng(3)
    side, depth = rng.uniform(-0.5, 0.5, 400), rng.uniform(0.05, 0.45, 400)
    into = 0.1 + 0.2 * depth + 0.03 * side + 0.005 * rng.standard_normal(400)
    return np.column_stack([side, into, -depth]), depth


def test_the_first_fit_is_that_of_least_squares_over_all_points_in_reach(wall, monkeypatch):
    # Slow twin: numpy.linalg.lstsq, then twice more without what lies over 2.5 root mean squares off.
    points, depth = wall
    begins, leans, counts, off, loose = walls_beside(np.zeros((1, 3)), ALONG, INWARD, points, depth, 0.75, 0.2, 0.2)
    kept = (np.linalg.norm(points, axis=1) <= 0.75) & (np.abs(points[:, 0]) <= 0.2)
    for _ in range(3):
        terms = np.column_stack([np.ones(kept.sum()), depth[kept], points[kept, 0], points[kept, 0] ** 2])
        fit = np.linalg.lstsq(terms, points[kept, 1], rcond=None)[0]
        used, depths = int(kept.sum()), depth[kept]
        off = np.abs(points[:, 1] - fit[0] - fit[1] * depth - fit[2] * points[:, 0] - fit[3] * points[:, 0] ** 2)
        kept &= off <= 2.5 * np.sqrt((off[kept] ** 2).mean()) + 1e-6
    assert (begins[0], leans[0]) == pytest.approx((fit[0], fit[1]), abs=1e-6)
    assert counts[0] == used
    line = np.column_stack(
        [np.ones(used), depths]
    )  # (XᵀX)⁻¹ of a straight line, its first entry: the variance at depth 0
    assert loose[0] == pytest.approx(np.sqrt(np.linalg.inv(line.T @ line)[0, 0]), rel=1e-9)
    assert (begins[0], leans[0]) == pytest.approx((0.1, 0.2), abs=0.02)  # what the points were made with


@pytest.mark.parametrize("case", ["too few", "all at one depth", "far away"])
def test_where_there_is_no_wall_there_is_no_fit(wall, case):
    points, depth = wall
    points, depth = {
        "too few": (points[:5], depth[:5]),
        "all at one depth": (points, np.full(400, 0.2)),
        "far away": (points + 9.0, depth),
    }[case]
    begins, leans, *_ = walls_beside(np.zeros((1, 3)), ALONG, INWARD, points, depth, 0.75, 0.2, 0.2)
    assert np.isnan([begins[0], leans[0]]).all()
