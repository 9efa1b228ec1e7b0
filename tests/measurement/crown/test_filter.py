"""The margin's filter."""

import numpy as np
import pytest

from kerfmark.measurement.crown.margin import gaussian_low_pass


def ring_with_wave(waves, amplitude):
    # A ring 32 mm round, so that k waves have the length 32 / k.
    turns = np.linspace(0.0, 2.0 * np.pi, 640, endpoint=False)
    radius = 32.0 / (2.0 * np.pi)
    return np.column_stack([radius * np.cos(turns), radius * np.sin(turns), amplitude * np.sin(waves * turns)])


@pytest.mark.parametrize(("waves", "passes"), [(16, 0.5), (32, 2.0**-4), (4, 1.0)])
def test_half_of_a_wave_of_the_cutoff_length_passes(waves, passes):
    # Source: ISO 16610-21: transmission 2^−(cutoff / λ)²; 32 / 16 = 2 mm is the cutoff, 8 mm and longer is form.
    smooth = gaussian_low_pass(ring_with_wave(waves, 0.05), cutoff_mm=2.0)
    assert np.ptp(smooth[:, 2]) / 0.1 == pytest.approx(passes, abs=0.01)


def test_a_plain_ring_is_left_as_it_is():
    ring = ring_with_wave(1, 0.0)
    assert np.abs(gaussian_low_pass(ring, cutoff_mm=2.0) - ring).max() < 1e-9
