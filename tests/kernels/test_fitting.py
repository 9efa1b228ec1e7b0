"""Fits against scipy's least squares and against shapes that hold exactly."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from kerfmark.kernels.fitting import fillet_fit, fillet_residuals, total_least_squares


def on_a_fillet(lean, radius, sweep, count=40):
    wall, normal = np.array([-np.sin(lean), np.cos(lean)]), np.array([np.cos(lean), np.sin(lean)])
    centre = (4.0 + radius) * normal
    turns = np.linspace(0.0, sweep, count)[:, None]
    arc = centre - radius * (np.cos(turns) * normal + np.sin(turns) * wall)
    up = 4.0 * normal + np.linspace(0.0, 1.5, count)[:, None] * wall
    out = arc[-1] + np.linspace(0.0, 0.5, count)[:, None] * (np.sin(sweep) * normal - np.cos(sweep) * wall)
    return np.ascontiguousarray(np.concatenate([up, arc, out]))


def residuals(shape, points):
    off = np.empty(len(points))
    fillet_residuals(points, np.asarray(shape, float), off)
    return off


def test_points_of_a_fillet_lie_on_it():
    assert np.abs(residuals([0.1, 4.0, 0.0, 0.4, 1.4], on_a_fillet(0.1, 0.4, 1.4))).max() < 1e-12


def test_a_fillet_is_found_from_a_rough_guess():
    # Source: the very shape the points were laid on; the same minimum as scipy.optimize.least_squares.
    points = on_a_fillet(0.1, 0.4, 1.4)
    low, high = np.array([-0.3, 3.0, -2.0, 0.005, 0.2]), np.array([0.5, 5.0, 3.0, 3.0, 2.2])
    shape, rms = fillet_fit(points, np.array([0.05, 4.05, 0.1, 0.2, 1.2]), low, high)
    twin = least_squares(residuals, [0.05, 4.05, 0.1, 0.2, 1.2], args=(points,), bounds=(low, high))
    assert rms < 1e-5
    assert shape == pytest.approx([0.1, 4.0, 0.0, 0.4, 1.4], abs=1e-3)
    assert shape == pytest.approx(twin.x, abs=1e-3)


def test_what_is_held_stays_and_the_rest_finds_its_least():
    # Second opinion: scipy.optimize.least_squares over the three parameters left, radius and sweep given.
    points = on_a_fillet(0.1, 0.4, 1.4) + 0.01 * np.random.default_rng(5).normal(size=(120, 2))
    low, high = np.array([-0.3, 3.0, -2.0, 0.3, 1.3]), np.array([0.5, 5.0, 3.0, 0.3, 1.3])
    shape, rms = fillet_fit(points, np.array([0.05, 4.05, 0.1, 0.3, 1.3]), low, high)
    twin = least_squares(lambda free: residuals([*free, 0.3, 1.3], points), [0.05, 4.05, 0.1])
    assert shape[3:] == pytest.approx([0.3, 1.3], abs=0.0)
    assert rms == pytest.approx(np.sqrt(2.0 * twin.cost / len(points)), rel=1e-4)
    assert shape[:3] == pytest.approx(twin.x, abs=1e-3)


def test_total_least_squares_is_the_first_principal_axis():
    points = np.random.default_rng(3).normal(size=(50, 2)) @ np.array([[2.0, 1.0], [0.0, 0.3]])
    x, y, dx, dy, rms = total_least_squares(points)
    _, sizes, axes = np.linalg.svd(points - points.mean(axis=0))
    assert [x, y] == pytest.approx(points.mean(axis=0))
    assert abs(axes[0] @ [dx, dy]) == pytest.approx(1.0)
    assert rms == pytest.approx(sizes[1] / np.sqrt(50))
