"""SPARC and LDLJ against published and computed check values; invariances that must hold."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfmark.measurement.process.smoothness import log_dimensionless_jerk, spectral_arc_length


def minimum_jerk(rate_hz: float, lasting_s: float = 1.0) -> np.ndarray:
    """Speed of the minimum-jerk stroke, 30 s² (1 − s)²."""
    s = np.arange(round(rate_hz * lasting_s) + 1) / round(rate_hz * lasting_s)
    return 30.0 * s**2 * (1.0 - s) ** 2


def two_strokes(apart_s: float, rate_hz: float = 1000.0) -> np.ndarray:
    """Two such strokes, their starts some time apart."""
    one = minimum_jerk(rate_hz)
    speed = np.zeros(len(one) + round(apart_s * rate_hz))
    speed[: len(one)] += one
    speed[-len(one) :] += one
    return speed


def test_the_published_example():
    # Source: the authors' code, v = exp(−5 t²), t = −1 to 0.99 in steps of 0.01: SPARC −1.41403, LDLJ −5.81636.
    t = np.arange(-1.0, 0.995, 0.01)
    speed = np.exp(-5.0 * t**2)
    assert spectral_arc_length(speed, 100.0) == pytest.approx(-1.41403, abs=1e-5)
    assert log_dimensionless_jerk(speed, 100.0) == pytest.approx(-5.81636, abs=1e-5)
    assert -np.exp(-log_dimensionless_jerk(speed, 100.0)) == pytest.approx(-335.74684, abs=1e-4)


def test_minimum_jerk():
    # Source: analytic, dimensionless jerk 204.8; SPARC −1.4024 computed at 1000 samples a second by another implementation.
    assert log_dimensionless_jerk(minimum_jerk(20_000.0), 20_000.0) == pytest.approx(-np.log(204.8), abs=1e-3)
    assert spectral_arc_length(minimum_jerk(1000.0), 1000.0) == pytest.approx(-1.4024, abs=1e-4)
    assert spectral_arc_length(minimum_jerk(100.0), 100.0) == pytest.approx(-1.4058, abs=1e-3)


def test_half_a_sine():
    # Source: analytic, π⁴/2; computed SPARC −1.5573 (1000 samples a second, 1 s).
    t = np.arange(1001) / 1000.0
    assert log_dimensionless_jerk(np.sin(np.pi * t), 1000.0) == pytest.approx(-np.log(np.pi**4 / 2.0), abs=4e-3)
    assert spectral_arc_length(np.sin(np.pi * t), 1000.0) == pytest.approx(-1.5573, abs=1e-4)


@pytest.mark.parametrize(
    ("apart_s", "sparc", "ldlj"), [(0.5, -1.6206, -6.4191), (1.0, -2.2462, -8.0957), (1.5, -3.1525, -8.7633)]
)
def test_two_strokes_are_less_smooth_the_further_apart(apart_s, sparc, ldlj):
    # Source: computed by another implementation (trade facts, section I1).
    assert spectral_arc_length(two_strokes(apart_s), 1000.0) == pytest.approx(sparc, abs=2e-3)
    assert log_dimensionless_jerk(two_strokes(apart_s), 1000.0) == pytest.approx(ldlj, abs=2e-2)


def plain_arc(speed: np.ndarray, rate_hz: float) -> float:
    """The whole padded transform, written out."""
    bins = 2 ** (int(np.ceil(np.log2(len(speed)))) + 4)
    spectrum = np.abs(np.fft.fft(speed, bins)) / speed.sum()
    frequency = np.arange(bins) * rate_hz / bins
    last = np.flatnonzero(spectrum[frequency <= 10.0] >= 0.05)[-1]
    f, a = frequency[: last + 1] / frequency[last], spectrum[: last + 1]
    return -np.hypot(np.diff(f), np.diff(a)).sum()


def test_the_arc_is_that_of_a_plain_fourier_transform():
    speed = np.abs(np.random.default_rng(4).normal(size=700).cumsum())
    assert spectral_arc_length(speed, 250.0) == pytest.approx(plain_arc(speed, 250.0), abs=1e-9)


def test_a_real_hand_is_less_smooth_than_one_stroke(open_data):
    # Source: open data, a hand-held stylus at 133 samples a second; the plain transform is the second way.
    trace = np.loadtxt(open_data / "pen-trace-133hz-mit" / "signal.svc", skiprows=1)
    time, place = trace[:, 2], trace[:, :2]
    even = np.arange(time[0], time[-1], 1.0 / 133.0)
    way = np.stack([np.interp(even, time, column) for column in place.T], axis=1)
    speed = np.linalg.norm(np.diff(way, axis=0), axis=1) * 133.0
    assert spectral_arc_length(speed, 133.0) == pytest.approx(plain_arc(speed, 133.0), abs=1e-9)
    assert spectral_arc_length(speed, 133.0) < -1.6
    assert log_dimensionless_jerk(speed, 133.0) < -np.log(204.8)


@settings(max_examples=25, deadline=None)
@given(st.floats(1e-6, 1e6), st.floats(0.2, 5.0))
def test_neither_changes_with_amplitude_or_pace(factor, pace):
    speed = minimum_jerk(1000.0)
    assert log_dimensionless_jerk(factor * speed, pace * 1000.0) == pytest.approx(
        log_dimensionless_jerk(speed, 1000.0), abs=1e-9
    )
    assert spectral_arc_length(factor * speed, 1000.0) == pytest.approx(spectral_arc_length(speed, 1000.0), abs=1e-9)


def test_no_motion_has_no_smoothness():
    assert np.isnan(spectral_arc_length(np.zeros(100), 100.0))
    assert np.isnan(log_dimensionless_jerk(np.zeros(100), 100.0))
