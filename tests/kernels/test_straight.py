"""The thickest rod along a direction, against the definition spelt out."""

import numpy as np

from kerfmark.kernels.straight import rod_clearances


def slow_clearances(points, directions, start, widest):
    """The plain twin: every point's distance from every ray."""
    found = []
    for direction in directions:
        away = [widest]
        for point in points:
            along = float(point @ direction)
            if along >= start:
                away.append(float(np.linalg.norm(point - along * direction)))
        found.append(min(away))
    return np.array(found)


def test_it_is_what_its_plain_twin_says():
    rng = np.random.default_rng(4)
    points, ways = rng.normal(0.0, 3.0, (300, 3)), rng.normal(size=(40, 3))
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    expected = slow_clearances(points, ways, 0.6, 2.0)
    assert np.abs(rod_clearances(points, ways, 0.6, 2.0) - expected).max() < 1e-12


def test_a_rod_in_a_tube_is_as_thick_as_the_tube():
    # Source: plane geometry; along the middle of a tube of radius 1.5 every wall point lies 1.5 off.
    turn = np.linspace(0.0, 2.0 * np.pi, 60, endpoint=False)
    tube = np.concatenate(
        [np.column_stack([1.5 * np.cos(turn), 1.5 * np.sin(turn), np.full(60, z)]) for z in range(1, 8)]
    )
    assert abs(rod_clearances(tube, np.array([[0.0, 0.0, 1.0]]), 0.5, 2.0)[0] - 1.5) < 1e-12


def test_what_lies_before_the_start_does_not_count():
    assert rod_clearances(np.array([[0.1, 0.0, 0.3]]), np.array([[0.0, 0.0, 1.0]]), 0.5, 2.0)[0] == 2.0
