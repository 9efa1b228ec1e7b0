from types import SimpleNamespace

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from kerfmark.errors import InputError, MeasurementError
from kerfmark.marking import Code, criterion_name, mark, percent_bounds, probability_inside, rule, rule_many
from kerfmark.records import Reading, Ruling

VALUES = st.floats(-100, 100)
SPREADS = st.floats(0.001, 50)
WIDTHS = st.floats(0.0, 100)


def passing(minimum_percent=60.0, met_at=0.95, too_close="refer"):
    return SimpleNamespace(minimum_percent=minimum_percent, met_at=met_at, too_close=too_close)


def criterion(reading="block.floor_depth_mm", limits=(1.8, 2.0), **other):
    return SimpleNamespace(
        **{"where": None, "stat": None, "weight": 1.0, "critical": False, "reading": reading, "limits": limits, **other}
    )


def reading(value=1.92, u=0.05, name="block.floor_depth_mm", where=None, stat=None):
    return Reading(name, where, stat, value, "mm", u)


def ruling(word, weight=1.0, critical=False, name="block.floor_depth_mm"):
    probability = {"met": 1.0, "not met": 0.0, "too close to call": 0.5}.get(word)
    return Ruling(name, None, None, (0.0, 1.0), probability, word, weight, critical)


# --- the probability ------------------------------------------------------------------------------------------------


def test_two_sided_worked_example():
    # Source: worked example by the JCGM 106 formula, limits 1.80 to 2.00, y = 1.92, u = 0.05: 0.937003 (six decimals).
    assert probability_inside(1.92, 0.05, (1.80, 2.00)) == pytest.approx(0.937003, abs=5e-7)


def test_one_sided_worked_example():
    # Source: worked example, upper limit 10, y = 9.4, u = 0.5: 0.884930 = Φ(1.2) in normal tables.
    assert probability_inside(9.4, 0.5, (-np.inf, 10.0)) == pytest.approx(0.884930, abs=5e-7)


def test_two_u_inside_a_one_sided_limit_conforms_with_97_72_percent():
    # Source: Φ(2) = 0.9772 in normal tables; JCGM 106's guard band of U = 2 u.
    assert probability_inside(10.0 - 2 * 0.3, 0.3, (-np.inf, 10.0)) == pytest.approx(0.9772, abs=5e-5)


def test_the_edge_of_met_lies_1_645_u_inside_a_one_sided_limit():
    # Source: one-sided 95 % guard band 1.645 u (printed to three decimals, so just inside and just outside are tried).
    _, code = rule_many([[10 - 1.646 * 0.2, 10 - 1.644 * 0.2]], [[0.2, 0.2]], [-np.inf] * 2, [10.0] * 2)
    assert [Code(c) for c in code[0]] == [Code.MET, Code.TOO_CLOSE]


@given(VALUES, SPREADS, VALUES, WIDTHS)
def test_probability_agrees_with_scipy(value, u, lower, width):
    # Source: scipy.stats.norm.cdf. Its own difference of tails loses digits where ours does not, hence absolute 1e-12.
    theirs = scipy.stats.norm.cdf(lower + width, value, u) - scipy.stats.norm.cdf(lower, value, u)
    assert probability_inside(value, u, (lower, lower + width)) == pytest.approx(theirs, abs=1e-12)


def test_far_tails_keep_their_digits():
    # Source: scipy.stats.norm.sf(10) − sf(11) by upper tails, which do not cancel.
    theirs = scipy.stats.norm.sf(10) - scipy.stats.norm.sf(11)
    assert probability_inside(0.0, 1.0, (10.0, 11.0)) == pytest.approx(theirs, rel=1e-9)
    assert probability_inside(0.0, 1.0, (-11.0, -10.0)) == pytest.approx(theirs, rel=1e-9)


@given(VALUES, SPREADS, VALUES, WIDTHS, WIDTHS, WIDTHS)
def test_wider_limits_never_lower_the_probability(value, u, lower, width, more_below, more_above):
    narrow = probability_inside(value, u, (lower, lower + width))
    wide = probability_inside(value, u, (lower - more_below, lower + width + more_above))
    assert wide >= narrow - 1e-12


@given(VALUES, SPREADS, VALUES, WIDTHS)
def test_mirrored_values_and_limits_give_the_same_probability(value, u, lower, width):
    upper = lower + width
    assert probability_inside(value, u, (lower, upper)) == pytest.approx(
        probability_inside(-value, u, (-upper, -lower)), abs=1e-12
    )


@given(VALUES, SPREADS, VALUES, WIDTHS)
def test_probability_lies_between_0_and_1(value, u, lower, width):
    assert 0.0 <= probability_inside(value, u, (lower, lower + width)) <= 1.0


@pytest.mark.parametrize(
    ("value", "expected"), [(2.0, 1.0), (1.8, 1.0), (1.9, 1.0), (np.nextafter(2.0, 3.0), 0.0), (1.7, 0.0)]
)
def test_without_uncertainty_the_limits_are_closed(value, expected):
    assert probability_inside(value, 0.0, (1.8, 2.0)) == expected


def test_open_limits_hold_everything():
    assert probability_inside(1e9, 0.1, (-np.inf, np.inf)) == 1.0
    assert probability_inside(1e9, 0.0, (-np.inf, np.inf)) == 1.0


# --- many at once ---------------------------------------------------------------------------------------------------


def test_many_pieces_are_ruled_as_one_by_one():
    rng = np.random.default_rng(11)
    values, u = rng.normal(0, 2, (40, 3)), rng.uniform(0, 1, (40, 3))
    u[::7] = 0.0
    lower, upper = np.array([-1.0, -np.inf, 0.0]), np.array([1.0, 0.5, np.inf])
    probability, code = rule_many(values, u, lower, upper, 0.9)
    for (i, j), p in np.ndenumerate(probability):
        one = probability_inside(values[i, j], u[i, j], (lower[j], upper[j]))
        assert p == one
        assert code[i, j] == (Code.MET if one >= 0.9 else Code.NOT_MET if one <= 1.0 - 0.9 else Code.TOO_CLOSE)


def test_what_was_not_measured_stays_so():
    probability, code = rule_many([[np.nan, 1.0]], [[0.1, np.nan]], [0, 0], [2, 2])
    assert np.isnan(probability).all()
    assert (code == Code.NOT_MEASURABLE).all()


def test_met_at_one_is_only_met_with_certainty():
    _, code = rule_many([[1.0, 1.0]], [[0.0, 5.0]], [0, 0], [2, 2], met_at=1.0)
    assert [Code(c) for c in code[0]] == [Code.MET, Code.TOO_CLOSE]


@pytest.mark.parametrize("wrong", [{"u": [[1.0]]}, {"lower": [0.0]}, {"met_at": 0.5}, {"met_at": 1.01}])
def test_arrays_that_do_not_match_are_refused(wrong):
    given = {"values": [[1.0, 2.0]], "u": [[0.1, 0.1]], "lower": [0, 0], "upper": [2, 2], **wrong}
    with pytest.raises(InputError, match="expected"):
        rule_many(**given)


# --- one piece's criteria -------------------------------------------------------------------------------------------


def test_a_criterion_is_ruled_by_the_reading_with_its_id_place_and_statistic():
    readings = [
        reading(5.0, 0.1, "a", "BL", "p05"),
        reading(1.0, 0.1, "a", "MD", "p05"),
        reading(3.0, 0.1, "a", "BL", "p95"),
    ]
    ruled = rule(
        readings,
        [criterion("a", (4.0, 6.0), where="BL", stat="p05"), criterion("a", (4.0, 6.0), where="MD", stat="p05")],
        passing(),
    )
    assert [r.ruling for r in ruled] == ["met", "not met"]


def test_a_criterion_without_a_place_takes_the_only_reading_there_is():
    assert rule([reading(where="body")], [criterion()], passing())[0].probability_inside == pytest.approx(
        0.937003, abs=5e-7
    )


def test_a_criterion_that_could_mean_two_readings_is_not_guessed():
    assert (
        rule([reading(where="body"), reading(where="lesion")], [criterion()], passing())[0].ruling == "not measurable"
    )


def test_a_reading_nobody_took_is_not_measurable():
    assert rule([], [criterion()], passing())[0].ruling == "not measurable"


@pytest.mark.parametrize(
    ("status", "word"), [("not_measurable", "not measurable"), ("not_applicable", "not applicable")]
)
def test_a_reading_without_a_number_keeps_its_status(status, word):
    unread = Reading("block.floor_depth_mm", None, None, None, "mm", None, status, "because")
    ruled = rule([unread], [criterion()], passing())[0]
    assert (ruled.ruling, ruled.probability_inside) == (word, None)


@pytest.mark.parametrize(("value", "word"), [(1.9, "met"), (2.0, "too close to call"), (2.2, "not met")])
def test_the_three_words(value, word):
    assert rule([reading(value, 0.03)], [criterion()], passing())[0].ruling == word


# --- the mark -------------------------------------------------------------------------------------------------------


def test_percent_is_the_share_of_the_weight_that_is_met():
    marked = mark([ruling("met", 3.0), ruling("not met", 1.0)], passing(75.0))
    assert (marked.percent, marked.outcome) == (75.0, "pass")


def test_weights_that_do_not_add_up_exactly_still_reach_the_pass_line():
    # 0.1 + 0.2 over 0.1 + 0.2 + 0.2 is 60 % on paper and 60.00000000000001 or 59.99999999999999 in binary.
    marked = mark([ruling("met", 0.1), ruling("met", 0.2), ruling("not met", 0.2)], passing(60.0))
    assert marked.outcome == "pass"


def test_a_critical_criterion_not_met_fails_the_piece_whatever_the_percent():
    marked = mark([ruling("met", 99.0), ruling("not met", 1.0, critical=True, name="block.overcut_mm3")], passing())
    assert (marked.outcome, marked.critical_not_met) == ("fail", ("block.overcut_mm3",))


def test_too_close_goes_to_a_person_where_it_decides():
    marked = mark([ruling("met"), ruling("too close to call")], passing(60.0))
    assert (marked.percent, marked.outcome, len(marked.referred)) == (50.0, "refer", 1)


@pytest.mark.parametrize(("minimum", "outcome"), [(50.0, "pass"), (100.1, "fail")])
def test_too_close_leaves_the_outcome_alone_where_it_cannot_change_it(minimum, outcome):
    marked = mark([ruling("met"), ruling("too close to call")], passing(minimum))
    assert (marked.outcome, marked.referred) == (outcome, ("block.floor_depth_mm",))


def test_a_critical_criterion_too_close_to_call_is_referred_however_high_the_percent():
    assert mark([ruling("met", 99.0), ruling("too close to call", 1.0, critical=True)], passing()).outcome == "refer"


def test_a_piece_that_fails_anyway_is_not_referred():
    marked = mark([ruling("not met", critical=True), ruling("too close to call", critical=True)], passing())
    assert marked.outcome == "fail"


@pytest.mark.parametrize(("policy", "percent", "outcome"), [("benefit", 100.0, "pass"), ("strict", 50.0, "fail")])
def test_the_exercise_may_settle_what_is_too_close(policy, percent, outcome):
    marked = mark([ruling("met"), ruling("too close to call")], passing(60.0, too_close=policy))
    assert (marked.percent, marked.outcome, marked.referred) == (percent, outcome, ())


def test_strict_fails_a_critical_criterion_that_is_too_close():
    marked = mark([ruling("met"), ruling("too close to call", critical=True)], passing(too_close="strict"))
    assert (marked.outcome, marked.critical_not_met) == ("fail", ("block.floor_depth_mm",))


@pytest.mark.parametrize("policy", ["refer", "benefit", "strict"])
def test_what_could_not_be_measured_is_never_silently_lost(policy):
    rulings = [ruling("met"), ruling("not measurable")]
    marked = mark(rulings, passing(60.0, too_close=policy))
    assert (marked.percent, marked.outcome, len(marked.referred)) == (50.0, "refer", 1)
    assert percent_bounds(rulings, passing(too_close=policy)) == (50.0, 100.0)


def test_what_does_not_apply_leaves_the_sum():
    marked = mark([ruling("met"), ruling("not applicable", 9.0, critical=True)], passing())
    assert (marked.percent, marked.outcome) == (100.0, "pass")


def test_bounds_meet_where_nothing_is_left_to_decide():
    assert percent_bounds([ruling("met", 1.0), ruling("not met", 3.0)], passing()) == (25.0, 25.0)


def test_nothing_measured_is_an_error_with_exit_status_3():
    with pytest.raises(MeasurementError, match="none of the 2 criteria") as caught:
        mark([ruling("not measurable"), ruling("not applicable")], passing())
    assert caught.value.exit_status == 3


def test_criteria_without_weight_give_no_percent_and_go_to_a_person():
    marked = mark([ruling("met", 0.0)], passing())
    assert (marked.percent, marked.outcome) == (None, "refer")


@given(
    st.lists(
        st.tuples(st.sampled_from(["met", "not met", "too close to call", "not measurable"]), st.floats(0.1, 5)),
        min_size=1,
        max_size=9,
    )
)
def test_the_percent_stated_is_the_least_a_person_can_leave(rows):
    rulings = [ruling("met"), *(ruling(word, weight) for word, weight in rows)]
    least, most = percent_bounds(rulings, passing())
    assert mark(rulings, passing()).percent == least <= most <= 100.0


def test_a_criterion_is_named_by_reading_place_and_statistic():
    assert criterion_name(Ruling("a.b", "BL", "median", (0, 1), None, "met", 1.0, False)) == "a.b BL median"
