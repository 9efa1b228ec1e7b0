"""Resolving power: limits' width over 4 u."""

from __future__ import annotations

import pytest

from kerfmark.exercise.definition import as_exercise
from kerfmark.exercise.power import powers_of


def test_power_is_the_width_of_the_limits_over_four_u(crown_table):
    # Source: the definition; 8 degrees over 4 × 0.5.
    key = ("crown.taper_deg", "buccal", None)
    power, one_sided = powers_of(
        as_exercise(crown_table), {key: 0.5, ("crown.occlusal_reduction_mm", "top", "p05"): 0.02}
    )
    assert (power.key, power.power, power.is_enough) == (key, 4.0, True)
    assert one_sided.power == float("inf")


@pytest.mark.parametrize(("u", "enough"), [(2.0, True), (2.001, False)])
def test_below_one_is_not_enough(crown_table, u, enough):
    power, _ = powers_of(as_exercise(crown_table), {("crown.taper_deg", "buccal", None): u})
    assert power.is_enough is enough


def test_what_could_not_be_measured_on_the_ideal_piece_has_no_power(crown_table):
    power, _ = powers_of(as_exercise(crown_table), {("crown.taper_deg", "buccal", None): None})
    assert power.u is None
    assert not power.is_enough


def test_the_rule_of_thumb_grows_with_noise_and_trueness(crown_table):
    exact = powers_of(as_exercise(crown_table | {"source": {"noise_um": 0.0, "trueness_um": 0.0}}))
    rough = powers_of(as_exercise(crown_table | {"source": {"noise_um": 100.0, "trueness_um": 100.0}}))
    assert [power.u for power in exact] == [0.0, 0.0]
    assert all(power.u is not None and power.u > 0.0 and not power.predicted for power in rough)
