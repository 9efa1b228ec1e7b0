"""Noise taken out of distributions whose form before the noise is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from kerfmark.measurement.surface import deconvolved
from kerfmark.measurement.surface.deconvolved import without_noise
from kerfmark.measurement.surface.deviation import weighted_quantile

PARTS = (0.01, 0.05, 0.5, 0.95, 0.99)


def read(name: str, rng: np.random.Generator) -> np.ndarray:
    n = 2000
    return {
        "all alike": lambda: np.zeros(n),
        "three places": lambda: rng.choice([-20.0, 0.0, 30.0], n, p=[0.3, 0.5, 0.2]),
        "uniform": lambda: rng.uniform(-5.0, 5.0, n),
        "normal, as wide as the noise": lambda: rng.standard_normal(n),
        "normal, three times as wide": lambda: 3.0 * rng.standard_normal(n),
    }[name]()


TRUTHS = {
    "all alike": lambda p: 0.0,
    "three places": lambda p: -20.0 if p < 0.3 else 0.0 if p < 0.8 else 30.0,
    "uniform": lambda p: 10.0 * p - 5.0,
    "normal, as wide as the noise": norm.ppf,
    "normal, three times as wide": lambda p: 3.0 * norm.ppf(p),
}


@pytest.mark.parametrize("name", TRUTHS)
def test_a_known_distribution_comes_back_out_of_its_noise(name):
    # By construction; bounds in standard deviations of the noise, over the mean of ten draws.
    rng = np.random.default_rng(5)
    before, after = np.zeros(len(PARTS)), np.zeros(len(PARTS))
    for _ in range(10):
        noise = rng.uniform(0.8, 1.6, 2000)
        values, weights = read(name, rng) + noise * rng.standard_normal(2000), 1.0 / noise**2
        clean = without_noise(values, weights, noise)
        before += [0.1 * (weighted_quantile(values, weights, p) - TRUTHS[name](p)) for p in PARTS]
        after += [0.1 * (weighted_quantile(*clean, p) - TRUTHS[name](p)) for p in PARTS]
    assert np.abs(after).max() < 0.7
    assert np.abs(after[[0, -1]]).sum() < 0.55 * np.abs(before[[0, -1]]).sum()


def test_the_steps_are_those_of_expectation_and_maximisation(monkeypatch):
    """Plain twin, a value and a place at a time (Laird 1978), on few enough values that none are taken together."""
    rng = np.random.default_rng(6)
    values, weights, noise = rng.normal(size=30), rng.uniform(1.0, 2.0, 30), rng.uniform(0.3, 0.5, 30)
    places, order = without_noise(values, weights, noise)[0], np.argsort(values)
    plain = [1.0 / len(places)] * len(places)
    for _ in range(5):
        new = [0.0] * len(places)
        for v, w, s in zip(values[order], weights[order] / weights.sum(), noise[order], strict=True):
            each = [g * norm.pdf(v, at, s) for g, at in zip(plain, places, strict=True)]
            for k, one in enumerate(each):
                new[k] += w * one / sum(each)
        plain = new
    monkeypatch.setattr(deconvolved, "STEPS", 5)
    np.testing.assert_allclose(without_noise(values, weights, noise)[1], plain, rtol=1e-9)


def test_without_noise_the_values_stay_what_they_are():
    places, weights = without_noise(np.array([3.0, 1.0]), np.array([1.0, 3.0]), np.zeros(2))
    assert places.tolist() == [1.0, 3.0]
    assert weights.tolist() == [0.75, 0.25]
