"""What neighbouring sections may take off a value, and what they must leave."""

import numpy as np
import pytest

from kerfmark.measurement.crown.fillet import Noise
from kerfmark.measurement.crown.spread import percentile, smoothed
from kerfmark.measurement.crown.steady import steady

TURNS = np.radians(np.arange(0.0, 360.0, 5.0))


def test_a_scalloped_level_keeps_its_place_and_loses_two_thirds_of_its_variance():
    # Built: a margin that rises and falls by 0.5 mm twice round. Savitzky & Golay (1964): 7 of 21 of the variance is left.
    rng, level = np.random.default_rng(1), 0.5 * np.cos(2.0 * TURNS)
    found = [steady(level + 0.01 * rng.standard_normal(72), 18, noise=Noise(0.01, 0.0)).value for _ in range(2000)]
    assert np.mean(found) == pytest.approx(level[18], abs=0.001)
    assert np.std(found) == pytest.approx(0.01 * np.sqrt(1.0 / 3.0), rel=0.15)


def test_a_section_at_a_kink_stands_alone():
    level = 0.3 * np.abs(np.arange(72) - 18.0)
    found = steady(level, 18, noise=Noise(0.01, 0.002))
    assert found.value == 0.0
    assert found.noise == pytest.approx(np.hypot(0.01, 0.002))


def test_noise_does_not_spread_what_is_the_same_all_round():
    # Truth: every width 1. The plain 95th percentile of 19 noisy widths lies 1.5 standard deviations too high.
    rng, found = np.random.default_rng(2), []
    for _ in range(400):
        widths, left = smoothed(1.0 + 0.005 * rng.standard_normal(72), noise=0.005)
        found.append(percentile(widths[:19], at=95.0, noise=left, independent=9.0).value)
    assert np.mean(found) == pytest.approx(1.0, abs=0.001)


def test_a_spread_larger_than_noise_is_kept():
    rng, found = np.random.default_rng(3), []
    true = 1.0 + 0.1 * np.cos(TURNS)
    for _ in range(400):
        widths, left = smoothed(true + 0.005 * rng.standard_normal(72), noise=0.005)
        found.append(percentile(widths, at=95.0, noise=left, independent=36.0))
    assert np.mean([f.value for f in found]) == pytest.approx(np.percentile(true, 95.0), abs=0.002)


def test_a_ledge_is_not_smoothed_away():
    widths = np.where(np.abs(np.arange(72) - 30) < 4, 1.3, 1.0)
    assert smoothed(widths, noise=0.005)[0][[27, 30, 33]] == pytest.approx([1.3, 1.3, 1.3])


def test_a_lone_value_among_agreeing_ones_is_kept_and_its_distance_is_uncertain():
    # Source: JCGM 100, 4.3.7: anywhere between the two, half-width over √3.
    level = np.zeros(72)
    level[18] = -0.034
    found = steady(level, 18, noise=Noise(0.0045, 0.001))
    assert found.value == -0.034
    assert found.slack == pytest.approx(0.034 / np.sqrt(3.0))


def test_a_value_on_a_ledge_stands_for_itself():
    level = np.where(np.arange(72) < 18, 0.0, 0.3)
    found = steady(level, 18, noise=Noise(0.0045, 0.001))
    assert (found.value, found.slack) == (0.3, 0.0)
