import numpy as np
import pytest

from kerfmark.kernels.paths import beside_path, find_grooves, read_walls


def plain_beside(point, path, lengths):
    """Slow twin: every stretch of the path, the nearest point of each."""
    best = (np.inf, np.nan, np.nan)
    for a, b, start in zip(path[:-1], path[1:], lengths[:-1], strict=True):
        way = b - a
        part = np.clip((point - a) @ way / (way @ way), 0.0, 1.0)
        off = point - a - part * way
        side = np.sign(way[0] * off[1] - way[1] * off[0]) or 1.0
        best = min(best, (np.hypot(*off), start + part * np.hypot(*way), side * np.hypot(*off)))
    return best[1], best[2]


def test_places_beside_a_path_are_those_of_the_plain_twin():
    rng = np.random.default_rng(2)
    t = np.linspace(0.0, 10.0, 70)
    path = np.column_stack([t, np.sin(t)])
    lengths = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))]
    points = rng.uniform([-1, -3, 0], [11, 3, 1], (300, 3))
    along, left = beside_path(points, path, lengths, 10.0)
    expected = np.array([plain_beside(p[:2], path, lengths) for p in points])
    assert np.column_stack([along, left]) == pytest.approx(expected, abs=1e-9)


def test_points_out_of_reach_have_no_place():
    along, left = beside_path(
        np.array([[5.0, 2.1, 0.0]]), np.array([[0.0, 0.0], [10.0, 0.0]]), np.array([0.0, 10.0]), 2.0
    )
    assert np.isnan(along).all()
    assert np.isnan(left).all()


def test_the_groove_of_a_row_is_found_roughly():
    s = 0.05 * np.arange(120) - 3.0
    depth = np.where(np.abs(s - 0.37) < 0.5, 0.8, 0.0)
    middle, full = find_grooves(depth[None], 0.1)[0]
    assert -3.0 + 0.05 * middle == pytest.approx(0.37, abs=0.03)  # half a sample at each end
    assert full == 0.8


def test_of_two_grooves_the_larger_is_followed():
    s = 0.01 * np.arange(600) - 3.0
    depth = np.where(np.abs(s) < 0.5, 0.8, 0.0) + np.where(np.abs(s - 2.0) < 0.1, 0.8, 0.0)
    assert -3.0 + 0.01 * find_grooves(depth[None], 0.1)[0, 0] == pytest.approx(0.0, abs=0.006)


def test_a_groove_that_leaves_the_row_is_not_followed():
    row = np.where(np.arange(100) > 60, 0.5, 0.0)
    assert np.isnan(find_grooves(row[None].astype(float), 0.1)).all()


def test_walls_are_read_where_lines_across_meet_them():
    # A round groove of radius 1 about 0.37, its rim 0.2 below the middle: at depth d its half width is
    # sqrt(1 − (0.2 + d)²), and half of its depth of 0.8 is d = 0.4. Crossings are given exactly, a stray one with them.
    levels = np.arange(0.02, 0.79, 0.04)
    half = np.sqrt(1.0 - (0.2 + levels) ** 2)
    lists = [[2.5, 0.37 + h, 0.37 - h] for h in half]
    starts = np.cumsum([0] + [len(c) for c in lists])
    found = read_walls(starts, np.concatenate(lists), levels, np.array([0.3]), np.array([0.8]))
    assert found[0, 0] == pytest.approx(0.37, abs=1e-12)
    assert found[0, 1] == pytest.approx(2.0 * np.sqrt(1.0 - 0.6**2), abs=0.01)  # a mean over levels about half


def test_a_few_lines_that_meet_something_else_do_not_move_the_middle():
    levels = np.linspace(0.1, 0.7, 25)
    lists = [[0.5, -0.5] if k % 8 else [0.1, -0.5] for k in range(25)]
    starts = np.cumsum([0] + [len(c) for c in lists])
    found = read_walls(starts, np.concatenate(lists), levels, np.array([0.0]), np.array([0.8]))
    assert found[0, 0] == pytest.approx(0.0, abs=1e-12)
