"""What neighbouring sections may take off a value, and what they must leave."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from kerfmark.measurement.crown.fillet import Fillet, Noise, gain, is_no_better
from kerfmark.measurement.crown.heights import _extent_u_mm
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


@pytest.mark.parametrize("begins_mm", [0.9, 0.1])
def test_an_occlusal_line_without_its_near_half_has_an_extent_all_the_same(begins_mm):
    # A plane top, of which a hole in the scan leaves the far half only: drawn out it meets the corner where it is.
    wall = np.column_stack([np.zeros(40), np.linspace(1.0, 0.02, 40)])
    top = np.column_stack([np.linspace(begins_mm, 1.4, 40), np.zeros(40)])
    edge = Fillet(0.0, 0.0, 0.0, 1e-6, math.pi / 2.0, 0.0, np.vstack([wall, top]))
    found = _extent_u_mm(SimpleNamespace(noise_mm=0.01), SimpleNamespace(edge=edge))
    assert found == pytest.approx(0.0, abs=1e-5)  # the arc's own radius


@pytest.mark.parametrize(("plain_rms", "gained", "no_better"), [(0.012, 5.016, True), (0.016, 17.784, False)])
def test_what_a_freer_fit_gains_is_half_its_points_times_what_it_lowers_the_misfit_by(plain_rms, gained, no_better):
    # 60 points 0.025 mm apart in triangles of 0.1 mm: 1.52 · 1.5 / 0.1 = 22.8 with noise of their own (docs/measures/crown.md);
    # half of that times (0.012² / 0.01² − 1) = 0.44, or 1.56. One parameter more: noise alone gains 10.8 once in a thousand.
    points = np.zeros((60, 2))
    plain, free = (Fillet(0.0, 0.0, 0.0, r, 1.5, rms, points) for r, rms in ((0.005, plain_rms), (0.1, 0.01)))
    assert gain(free, plain) == pytest.approx(gained)
    assert is_no_better(free, plain, more=1) is no_better
