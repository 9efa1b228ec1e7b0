import numpy as np
import pytest

from kerfmark.kernels.solving import solve_positive


@pytest.mark.parametrize("n", [1, 2, 5, 6, 9])
def test_the_solution_is_that_of_lapack(n):
    # Source: numpy.linalg.solve (LAPACK).
    rng = np.random.default_rng(n)
    root = rng.normal(size=(n, n + 3))
    matrix, right, out = root @ root.T, rng.normal(size=n), np.empty(n)
    assert solve_positive(matrix.copy(), right, out)
    np.testing.assert_allclose(out, np.linalg.solve(matrix, right), rtol=1e-8)


def test_what_is_not_positive_is_said():
    assert not solve_positive(np.array([[1.0, 2.0], [2.0, 1.0]]), np.ones(2), np.empty(2))
