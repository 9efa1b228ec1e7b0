import numpy as np

from kerfmark.geometry.grids import sample_with_gradient
from kerfmark.kernels import fine
from kerfmark.records import Grid
from kerfmark.registration.fine import moved_by


def grid(seed=1, origin=(-1.0, -1.2, -0.8)):
    values = np.random.default_rng(seed).normal(0.0, 0.3, (9, 11, 8)).astype(np.float32)
    return Grid(np.array(origin), 0.25, values)


def laid(points, matrix, grids, far=0.6):
    moved, distance, slope = np.empty_like(points), np.full(len(points), np.inf), np.zeros_like(points)
    for each in grids:
        fine.lay_on_grid(points, matrix, each.values, each.origin_mm, each.spacing_mm, far, moved, distance, slope)
    return moved, distance, slope


def pose():
    return moved_by(np.array([0.1, -0.2, 0.15, 0.05, -0.1, 0.2]))


def test_points_laid_on_a_grid_read_what_the_plain_reader_reads():
    points = np.random.default_rng(2).uniform(-1.5, 1.5, (500, 3))
    matrix, one, two = pose(), grid(), grid(seed=7, origin=(-0.6, -0.5, -0.9))
    moved, distance, slope = laid(points, matrix, [one, two])
    np.testing.assert_allclose(moved, points @ matrix[:3, :3].T + matrix[:3, 3], atol=1e-12)
    for n, place in enumerate(moved):
        found = []
        for each in (one, two):
            value, gradient = sample_with_gradient(each, place[None])
            at = (place - each.origin_mm) / each.spacing_mm
            outside = (at < 0).any() or (at > np.array(each.values.shape) - 1).any()
            found.append((0.6, np.zeros(3)) if outside else (value[0], gradient[0]))
        value, gradient = min(found, key=lambda f: abs(f[0]))
        assert distance[n] == np.float64(value) or abs(distance[n] - value) < 1e-12
        np.testing.assert_allclose(slope[n], gradient, atol=1e-6)  # slopes along z are read in single precision


def test_those_that_face_are_those_of_the_plain_twin():
    rng = np.random.default_rng(3)
    distance, slope, normals = rng.normal(0, 0.2, 300), rng.normal(size=(300, 3)), rng.normal(size=(300, 3))
    matrix = pose()
    along = ((normals @ matrix[:3, :3].T) * slope).sum(axis=1)
    found = fine.facing(distance, slope, normals, matrix, 0.25, 0.75)
    assert found.tolist() == np.flatnonzero((np.abs(distance) < 0.25) & (along > 0.75)).tolist()


def test_normal_equations_are_those_of_the_plain_twin():
    # Source: Gauss–Newton, J = [p × g, g]; weights of Beaton & Tukey (1974), (1 − (r/c)²)².
    rng = np.random.default_rng(4)
    points, residual, slope = rng.normal(size=(400, 3)), rng.normal(0, 0.1, 400), rng.normal(size=(400, 3))
    hessian, right = fine.normal_equations(points, residual, slope, 0.15)
    weight = np.maximum(1.0 - (residual / 0.15) ** 2, 0.0) ** 2
    jacobian = np.hstack([np.cross(points, slope), slope])
    np.testing.assert_allclose(hessian, (jacobian * weight[:, None]).T @ jacobian, rtol=1e-10)
    np.testing.assert_allclose(right, -(jacobian * weight[:, None]).T @ residual, rtol=1e-9, atol=1e-12)
