"""Poses between samples against scipy's own turning, and windows against a plain twin."""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import Rotation, Slerp

from kerfmark.kernels.poses import WINDOW, count_poses, fill_poses, fill_windows

RNG = np.random.default_rng(3)


def run(tip, q, cuts, reach, step):
    ends = np.flatnonzero(cuts)
    seconds, parts = np.arange(len(tip)) / 100.0, np.empty(len(ends), dtype=np.int64)
    total = count_poses(tip, q, cuts, ends, reach, step, parts)
    columns, linked = np.empty((7, total), dtype=np.float32), np.empty(total, dtype=bool)
    before = fill_poses(tip, q, seconds, cuts, ends, parts, np.zeros(3), columns, linked)
    return columns, linked, parts, before


def test_poses_between_samples_lie_where_scipy_turns_them():
    # Source: scipy's Slerp carries +z along the same arc; the tip goes straight; no point of the head steps farther than asked.
    tip, q = (
        np.cumsum(RNG.normal(0, 0.1, (12, 3)), axis=0),
        Rotation.random(12, random_state=5).as_quat()[:, [3, 0, 1, 2]],
    )
    cuts = np.ones(12, dtype=bool)
    columns, linked, parts, before = run(tip, q, cuts, 2.0, 0.3)
    assert not before
    at = np.concatenate([[0.0], *(n + np.arange(1, p + 1) / p for n, p in enumerate(parts[1:]))])
    turns = Slerp(np.arange(12), Rotation.from_quat(q[:, [1, 2, 3, 0]]))(at)
    np.testing.assert_allclose(columns[3:6].T, turns.apply([0, 0, 1]), atol=2e-6)
    np.testing.assert_allclose(
        columns[:3].T, np.stack([np.interp(at, np.arange(12), c) for c in tip.T], axis=1), atol=1e-6
    )
    np.testing.assert_allclose(columns[6], at / 100.0, atol=1e-7)
    np.testing.assert_array_equal(linked, at > 0)
    far = np.linalg.norm(np.diff(columns[:3] + 2.0 * columns[3:6], axis=1), axis=0)
    assert far.max() <= 0.3 * (1 + 1e-5)


def test_a_stretch_that_begins_anew_begins_with_its_own_start():
    # Source: the rule: 0 stands; 1 does not cut; 2 cuts from sample 1; 3 goes on.
    tip = np.zeros((4, 3))
    q = np.tile([1.0, 0, 0, 0], (4, 1))
    columns, linked, _, _ = run(tip, q, np.array([True, False, True, True]), 1.0, 1.0)
    np.testing.assert_allclose(columns[6], [0.0, 0.01, 0.02, 0.03])
    np.testing.assert_array_equal(linked, [False, False, True, True])


def test_windows_hold_linked_runs_and_how_far_they_stray():
    # Source: plain twin.
    columns = RNG.normal(size=(7, 70)).astype(np.float32)
    linked = RNG.random(70) > 0.05
    spans, windows = np.empty((70, 2), dtype=np.int32), np.empty((8, 70), dtype=np.float32)
    count = fill_windows(columns, linked, 70, 1, 2.0, spans, windows)
    assert (spans[0, 0], spans[count - 1, 1]) == (1, 70)
    assert (spans[1:count, 0] == spans[: count - 1, 1]).all()
    for (first, end), window in zip(spans[:count], windows[:, :count].T, strict=True):
        assert end - first <= WINDOW
        assert linked[first + 1 : end].all()
        middle = (first + end) // 2
        np.testing.assert_array_equal(window[:6], columns[:6, middle])
        away = columns[:6, first:end] - columns[:6, [middle]]
        stray = (np.linalg.norm(away[:3], axis=0) + 2.0 * np.linalg.norm(away[3:], axis=0)).max()
        assert stray <= window[6] <= stray * 1.001 + 2e-5
