"""What of a head a cell may be nearest to, and the bounds at one point, against the instrument's own distance."""

from __future__ import annotations

import numpy as np
import pytest

from kerfmark.instruments import head_distance, instrument
from kerfmark.kernels.heads import ROW, few_pieces, lower_bounds, pieces_of_cell
from kerfmark.replay.sweep import head_of

NAMES = ("806 314 001 524 010", "round 1.0", "245", "33 1/2", "171", "flame 1.0", "272", "twist drill 2.0")


def by_pieces(faces, fans, a, r):
    """The largest of faces and fans, plainly."""
    found = [na * a + nr * r - c for na, nr, c in faces]
    for ca, cr, big, p, q, u, v in fans:
        x, y = a - ca, r - cr
        found.append(np.where((p * y - q * x <= 1e-6) & (x * v - y * u <= 1e-6), np.hypot(x, y) - big, -np.inf))
    return np.max(found, axis=0)


def places(head, rng, count):
    """Points in the head's half plane: within it, at its surface and beyond."""
    return np.stack([rng.uniform(-0.4, head.length_mm + 0.4, count), rng.uniform(0.0, head.radius_mm + 0.5, count)])


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("reach", [0.05, 0.25])
def test_nothing_is_nearer_to_a_cell_than_the_pieces_chosen_for_it(name, reach):
    # Source: the distance by all pieces, at points within the reach of each of 300 places, inside the head and out.
    head, rng = head_of(instrument(name)), np.random.default_rng(7)
    few_faces, few_fans = np.empty_like(head.faces), np.empty_like(head.fans)
    for a, r in places(head, rng, 300).T:
        bound = float(by_pieces(head.faces, head.fans, a, r))
        flat, rounded = few_pieces(a, r, bound - 2.0 * reach, reach, head.faces, head.fans, few_faces, few_fans)
        turn = rng.uniform(0.0, 2.0 * np.pi, 40)
        near_a, near_r = a + 0.99 * reach * np.cos(turn), np.abs(r + 0.99 * reach * np.sin(turn))
        whole = by_pieces(head.faces, head.fans, near_a, near_r)
        np.testing.assert_allclose(by_pieces(few_faces[:flat], few_fans[:rounded], near_a, near_r), whole, atol=2e-6)
        flat, first, last, rounded, fan, alone = pieces_of_cell(a, r, bound, reach, head.faces, head.fans)
        if flat <= 2 and rounded <= 1:
            faces, fans = head.faces[[first, last][:flat]], head.fans[[fan][:rounded]]
            np.testing.assert_allclose(by_pieces(faces, fans, near_a, near_r), whole, atol=2e-6)
        if alone:
            ca, cr, big = head.fans[fan, :3]
            np.testing.assert_allclose(np.hypot(near_a - ca, near_r - cr) - big, whole, atol=2e-6)


@pytest.mark.parametrize("name", NAMES)
def test_bounds_lie_below_the_distance_and_so_does_the_plane_through_them(name):
    # Source: the instrument's own distance in double precision, at the point and 0.2 mm about it, for 60 leaning poses.
    tool, rng, count = instrument(name), np.random.default_rng(8), 60
    head, point = head_of(tool), np.array([0.3, -0.2, 0.4])
    axes = np.column_stack([rng.uniform(-0.4, 0.4, (count, 2)), np.ones(count)])
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    tips = point - rng.uniform(-0.5, head.length_mm + 0.5, (count, 1)) * axes + rng.normal(0.0, 0.4, (count, 3))
    poses, work = np.zeros(8 * ROW, dtype=np.float32), np.zeros(8 * ROW, dtype=np.float32)
    for row, column in enumerate(np.column_stack([tips, axes]).T):
        poses[row * ROW : row * ROW + count] = column
    lower_bounds(*point, poses, count, head.faces, head.fans, head.segments, work)
    bound, slope = work[:count], work[ROW : 4 * ROW].reshape(3, ROW)[:, :count].T
    around = rng.normal(size=(count, 3))
    around *= 0.2 / np.linalg.norm(around, axis=1, keepdims=True)
    for off in (np.zeros((count, 3)), around):
        from_tip = point + off - tips
        along = (from_tip * axes).sum(axis=1)
        away = np.linalg.norm(from_tip - along[:, None] * axes, axis=1)
        assert (bound + (slope * off).sum(axis=1) <= head_distance(tool, along, away) + 1e-5).all()
    at = head_distance(tool, ((point - tips) * axes).sum(axis=1), np.linalg.norm(np.cross(point - tips, axes), axis=1))
    assert np.mean(np.abs(bound - at) < 1e-5) > 0.9
