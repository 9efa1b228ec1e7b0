"""Small nicks in a neighbour: found, or covered by what is said of those that were not."""

import crown_phantoms as phantoms
import numpy as np
import pytest

from kerfmark.geometry.evening import evened
from kerfmark.geometry.phantoms import scanned
from kerfmark.geometry.solids import Solid, difference
from kerfmark.measurement.surface.neighbours import Beside, damage


@pytest.fixture(scope="module")
def exercise():
    return phantoms.exercise_for(phantoms.DESIGNS["shoulder, 12°"], mesial_sign=1)


def beside(exercise, *, depth_mm, seed, trueness_um=15.0, noise_um=10.0):
    solid = phantoms.neighbour(6.0)
    if depth_mm > 0.0:
        solid = difference(solid, Solid.sphere(0.8, segments=160).moved([5.2 + depth_mm, 0.07, 1.53]))
    seen = scanned(
        evened(solid.surface(), 0.15), noise_um=noise_um, edge_mm=1.0, rng=np.random.default_rng(seed),
        trueness_um=trueness_um, even=False,
    )  # fmt: skip
    piece = phantoms.piece_of(seen, noise_um=noise_um, trueness_um=trueness_um, neighbours={"mesial": seen})
    return Beside(piece, exercise)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_nick_of_six_hundredths_is_found(exercise, seed):
    # Built: a ball 0.8 mm in radius, 0.06 mm deep: π h² (3 r − h) / 3 = 0.0088 mm³; its mean over 0.3 mm is 0.053 mm.
    found = beside(exercise, depth_mm=0.06, seed=seed)
    depth, volume = (damage(found, family="crown", what=what)[0] for what in ("depth_mm", "volume_mm3"))
    assert depth.value == pytest.approx(0.053, abs=2.0 * depth.u)
    assert volume.value == pytest.approx(0.0088, abs=2.0 * volume.u)
    assert depth.u < 0.01


def test_where_nothing_was_lost_nothing_is_found(exercise):
    for seed in (3, 4, 5):
        assert damage(beside(exercise, depth_mm=0.0, seed=seed), family="crown", what="depth_mm")[0].value == 0.0


def test_a_nick_too_shallow_to_be_seen_lies_within_what_may_hide(exercise):
    reading = damage(beside(exercise, depth_mm=0.04, seed=6), family="crown", what="depth_mm")[0]
    assert abs(reading.value - 0.033) <= 2.0 * reading.u


@pytest.mark.parametrize("seed", [7, 8])
def test_noise_of_fifty_micrometres_does_not_deepen_a_nick(exercise, seed):
    # Built: 0.25 mm deep; its mean over 0.3 mm is 0.25 − 0.15² / (4 · 0.8) = 0.243 mm, its volume 0.1407 mm³. Means among the
    # points within a ball read 0.046 mm deeper at this noise: 0.03 keeps u below what such a fault would hide in.
    found = beside(exercise, depth_mm=0.25, seed=seed, trueness_um=0.0, noise_um=50.0)
    depth, volume = (damage(found, family="crown", what=what)[0] for what in ("depth_mm", "volume_mm3"))
    assert depth.value == pytest.approx(0.243, abs=2.5 * depth.u)
    assert volume.value == pytest.approx(0.1407, abs=2.5 * volume.u)
    assert depth.u < 0.03
