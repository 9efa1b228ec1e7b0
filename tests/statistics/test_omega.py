import math

import numpy as np
import pytest

from kerfmark.errors import EvidenceError
from kerfmark.statistics.dependability import cronbach_alpha
from kerfmark.statistics.omega import omega_total, one_factor


def congeneric(rng, people, loadings, own):
    """Scores that share one thing, normal unless said otherwise."""
    return rng.normal(size=(people, 1)) * loadings + rng.normal(size=(people, len(own))) * np.sqrt(own)


def with_covariance(covariance, people=60):
    """Scores whose sample covariance is exactly this one."""
    drawn = np.random.default_rng(4).normal(size=(people, len(covariance)))
    drawn -= drawn.mean(axis=0)
    white = drawn @ np.linalg.inv(np.linalg.cholesky(np.cov(drawn.T)).T)
    return white @ np.linalg.cholesky(np.asarray(covariance, dtype=float)).T


def test_three_parts_have_spearmans_closed_form():
    # Source: Spearman (1904), the triad: the square of a part's loading is the product of its two covariances over the third one.
    s = np.array([[2.0, 0.5, 0.9], [0.5, 1.0, 0.4], [0.9, 0.4, 3.0]])
    squared = np.array([s[0, 1] * s[0, 2] / s[1, 2], s[0, 1] * s[1, 2] / s[0, 2], s[0, 2] * s[1, 2] / s[0, 1]])
    assert omega_total(with_covariance(s)).value == pytest.approx(np.sqrt(squared).sum() ** 2 / s.sum(), abs=1e-6)


def test_a_congeneric_covariance_gives_back_what_it_was_made_of():
    # Source: McDonald (1999), (Σλ)² / ((Σλ)² + Σψ), worked from the loadings themselves.
    loadings, own = np.array([0.4, 0.7, 1.1, 1.5, 2.0]), np.array([1.0, 0.6, 1.4, 0.9, 2.2])
    found = one_factor(np.outer(loadings, loadings) + np.diag(own))
    assert found[0] == pytest.approx(loadings, abs=1e-6)
    assert found[1] == pytest.approx(own, abs=1e-6)
    scores = with_covariance(np.outer(loadings, loadings) + np.diag(own))
    assert omega_total(scores).value == pytest.approx(5.7**2 / (5.7**2 + 6.1), abs=1e-6)


def test_where_parts_weigh_the_same_omega_is_alpha_and_elsewhere_above_it():
    # Source: McDonald (1999), 6.2: alpha equals omega under essential tau-equivalence and lies below it otherwise.
    even = with_covariance(np.full((4, 4), 0.8) + np.diag([0.5, 0.9, 1.3, 0.7]))
    assert omega_total(even).value == pytest.approx(cronbach_alpha(even).value, abs=1e-6)
    loadings = np.array([0.3, 0.6, 1.2, 1.8])
    uneven = with_covariance(np.outer(loadings, loadings) + np.eye(4))
    assert omega_total(uneven).value > cronbach_alpha(uneven).value + 0.02


def test_the_model_agrees_with_statsmodels():
    from statsmodels.multivariate.factor import Factor

    scores = congeneric(
        np.random.default_rng(11), 150, np.array([1.0, 0.8, 0.6, 1.2, 0.4]), np.array([1.0, 0.7, 1.2, 0.9, 1.1])
    )
    theirs = Factor(scores, n_factor=1, method="ml").fit().loadings[:, 0]
    sd = scores.std(axis=0, ddof=1)
    common = abs(float((theirs * sd).sum())) ** 2
    other = common / (common + float(((1 - theirs**2) * sd**2).sum()))
    assert omega_total(scores).value == pytest.approx(other, abs=1e-4)  # their optimiser stops at 1e-5 or so


@pytest.mark.parametrize("heavy", [False, True])
def test_intervals_hold_the_truth_at_their_rate(heavy):
    # Source: nominal 95 %; 200 repeats, so 3 standard errors are 4.6 points. Heavy: t with 6 degrees of freedom, scaled to the same variance.
    rng, inside = np.random.default_rng(5), 0
    loadings, own = np.array([1.0, 0.8, 0.6, 1.2, 0.9]), np.array([1.0, 0.8, 1.2, 0.9, 1.4])
    truth = loadings.sum() ** 2 / (loadings.sum() ** 2 + own.sum())
    for _ in range(200):
        scores = congeneric(rng, 150, loadings, own)
        if heavy:
            scores = rng.standard_t(6, (150, 1)) / math.sqrt(1.5) * loadings + rng.standard_t(6, (150, 5)) / math.sqrt(
                1.5
            ) * np.sqrt(own)
        inside += omega_total(scores).holds(truth)
    assert 0.90 <= inside / 200 <= 0.99


def test_what_omega_cannot_say_is_said():
    with pytest.raises(EvidenceError, match="at least 4 by 3"):
        omega_total(np.ones((20, 2)))
    with pytest.raises(EvidenceError, match="the same for everyone"):
        omega_total(np.column_stack([np.arange(9.0), np.arange(9.0) ** 2, np.ones(9)]))
    with pytest.raises(EvidenceError, match="share nothing"):
        omega_total(with_covariance(np.eye(3)))
    with pytest.raises(EvidenceError, match="carry all"):
        omega_total(with_covariance([[1.0, 0.7, 0.7], [0.7, 1.0, 0.3], [0.7, 0.3, 1.0]]))
