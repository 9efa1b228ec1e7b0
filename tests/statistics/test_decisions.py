import numpy as np
import pytest

from kerfmark.errors import EvidenceError
from kerfmark.statistics.decisions import (
    beta_binomial_decisions,
    binomial_error,
    decision_quality,
    effective_length,
    global_risks,
    guard_table,
    livingston_k2,
    livingston_lewis,
    peng_subkoviak,
    standard_error,
)


def test_beta_binomial_decisions_match_betafunctions():
    # Source: R betafunctions LL.CA and scipy quadrature: true shares beta(5, 3) on .25 to .75, 100 items, fail at 49 or less.
    found = beta_binomial_decisions(5, 3, 100, 0.5, lower=0.25, upper=0.75)
    assert (found.accuracy, found.consistency, found.kappa) == pytest.approx((0.877494, 0.828910, 0.530937), abs=1e-5)
    assert (found.fail_rate, found.true_fail, found.true_pass) == pytest.approx(
        (0.239951, 0.172004, 0.705490), abs=1e-5
    )
    assert found.true_fail + found.true_pass + found.false_fail + found.false_pass == pytest.approx(1.0, abs=1e-12)


def test_one_raw_point_at_the_boundary_moves_consistency():
    # Source: the same with a fail at 50 or less: consistency .817062, kappa .537069; reached by a cut between 50 and 51.
    found = beta_binomial_decisions(5, 3, 100, 0.505, lower=0.25, upper=0.75)
    assert found.consistency == pytest.approx(0.817062, abs=1e-5)
    assert found.kappa == pytest.approx(0.537069, abs=1e-5)


def test_effective_length_matches_betafunctions():
    assert effective_length(10, 16, 0.8, least=0, most=20) == pytest.approx(27.25, abs=1e-12)


def test_livingston_lewis_agrees_with_simulated_double_sittings():
    # Source: simulation of 400 000 true shares and two binomial sittings each.
    rng = np.random.default_rng(3)
    true = rng.beta(8, 4, 400_000)
    first, second = rng.binomial(30, true), rng.binomial(30, true)
    r = float(np.corrcoef(first, second)[0, 1])
    found = livingston_lewis(first, r, 18, most=30)
    assert found.consistency == pytest.approx(np.mean((first >= 18) == (second >= 18)), abs=0.004)
    assert found.accuracy == pytest.approx(np.mean((first >= 18) == (true >= 0.6)), abs=0.004)


def test_peng_and_subkoviak_match_with_and_without_half_a_mark():
    assert peng_subkoviak(0.8, 4, 15, 12) == pytest.approx((0.862217, 0.553775), abs=1e-5)
    assert peng_subkoviak(0.8, 4, 15, 12, continuity=0.0) == pytest.approx((0.846935, 0.563339), abs=1e-5)


def test_small_formulas_match():
    assert standard_error(8, 0.84) == pytest.approx(3.2, abs=1e-12)
    assert [binomial_error(x, 20) for x in (15, 10)] == pytest.approx([1.986799, 2.294157], abs=1e-6)
    assert livingston_k2(0.8, 4, 15, 12) == pytest.approx(0.872, abs=1e-12)


def test_a_guard_buys_fewer_wrong_passes_with_more_wrong_failures():
    # Source: computed by quadrature apart from this code: true mean 66, SD 8, error 3.2, standard 60.
    rates = [(g.cut, g.false_pass, g.false_fail) for g in guard_table(66, 8, 3.2, 60, ks=(0, 1, -1))]
    expected = [(60, 0.0387, 0.0552), (63.2, 0.0086, 0.1546), (56.8, 0.0950, 0.0112)]
    assert rates == [pytest.approx(row, abs=5e-5) for row in expected]


@pytest.mark.parametrize(
    ("u", "w", "accept", "reject"),
    [
        (0.02, 0, 0.0111435, 0.0157411), (0.02, 0.04, 0.0002565, 0.0931212), (0.04, 0, 0.0189422, 0.0372078),
        (0.04, 0.08, 0.0004686, 0.2476697), (0.06, 0, 0.0244453, 0.0649017), (0.06, 0.12, 0.0006447, 0.4560489),
    ],
)  # fmt: skip
def test_conformity_risks_match_suncal(u, w, accept, reject):
    # Source: JCGM 106 global risks of 1500 ± .2, process SD .12; suncal's PFA and PFR.
    found = global_risks(1499.8, 1500.2, mean=1500, sd=0.12, u=u, guard=w)
    assert (found.false_accept, found.false_reject) == pytest.approx((accept, reject), abs=1e-6)


def test_decision_quality_has_intervals_that_hold_it():
    marks = np.clip(np.random.default_rng(2).normal(66, 9, 120), 0, 100)
    parts = decision_quality(marks, 0.8, 60, draws=400, rng=np.random.default_rng(1))
    assert all(part.holds(part.value) for part in parts.values())
    assert parts["accuracy"].upper - parts["accuracy"].lower < 0.1


@pytest.mark.parametrize(
    ("marks", "reliability", "words"),
    [([60, 60, 60], 0.8, "all marks are equal"), ([50, 60, 70], 1.0, "not at either end")],
)
def test_decisions_without_spread_or_error_give_a_sentence(marks, reliability, words):
    with pytest.raises(EvidenceError, match=words):
        livingston_lewis(marks, reliability, 60)
