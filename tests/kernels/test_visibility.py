"""Hidden depths against a slow twin that walks each ray."""

import numpy as np
import pytest

from kerfmark.kernels.visibility import hidden_depths, overhang_depths, radius_map


def bumpy():
    rng = np.random.default_rng(2)
    return 4.0 + 0.1 * rng.standard_normal((24, 10))


def walked(radius, step, lean_x, lean_y):
    azimuths, heights = radius.shape
    depths = np.zeros_like(radius)
    for a in range(azimuths):
        for h in range(heights):
            angle = 2.0 * np.pi * a / azimuths
            start = radius[a, h] * np.array([np.cos(angle), np.sin(angle)])
            for above in range(h + 1, heights):
                x, y = start + (above - h) * step * np.array([lean_x, lean_y])
                place = (np.arctan2(y, x) * azimuths / (2.0 * np.pi)) % azimuths
                left, part = int(place), place % 1.0
                seen = (1 - part) * radius[left, above] + part * radius[(left + 1) % azimuths, above]
                depths[a, h] = max(depths[a, h], seen - np.hypot(x, y))
    return depths


@pytest.mark.parametrize("lean", [(0.0, 0.0), (0.1, 0.0), (-0.05, 0.2)])
def test_hidden_depths_are_those_of_rays_walked_one_by_one(lean):
    radius, depths = bumpy(), np.empty((24, 10))
    hidden_depths(radius, 0.2, *lean, depths)
    assert depths == pytest.approx(walked(radius, 0.2, *lean), abs=1e-9)


def test_straight_up_both_kernels_agree():
    radius, leaning, upright = bumpy(), np.empty((24, 10)), np.empty((24, 10))
    hidden_depths(radius, 0.2, 0.0, 0.0, leaning)
    overhang_depths(radius, upright)
    assert leaning == pytest.approx(upright, abs=1e-12)


def test_the_map_takes_the_outermost_crossing():
    # A profile that goes up to 3, back in to 2 and up again: at height 1 the crossings are 3 and 2.
    points = np.array([[3.0, 0.0], [3.0, 1.5], [2.0, 0.5], [2.0, 2.0]])
    assert radius_map(points, np.array([0, 4]), 1.0, 0.5, 3)[0] == pytest.approx([3.0, 3.0, 2.0])
