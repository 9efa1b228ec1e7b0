import math

import numpy as np
import pytest

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.components import _satterthwaite, bootstrap_crossed, crossed, nested
from kerfmark.statistics.dependability import (
    at_cut,
    conditional_error,
    cronbach_alpha,
    decision_study,
    decision_table,
    interval_of,
    least_levels,
)

# Source of the three data sets and their results: Brennan (2001), synthetic data 1, 3 and 4, as in generalizit's tests.
ROWS = "101000000000 111001000000 111110000000 110110010000 111110100000 111011100000 111111100000 111101111100 111111111110 111111111111"
P_I = np.array([[int(c) for c in row] for row in ROWS.split()], dtype=float)
P_I_O = np.array([
    [[2, 4, 5, 5, 4, 4, 2, 3, 0, 6], [6, 5, 5, 9, 3, 4, 6, 4, 5, 8], [7, 6, 4, 8, 5, 4, 6, 4, 4, 7], [5, 7, 6, 6, 6, 7, 5, 5, 5, 6]],
    [[2, 6, 5, 5, 4, 6, 2, 6, 5, 6], [5, 7, 4, 7, 5, 4, 7, 6, 5, 8], [5, 5, 5, 7, 6, 7, 7, 6, 5, 8], [5, 7, 5, 6, 4, 8, 5, 4, 3, 6]],
], dtype=float).transpose(2, 1, 0)  # fmt: skip
P_R_T = np.array([
    [[5, 9, 3, 7, 9, 3, 7, 5, 9, 4], [6, 3, 4, 5, 2, 4, 3, 8, 9, 4], [5, 7, 3, 5, 9, 3, 7, 5, 8, 4], [5, 7, 3, 3, 7, 5, 7, 7, 8, 3]],
    [[5, 7, 5, 3, 7, 3, 7, 7, 6, 3], [3, 5, 3, 1, 7, 3, 5, 5, 6, 5], [4, 5, 3, 4, 3, 6, 5, 5, 6, 6], [5, 5, 5, 3, 7, 3, 7, 4, 5, 5]],
    [[6, 7, 6, 5, 2, 4, 5, 3, 5, 5], [7, 7, 5, 3, 7, 5, 5, 2, 8, 7], [3, 5, 1, 3, 5, 1, 5, 1, 1, 1], [3, 2, 6, 5, 3, 2, 4, 1, 1, 1]],
], dtype=float).transpose(2, 0, 1)  # fmt: skip
# Source: Gleser, Cronbach & Rajaratnam (1965), 12 patients, 6 situations, 2 clinicians, as in R psych.
GLESER = np.array([
    [0, 0, 2, 1, 2, 0, 2, 1, 1, 1, 1, 2], [0, 0, 2, 1, 2, 0, 1, 2, 2, 1, 2, 1], [0, 0, 1, 1, 3, 3, 2, 1, 2, 1, 1, 2],
    [2, 0, 2, 1, 2, 2, 2, 1, 2, 1, 4, 1], [0, 0, 1, 2, 2, 0, 2, 3, 3, 3, 3, 3], [2, 0, 2, 1, 2, 0, 4, 1, 3, 3, 3, 1],
    [0, 1, 3, 1, 3, 1, 3, 4, 2, 2, 2, 3], [0, 0, 0, 1, 4, 3, 3, 4, 2, 3, 3, 3], [1, 2, 2, 1, 3, 6, 1, 3, 2, 3, 2, 1],
    [0, 1, 2, 4, 3, 3, 2, 2, 3, 5, 3, 1], [3, 4, 2, 2, 3, 2, 4, 5, 3, 3, 5, 5], [1, 1, 2, 4, 4, 4, 3, 3, 4, 6, 6, 6],
], dtype=float).reshape(12, 6, 2)  # fmt: skip
P, T, R, PI, PO, IO, PIO = ("p",), ("i",), ("o",), ("p", "i"), ("p", "o"), ("i", "o"), ("p", "i", "o")


def test_people_by_items_matches_brennan():
    found = crossed(P_I, ("p", "i"))
    squares = [found.mean_square[e] * found.df[e] for e in (P, T, PI)]
    assert squares == pytest.approx([7.341667, 9.691667, 12.558333], abs=1e-6)
    assert [found.variance[e] for e in (P, T, PI)] == pytest.approx([0.057407, 0.075421, 0.126852], abs=1e-6)


@pytest.mark.parametrize(
    ("items", "generalizability", "dependability"),
    [(12, 0.844495, 0.773024), (5, 0.693512, 0.586616), (10, 0.819022, 0.739456), (20, 0.900508, 0.850215)],
)
def test_decision_studies_over_items_match_brennan(items, generalizability, dependability):
    study = decision_study(crossed(P_I, ("p", "i")), {"i": items})
    assert (study.generalizability, study.dependability) == pytest.approx((generalizability, dependability), abs=1e-6)


def test_errors_and_dependability_at_a_cut_match_brennan():
    found = crossed(P_I, ("p", "i"))
    study = decision_study(found, {"i": 12})
    assert (study.relative, study.absolute) == pytest.approx((0.010571, 0.016856), abs=1e-6)
    assert [at_cut(found, {"i": 12}, cut) for cut in (0.5, 0.8)] == pytest.approx([0.739003, 0.859043], abs=1e-6)


def test_alpha_is_generalizability_and_its_interval_agrees_with_pingouin():
    # Source: identity KR-20 = alpha = Eρ²; pingouin cronbach_alpha gives .651 to .954.
    alpha = cronbach_alpha(P_I)
    assert alpha.value == pytest.approx(decision_study(crossed(P_I, ("p", "i")), {"i": 12}).generalizability, abs=1e-12)
    assert (alpha.lower, alpha.upper) == pytest.approx((0.651, 0.954), abs=5e-4)


def test_mean_conditional_error_variance_is_the_absolute_error_variance():
    # Source: Brennan (1998), an identity; person 1 has √(2·10/11)/12.
    each = conditional_error(P_I)
    assert float(np.mean(each**2)) == pytest.approx(0.0168561, abs=1e-7)
    assert each[0] == pytest.approx(np.sqrt(2 * 10 / 11) / 12, abs=1e-12)


def test_people_by_items_by_raters_matches_brennan():
    found = crossed(P_I_O, ("p", "i", "o"))
    expected = {P: 0.552778, T: 0.441667, R: 0.007407, PI: 0.575000, PO: 0.100926, IO: 0.156481, PIO: 0.935185}
    assert {e: found.variance[e] for e in expected} == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    ("items", "raters", "generalizability", "dependability"),
    [
        (4, 2, 0.639871, 0.554125), (4, 1, 0.536027, 0.465225), (8, 1, 0.656134, 0.597822),
        (8, 2, 0.753550, 0.689028), (8, 3, 0.792785, 0.725946), (16, 2, 0.827013, 0.784526),
    ],
)  # fmt: skip
def test_decision_studies_over_items_and_raters_match_brennan(items, raters, generalizability, dependability):
    study = decision_study(crossed(P_I_O, ("p", "i", "o")), {"i": items, "o": raters})
    assert (study.generalizability, study.dependability) == pytest.approx((generalizability, dependability), abs=1e-6)


def test_fixed_raters_move_their_share_to_the_universe():
    study = decision_study(crossed(P_I_O, ("p", "i", "o")), {"i": 4, "o": 2}, fixed="o")
    assert (study.universe, study.relative) == pytest.approx((0.603241, 0.260648), abs=1e-6)
    assert study.generalizability == pytest.approx(0.698285, abs=1e-6)


def test_raters_within_tasks_match_brennan():
    found = nested(P_R_T)
    expected = {P: 0.473148, ("t",): 0.325154, ("t", "r"): 0.647531, ("p", "t"): 0.559568, ("p", "t", "r"): 2.380247}
    assert dict(found.variance) == pytest.approx(expected, abs=1e-6)
    pairs = [
        ((3, 4), 0.551439, 0.463702),
        ((6, 2), 0.618686, 0.542031),
        ((3, 2), 0.447896, 0.371772),
        ((3, 1), 0.325616, 0.266215),
    ]
    for (tasks, raters), generalizability, dependability in pairs:
        study = decision_study(found, {"t": tasks, "r": raters})
        assert (study.generalizability, study.dependability) == pytest.approx(
            (generalizability, dependability), abs=1e-6
        )


def test_a_negative_component_is_shown_and_counts_as_zero():
    found = crossed(GLESER, ("p", "i", "o"))
    assert found.variance[R] == pytest.approx(-0.014141, abs=1e-5)
    assert found.negative() == (R,)
    assert found.estimate[R].value == 0.0
    assert "-0.01414, set to 0" in found.estimate[R].method
    study = decision_study(found, {"i": 6, "o": 2})
    assert (study.generalizability, study.dependability) == pytest.approx((0.656634, 0.583785), abs=1e-6)


def test_least_numbers_reach_the_target_and_one_less_does_not():
    found = crossed(P_I, ("p", "i"))
    least = least_levels(found, "i", {})
    below, at = decision_table(found, {"i": [least - 1, least]})
    assert below.dependability < 0.8 <= at.dependability
    assert least_levels({P: 0.01, PI: 100.0}, "i", {}, most=50) is None


def test_bootstrapped_components_of_every_person_once_are_the_components():
    # Source: a plain loop over the same draws, each drawn table taken through `crossed`, with the n/(n − 1) named there.
    draws = bootstrap_crossed(P_I_O, ("p", "i", "o"), draws=5, rng=np.random.default_rng(2))
    chosen = np.random.default_rng(2).integers(0, 10, size=(5, 10))
    for at, rows in enumerate(chosen):
        plain = crossed(P_I_O[rows], ("p", "i", "o"))
        assert draws[PIO][at] == pytest.approx(plain.variance[PIO] * 10 / 9, rel=1e-9)
        assert draws[P][at] == pytest.approx(plain.variance[P] * 10 / 9, rel=1e-9)


def test_the_interval_of_dependability_holds_the_estimate():
    found = crossed(P_I_O, ("p", "i", "o"))
    made = bootstrap_crossed(P_I_O, ("p", "i", "o"), draws=1000, rng=np.random.default_rng(4))
    study = decision_study(found, {"i": 4, "o": 2})
    for estimate in interval_of(made, {"i": 4, "o": 2}, study, people=10):
        assert estimate.holds(estimate.value)


def test_satterthwaite_intervals_hold_the_truth_as_often_as_they_say():
    # Source: simulation with known components; 300 tables, 95 % intervals, binomial error 1.3 %. Residual is exact χ².
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(300):
        scores = rng.normal(size=(40, 1)) * 2 + rng.normal(size=(1, 6)) + rng.normal(size=(40, 6)) * 1.5
        held += crossed(scores, ("p", "i")).estimate[P].holds(4.0)
    assert 0.91 <= held / 300 <= 0.985


@pytest.mark.parametrize(
    ("scores", "facets", "words"),
    [
        ([[1.0, 1.0], [1.0, 1.0]], ("p", "i"), "all 4 are equal"),
        ([[1.0], [2.0]], ("p", "i"), "facet i has 1 level"),
    ],
)
def test_tables_without_spread_give_a_sentence(scores, facets, words):
    with pytest.raises(EvidenceError, match=words):
        crossed(scores, facets)


def test_gaps_and_missing_numbers_are_refused():
    with pytest.raises(InputError, match="1 of 4 cells are empty"):
        crossed([[1.0, np.nan], [2.0, 3.0]], ("p", "i"))
    with pytest.raises(InputError, match="facet o"):
        decision_study(crossed(P_I_O, ("p", "i", "o")), {"i": 4})


def test_a_component_with_less_than_one_degree_of_freedom_has_no_upper_end():
    # Source: chi-square at 0.5 degrees of freedom: its 2.5 % point is 1e-6 of the mean, so the end would be a million times the value.
    found = _satterthwaite(1.0, [(2.0, 3.0), (-1.0, 1.5)], {"p": 4}, "mean squares", 0.95)
    assert math.isinf(found.upper)
    assert 0.0 < found.lower < 1.0
