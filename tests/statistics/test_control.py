import numpy as np
import pytest

from kerfmark.errors import EvidenceError
from kerfmark.statistics.control import individuals_chart

FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_limits_match_the_handbook():
    # Source: NIST/SEMATECH e-Handbook 6.3.2.2, batch flow rates: centre 50.81, mean moving range 1.8778, limits
    # 45.8159 and 55.8041 (memory, and the arithmetic of its formula). It rounds 2/√π to 1.128: hence 2e-3.
    chart = individuals_chart(FLOW)
    assert chart.centre == pytest.approx(50.81)
    assert np.mean(np.abs(np.diff(FLOW))) == pytest.approx(1.8778, abs=5e-5)
    assert (chart.lower, chart.upper) == (pytest.approx(45.8159, abs=2e-3), pytest.approx(55.8041, abs=2e-3))
    assert not chart.beyond.any()


def test_spread_is_that_of_normal_values():
    # Source: the simulation, standard deviation 2; the relative error of an average of 20,000 ranges is under 1 %.
    chart = individuals_chart(np.random.default_rng(1).normal(5.0, 2.0, 20_000))
    assert chart.sd == pytest.approx(2.0, rel=0.02)
    assert chart.beyond.mean() == pytest.approx(0.0027, abs=0.0015)


def test_the_eighth_value_on_one_side_is_a_run_and_a_value_on_the_centre_breaks_it():
    values = [1.0, 2.0] * 4 + [0.0] + [1.0, 2.0] * 3
    assert np.flatnonzero(individuals_chart(values, centre=0.0).in_run).tolist() == [7]


def test_groups_share_limits_and_keep_their_own_ranges_and_runs():
    values, groups = [0.0, 10.0, 1.0, 11.0, 0.0, 10.0], ["a", "b"] * 3
    chart = individuals_chart(values, groups=groups, centre=5.0)
    assert chart.sd == pytest.approx(1.0 * np.sqrt(np.pi) / 2)
    assert chart.beyond.all()
    assert not chart.in_run.any()


def test_equal_or_too_few_values_are_refused():
    with pytest.raises(EvidenceError, match="differ"):
        individuals_chart([3.0, 3.0, 3.0])
    with pytest.raises(EvidenceError, match="at least 3"):
        individuals_chart([3.0, 4.0])
