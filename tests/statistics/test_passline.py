import numpy as np
import pytest
import scipy.stats

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.panels import angoff, ebel, hofstee
from kerfmark.statistics.passline import borderline_group, borderline_regression, contrasting_groups

# Source: worked cohort of twenty and panel of five, computed apart from this code (numpy, scipy, statsmodels).
JUDGES = [
    [60, 70, 55, 80, 65, 50],
    [65, 75, 50, 85, 70, 55],
    [55, 65, 60, 75, 60, 45],
    [70, 80, 60, 90, 70, 60],
    [60, 65, 50, 80, 60, 50],
]
GRADES = [1, 1, 2, 2, 2, 2, 3, 3, 3, 3, 3, 3, 4, 4, 4, 4, 4, 5, 5, 5]
MARKS = [38, 45, 44, 50, 52, 56, 55, 58, 61, 62, 66, 68, 64, 70, 72, 75, 77, 78, 84, 88]
COMPETENT = np.array(GRADES) >= 3


def seeded():
    return np.random.default_rng(20240101)


def test_modified_angoff_and_its_errors_match():
    found = angoff(JUDGES)
    assert found.cut.value == pytest.approx(64.5, abs=1e-9)
    assert (found.cut.se, found.se_both) == pytest.approx((2.134375, 4.924429), abs=1e-6)
    assert list(found.projected_se.values()) == pytest.approx([1.687371, 1.509231, 1.232282], abs=1e-6)
    assert found.judge_means == pytest.approx([63.3333, 66.6667, 60, 71.6667, 60.8333], abs=1e-4)


def test_ebel_matches():
    counts, shares = [[10, 8, 4], [6, 8, 5], [2, 4, 3]], [[0.95, 0.80, 0.60], [0.85, 0.70, 0.50], [0.70, 0.55, 0.35]]
    assert ebel(counts, shares) == pytest.approx(36.15, abs=1e-9)


def test_borderline_regression_and_its_errors_match():
    found = borderline_regression(MARKS, GRADES, rng=seeded(), draws=5000)
    assert (found.intercept, found.slope, found.r2) == pytest.approx((29.989492, 10.527145, 0.894133), abs=1e-6)
    assert (found.cut.value, found.cut.se, found.jackknife_se) == pytest.approx(
        (51.043783, 1.415861, 1.427206), abs=1e-6
    )
    # Source: bootstrap interval 48.24 to 53.54, tolerance .05 of its own; another order of draws adds as much.
    assert (found.cut.lower, found.cut.upper) == pytest.approx((48.24, 53.54), abs=0.15)


def test_borderline_regression_agrees_with_scipy():
    line = scipy.stats.linregress(GRADES, MARKS)
    found = borderline_regression(MARKS, GRADES, rng=seeded(), draws=100)
    assert found.cut.value == pytest.approx(line.intercept + 2 * line.slope, abs=1e-9)


def test_borderline_group_matches():
    mean, median = (borderline_group(MARKS, GRADES, middle=m, rng=seeded()) for m in ("mean", "median"))
    assert (mean.value, mean.se, median.value) == pytest.approx((50.5, 2.5, 51.0), abs=1e-9)


@pytest.mark.parametrize(
    ("rule", "cut"), [("logistic", 55.380332), ("midpoint", 58.678571), ("equal density", 57.537034)]
)
def test_contrasting_groups_differ_by_rule(rule, cut):
    assert contrasting_groups(MARKS, COMPETENT, rule=rule).value == pytest.approx(cut, abs=1e-5)


def test_fewest_misclassified_says_when_it_has_several_answers():
    with pytest.raises(EvidenceError, match="1 of 20 at several marks apart"):
        contrasting_groups(MARKS, COMPETENT, rule="fewest misclassified")


def test_contrasting_groups_have_an_interval_from_a_bootstrap():
    found = contrasting_groups(MARKS, COMPETENT, rule="midpoint", draws=500, rng=seeded())
    assert found.holds(58.678571)
    assert found.lower < found.upper


def test_hofstee_crosses_where_the_panel_s_line_meets_the_curve():
    found = hofstee(MARKS, cut=(50, 65), fail=(0.05, 0.40))
    assert (found.cut, found.fail_rate) == pytest.approx((55.4545, 0.2727), abs=1e-3)
    assert found.step_cut == pytest.approx(55, abs=1e-9)


def test_hofstee_says_when_there_is_no_solution():
    assert hofstee([20, 25, 30, 35], cut=(50, 65), fail=(0.05, 0.40)) is None
    assert hofstee([90, 95, 99], cut=(50, 65), fail=(0.05, 0.40)) is None


@pytest.mark.parametrize(("grades", "words"), [([3, 3, 3, 3], "all 4 are 3"), ([4, 3, 2, 1], "do not rise")])
def test_grades_without_a_line_give_a_sentence(grades, words):
    with pytest.raises(EvidenceError, match=words):
        borderline_regression([40, 50, 60, 70], grades, rng=seeded())


def test_groups_too_small_or_out_of_order_give_a_sentence():
    with pytest.raises(EvidenceError, match="1 of 4 are borderline"):
        borderline_group([40, 50, 60, 70], [1, 2, 3, 4], rng=seeded())
    with pytest.raises(EvidenceError, match="4 competent and 0 not"):
        contrasting_groups([40, 50, 60, 70], [1, 1, 1, 1])
    with pytest.raises(EvidenceError, match="do not overlap"):
        contrasting_groups([40, 50, 60, 70], [0, 0, 1, 1], rule="logistic")
    with pytest.raises(InputError, match="rising order"):
        hofstee(MARKS, cut=(65, 50), fail=(0.05, 0.4))


@pytest.mark.slow
def test_intervals_hold_the_cut_as_often_as_they_say():
    # Source: simulation, 200 cohorts of 80 whose marks are 30 + 10 · grade + error, cut 50; percentile bootstrap is a
    # little short at 80 people, so 90 % is allowed where it says 95.
    rng, held = np.random.default_rng(4), 0
    for _ in range(200):
        grades = rng.choice([1, 2, 3, 4, 5], p=[0.08, 0.2, 0.37, 0.25, 0.1], size=80)
        marks = 30 + 10 * grades + rng.normal(scale=6, size=80)
        held += borderline_regression(marks, grades, rng=rng, draws=1000).cut.holds(50.0)
    assert 0.90 <= held / 200 <= 0.99
