"""How many points of a mesh carry noise of their own, against meshes with noise at every vertex."""

import math

import numpy as np
import pytest
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import cKDTree

from kerfmark.measurement.budget import (
    CROSSINGS_PER_EDGE_LENGTH,
    alike_means,
    alike_share,
    effective_count,
    extreme_of,
    shared_u_mm,
    shared_unevenness_mm,
)

REPEATS = 600


def noisy_lattice(edge=0.1, size=4.2):
    """Noise of standard deviation 1 at the vertices of even triangles, linear between: `at(points)` gives (n, REPEATS)."""
    rows = np.arange(round(size / (edge * np.sqrt(3.0) / 2.0)))
    x, row = np.meshgrid(edge * np.arange(round(size / edge)), rows)
    points = np.column_stack([(x + 0.5 * edge * (row % 2)).ravel(), (row * edge * np.sqrt(3.0) / 2.0).ravel()])
    return LinearNDInterpolator(points, np.random.default_rng(2).standard_normal((len(points), REPEATS)))


@pytest.fixture(scope="module")
def field():
    return noisy_lattice()


def line(start, angle, length):
    return start + np.linspace(0.0, length, 60)[:, None] * [np.cos(angle), np.sin(angle)]


def test_a_mean_along_a_section_has_the_noise_of_so_many_points(field):
    # Second opinion: 600 repeats of nine lines in all directions; their scatter is known within 3 %, lines differ by 10 %.
    starts = np.random.default_rng(3).uniform(1.6, 2.0, (9, 2))
    means = [field(line(s, a, 1.2)).mean(axis=0) for s, a in zip(starts, np.linspace(0.0, 2.8, 9), strict=True)]
    found = 1.0 / np.mean(np.var(means, axis=1))
    assert found == pytest.approx(effective_count(edge_mm=0.1, length_mm=1.2), rel=0.12)


def test_a_mean_over_a_patch_has_the_noise_of_so_many_points(field):
    # Patches of 1 mm² with edges ten sides of a triangle long: what lies across their border adds 1 − (1 − 0.042)² to the count.
    grid = np.stack(np.meshgrid(np.linspace(0.0, 1.0, 40), np.linspace(0.0, 1.0, 40)), axis=-1).reshape(-1, 2)
    corners = [(0.5, 0.5), (2.0, 0.5), (0.5, 2.0), (2.0, 2.0)]
    found = 1.0 / np.mean([np.var(field(grid + corner).mean(axis=0)) for corner in corners])
    assert found == pytest.approx(effective_count(edge_mm=0.1, area_mm2=1.0) / 0.958**2, rel=0.1)


@pytest.mark.parametrize("apart", [0.05, 0.1, 0.3])
def test_sections_an_edge_apart_are_nearly_independent_and_closer_ones_alike(field, apart):
    # Mean over 25 pairs of parallel lines of the variance of their mean, over that of one of them.
    rng, one, both = np.random.default_rng(4), [], []
    for _ in range(25):
        start, angle = rng.uniform(1.5, 2.5, 2), rng.uniform(0.0, np.pi)
        beside = start + apart * np.array([-np.sin(angle), np.cos(angle)])
        pair = [field(line(s, angle, 0.8)).mean(axis=0) for s in (start, beside)]
        one += [np.var(p) for p in pair]
        both.append(np.var(np.mean(pair, axis=0)))
    assert np.mean(both) / np.mean(one) == pytest.approx(alike_share([0.0, apart], edge_mm=0.1), abs=0.05)


def test_a_line_crosses_edges_as_often_as_said():
    # Source: Cauchy–Crofton, 2/π times the length of edges per area; even triangles of side 1 have 6/√3 of it.
    assert pytest.approx(2.0 / np.pi * 6.0 / np.sqrt(3.0), abs=1e-3) == CROSSINGS_PER_EDGE_LENGTH


@pytest.mark.parametrize("count", [2, 10, 100])
def test_the_least_of_many_lies_as_far_below_as_repeats_say(count):
    # Second opinion: the least of n normal values over 20,000 repeats, for a truth that is the same everywhere. What is not
    # within 3 u of the least is made up for by how many of a normal distribution would be.
    repeats = np.random.default_rng(4).standard_normal((20_000, count))
    least = repeats.min(axis=1)
    told = np.array([extreme_of(values, 1.0, alike=1.0)[0] for values in repeats[:400]])
    assert told.mean() == pytest.approx(-least.mean(), abs=0.1)
    beyond, component = extreme_of(np.zeros(count), 1.0, alike=1.0)
    assert component.u == pytest.approx(math.hypot(least.std(), 0.25 * beyond), rel=0.06)


@pytest.mark.parametrize("radius", [0.15, 0.3])
def test_the_least_of_overlapping_means_lies_as_far_below_as_repeats_say(radius):
    # Second opinion: means over circles about every point of a jittered hexagonal grid of side 0.1, over 4 mm².
    rng = np.random.default_rng(9)
    rows = [np.column_stack([0.1 * np.arange(26) + 0.05 * (k % 2), np.full(26, 0.0866 * k)]) for k in range(30)]
    points = np.concatenate(rows) + rng.normal(0.0, 0.008, (780, 2))
    near = [np.array(n) for n in cKDTree(points).query_ball_point(points, radius)]
    inner = [n for n, at in zip(near, points, strict=True) if (np.abs(at - 1.27) < 1.0).all()]
    each = float(np.mean([len(n) for n in inner]))
    least, told = [], []
    for _ in range(60):
        noise = rng.standard_normal(len(points))
        means = np.array([noise[n].mean() for n in inner])
        least.append(means.min())
        told.append(extreme_of(means, each**-0.5, alike=alike_means(each))[0])
    assert np.mean(told) == pytest.approx(-np.mean(least), abs=0.25 * each**-0.5)


def test_a_least_that_stands_alone_is_taken_as_it_is():
    assert extreme_of([1.0, 2.0, 3.0], 0.01, alike=1.0)[0] == pytest.approx(0.0, abs=1e-12)
    assert extreme_of([1.0], 0.0, alike=1.0)[0] == 0.0


def mean_sinc(apart):
    """The plain twin: waves of 4.5 to 11.5 mm, a millimetre apart, correlate at a distance as sin(k d) / (k d) with k = 2π / length."""
    k = 2.0 * np.pi / np.arange(4.5, 12.0)
    return np.mean(np.where(apart > 0.0, np.sin(k * apart) / np.where(apart > 0.0, k * apart, 1.0), 1.0))


def test_a_smooth_error_correlates_as_its_waves_do():
    # Two points that count alike: the variance of their sum is 2 (1 + r), of their difference 2 (1 − r), with r of the plain twin.
    for apart in (0.0, 0.003, 0.7, 3.3, 20.0, 90.0):
        ends = [[0.0, 0.0, 0.0], [0.0, apart, 0.0]]
        assert shared_u_mm(0.01, ends, [1.0, 1.0]) ** 2 == pytest.approx(2e-4 * (1.0 + mean_sinc(apart)), rel=1e-5)
        assert shared_u_mm(0.01, ends, [1.0, -1.0]) ** 2 == pytest.approx(
            2e-4 * (1.0 - mean_sinc(apart)), rel=1e-5, abs=1e-9
        )


def test_weights_that_cancel_do_not_make_a_smooth_error_boundless():
    # However a surface is weighted, an error of at most s everywhere moves the weighted sum by at most s Σ|w|. Before, of
    # many points those taken out to stand for all were scaled by their sum, and an uncertainty of 15 m came out.
    rng = np.random.default_rng(8)
    for _ in range(200):
        n = int(rng.integers(300, 2000))
        weights = rng.choice([-1.0, 1.0], n) * rng.uniform(0.0, 1.0, n)
        points = rng.uniform(0.0, 6.0, (n, 3))
        assert shared_u_mm(0.01, points, weights) <= 0.01 * np.abs(weights).sum() * (1.0 + 1e-9)


@pytest.mark.parametrize("tall", [0.6, 1.4, 6.0])
def test_taking_many_points_together_keeps_what_a_line_through_them_loses_and_keeps(tall):
    # A slope over a wall: weights as depths off their middle. The plain twin takes every pair of points singly.
    rng = np.random.default_rng(9)
    points = np.column_stack([rng.uniform(0.0, 4.0, 900), rng.normal(0.0, 0.01, 900), rng.uniform(0.0, tall, 900)])
    weights = (points[:, 2] - points[:, 2].mean()) / (900.0 * points[:, 2].var())
    k = 2.0 * np.pi / np.arange(4.5, 12.0)
    apart = np.linalg.norm(points[:, None] - points[None], axis=2)
    alike = np.mean([np.sinc(each * apart / np.pi) for each in k], axis=0)
    assert shared_u_mm(0.01, points, weights) == pytest.approx(0.01 * np.sqrt(weights @ alike @ weights), rel=0.05)


def test_weights_that_cancel_over_the_same_places_leave_nothing():
    # 3000 pairs of +1 and −1 at one place each: whatever the error is there, the sum does not feel it.
    places = np.repeat(np.random.default_rng(10).uniform(0.0, 9.0, (3000, 3)), 2, axis=0)
    assert shared_u_mm(0.01, places, np.tile([1.0, -1.0], 3000)) == pytest.approx(0.0, abs=1e-12)


def test_a_smooth_error_bends_a_floor_by_what_its_waves_leave_of_a_plane():
    # Simulated: 400 sums of 24 waves of 4.5 to 11.5 mm in random directions on a floor of 4 by 3 mm, their best planes taken off.
    rng = np.random.default_rng(12)
    points = np.column_stack([rng.uniform(0.0, 4.0, 150), rng.uniform(0.0, 3.0, 150), np.full(150, -2.0)])
    plane = np.column_stack([np.ones(150), points[:, :2]])
    squares = []
    for _ in range(400):
        ways = rng.standard_normal((24, 3))
        waves = (
            2.0 * np.pi * ways / np.linalg.norm(ways, axis=1, keepdims=True) / rng.choice(np.arange(4.5, 12.0), (24, 1))
        )
        error = np.sqrt(2.0 / 24.0) * np.cos(points @ waves.T + rng.uniform(0.0, 2.0 * np.pi, 24)).sum(axis=1)
        squares.append(np.mean((error - plane @ np.linalg.lstsq(plane, error, rcond=None)[0]) ** 2))
    assert shared_unevenness_mm(0.015, points) == pytest.approx(0.015 * np.sqrt(np.mean(squares)), rel=0.08)
