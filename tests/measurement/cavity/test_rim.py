"""The line below a side of the margin, on walls whose lean is written down."""

import math

import numpy as np
import pytest

from kerfmark.measurement.cavity.rim import WallEdge, straight_below

STRAIGHT = np.arange(-1.5, 1.5, 0.1)


def edge(lean=0.0):
    """A straight margin 3 mm long on a level surface, the cut towards +y."""
    points = np.column_stack([STRAIGHT, np.zeros((len(STRAIGHT), 2))])
    up, into = np.broadcast_to([0.0, 0.0, 1.0], points.shape), np.broadcast_to([0.0, 1.0, 0.0], points.shape)
    return WallEdge(points, up, into, np.full(len(points), lean))


def wall(profile, *, noise_mm=0.0, seed=5):
    """Points of a wall whose depth below the margin says how far in it lies."""
    rng = np.random.default_rng(seed)
    x, depth = rng.uniform(-1.5, 1.5, 900), rng.uniform(0.0, 1.8, 900)
    return np.column_stack([x, profile(depth) + noise_mm * rng.standard_normal(900), -depth])


@pytest.mark.parametrize("deg", [-8.0, 0.0, 12.0])
def test_a_straight_wall_reads_its_lean_down_to_where_it_is_looked_at(deg):
    slope = math.tan(math.radians(deg))
    found = straight_below(edge(slope), wall(lambda d: slope * d), noise_mm=0.0, edge_mm=0.1)
    assert found.lean_deg == pytest.approx(deg, abs=1e-6)
    assert found.depth_mm > 1.3


def test_a_bevel_ends_the_line():
    # A bevel of 45° down to 0.5 mm, below it a plumb wall: the line must not reach over the edge between them.
    found = straight_below(edge(1.0), wall(lambda d: np.minimum(d, 0.5)), noise_mm=0.0, edge_mm=0.1)
    assert found.lean_deg == pytest.approx(45.0, abs=0.2)
    assert found.depth_mm < 0.65


def test_its_noise_is_that_of_repeats():
    # Second opinion: 60 walls with noise of their own.
    found = [
        straight_below(edge(), wall(np.zeros_like, noise_mm=0.01, seed=s), noise_mm=0.01, edge_mm=0.1)
        for s in range(60)
    ]
    assert np.std([f.lean_deg / f.noise_deg for f in found]) == pytest.approx(1.0, rel=0.3)
    assert np.median([f.depth_mm for f in found]) > 1.3


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_margin_that_leans_wrongly_does_not_turn_the_line(seed):
    # A plumb wall with 50 µm noise, and margin points whose own short fits lean by 12°: a strip about those would keep half of it.
    found = straight_below(
        edge(math.tan(math.radians(12.0))), wall(np.zeros_like, noise_mm=0.05, seed=seed), noise_mm=0.05, edge_mm=0.1
    )
    assert abs(found.lean_deg) < 2.5 * found.noise_deg


def test_the_line_ends_where_the_wall_is_known_to_end():
    # A floor's rounded foot from 0.8 mm on, hidden in 50 µm noise.
    foot = lambda d: np.maximum(d - 0.8, 0.0) ** 2  # noqa: E731
    found = straight_below(edge(), wall(foot, noise_mm=0.05), noise_mm=0.05, edge_mm=0.1, deepest_mm=0.8)
    assert 0.7 < found.depth_mm <= 0.8


def test_too_few_points_give_no_line():
    assert straight_below(edge(), wall(np.zeros_like)[:5], noise_mm=0.0, edge_mm=0.1) is None
