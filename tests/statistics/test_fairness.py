import numpy as np
import pytest

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.fairness import (
    _ordered,
    mantel_haenszel,
    matched_difference,
    matched_tables,
    ordinal_functioning,
)
from kerfmark.statistics.validity import _hedges, auc, hedges_g, mean_difference, paired_auc, rank_correlation

# Source: R data UCBAdmissions, six departments: (men admitted, rejected), (women admitted, rejected).
ADMISSIONS = [
    [[512, 313], [89, 19]], [[353, 207], [17, 8]], [[120, 205], [202, 391]],
    [[138, 279], [131, 244]], [[53, 138], [94, 299]], [[22, 351], [24, 317]],
]  # fmt: skip


def spread(counts):
    return np.repeat(np.arange(1, len(counts) + 1), counts)


def test_mantel_haenszel_matches_r_and_shows_that_effects_cancel():
    found = mantel_haenszel(ADMISSIONS)
    ratio = found.odds_ratio
    assert (ratio.value, ratio.lower, ratio.upper) == pytest.approx((0.904697, 0.771907, 1.060330), abs=1e-5)
    assert (found.chi2, found.p, found.delta) == pytest.approx((1.426946, 0.232263, 0.235365), abs=1e-5)
    assert (found.homogeneity_chi2, found.homogeneity_p) == pytest.approx((18.8255, 0.002071), abs=1e-4)
    assert found.verdict == "A"


def test_small_groups_get_no_verdict():
    assert mantel_haenszel([[[20, 10], [15, 15]], [[30, 5], [25, 10]]]).verdict is None


def test_a_planted_disadvantage_is_classed_large():
    # Source: simulation with a log odds of 1.5 against the focal group: delta about −3.5.
    rng = np.random.default_rng(1)
    ability, focal = rng.normal(size=2000), np.arange(2000) % 2
    met = rng.random(2000) < 1 / (1 + np.exp(-(ability - 1.5 * focal)))
    found = mantel_haenszel(matched_tables(met, focal, ability + 0.3 * rng.normal(size=2000)))
    assert found.verdict == "C"
    assert found.delta == pytest.approx(-2.35 * 1.5, abs=0.6)


def test_the_ordinal_model_matches_polr():
    # Source: Madsen (1976), satisfaction with housing by influence, type and contact; R MASS polr: deviance 3479.1493, InflMedium .56639, InflHigh 1.28882, ContHigh .36028 and house types.
    counts = [
        21, 21, 28, 34, 22, 36, 10, 11, 36, 61, 23, 17, 43, 35, 40, 26, 18, 54, 13, 9, 10, 8, 8, 12, 6, 7, 9,
        18, 6, 7, 15, 13, 13, 7, 5, 11, 14, 19, 37, 17, 23, 40, 3, 5, 23, 78, 46, 43, 48, 45, 86, 15, 25, 62,
        20, 23, 20, 10, 22, 24, 7, 10, 21, 57, 23, 13, 31, 21, 13, 5, 6, 13,
    ]  # fmt: skip
    cell = np.arange(72)
    sat, influence, kind, contact = cell % 3, cell // 3 % 3, cell // 9 % 4, cell // 36
    columns = np.column_stack([influence == 1, influence == 2, kind == 1, kind == 2, kind == 3, contact == 1]).astype(
        float
    )
    rows = np.repeat(cell, counts)
    fit = _ordered(sat[rows], columns[rows])
    assert fit.params[:6] == pytest.approx([0.56639, 1.28882, -0.57235, -0.36619, -1.09101, 0.36028], abs=1e-3)
    assert -2 * fit.llf == pytest.approx(3479.1493, abs=1e-3)


def test_uniform_and_non_uniform_functioning_are_told_apart():
    rng = np.random.default_rng(2)
    score, focal = rng.normal(size=800), np.arange(800) % 2
    even = np.digitize(score - 0.8 * focal + rng.logistic(size=800), [-1, 0, 1])
    crossed = np.digitize(score * (1 - 1.6 * focal) + rng.logistic(size=800), [-1, 0, 1])
    found, other = ordinal_functioning(even, focal, score), ordinal_functioning(crossed, focal, score)
    assert abs(found.uniform.value + 0.8) < 3 * found.uniform.se
    assert found.uniform_p < 0.001 < found.non_uniform_p
    assert other.non_uniform_p < 0.001
    assert found.verdict is not None


def test_a_matched_difference_agrees_with_statsmodels():
    # Source: statsmodels OLS with cluster-robust errors.
    import statsmodels.api as sm

    rng = np.random.default_rng(6)
    people, focal = np.repeat(np.arange(60), 4), np.repeat(np.arange(60) % 2, 4)
    match = rng.integers(1, 6, 240)
    marks = 40 + 8 * match + 2 * focal + 3 * rng.normal(size=60)[people] + 5 * rng.normal(size=240)
    found = matched_difference(marks, focal, match, people=people)
    x = sm.add_constant(np.column_stack([focal, match]))
    theirs = sm.OLS(marks, x).fit(cov_type="cluster", cov_kwds={"groups": people})
    assert (found.value, found.se) == pytest.approx((theirs.params[1], theirs.bse[1]), rel=1e-9)


def test_area_under_the_curve_matches_proc_and_scikit_learn():
    # Source: Hanley & McNeil's five-point ratings; R pROC gives .893171, error .030724, .832952 to .953390.
    metrics = pytest.importorskip("sklearn.metrics")
    low, high = spread([33, 6, 6, 11, 2]), spread([3, 2, 2, 11, 33])
    found = auc(low, high)
    assert (found.value, found.se, found.lower, found.upper) == pytest.approx(
        (0.893171, 0.030724, 0.832952, 0.953390), abs=1e-6
    )
    outcome = np.r_[np.zeros(len(low)), np.ones(len(high))]
    assert found.value == pytest.approx(metrics.roc_auc_score(outcome, np.r_[low, high]), abs=1e-12)


def test_paired_areas_match_proc():
    # Source: six against six by two marks, R pROC: z .759555, p .447521.
    low = np.column_stack([[1, 2, 2.5, 3, 3.5, 4], [2, 1.5, 3, 2.2, 4.1, 3.8]])
    high = np.column_stack([[2.8, 3.6, 4.2, 4.5, 5, 5.5], [2.6, 4, 3.9, 4.4, 3.7, 5.2]])
    found = paired_auc(low, high)
    assert (found.first.value, found.second.value) == pytest.approx((0.888889, 0.805556), abs=1e-6)
    assert (found.first.se, found.second.se, found.covariance) == pytest.approx(
        (0.099381, 0.134944, 0.008025), abs=1e-6
    )
    assert (found.z, found.p) == pytest.approx((0.759555, 0.447521), abs=1e-6)


def test_hedges_g_matches_the_printed_example():
    # Source: 103 against 100, SD 5.5 and 4.5, 50 each: g .5924, variance .0411 (memory), computed .592442 with approximate J.
    found = _hedges(3.0, 5.5**2, 4.5**2, 50, 50, 0.95)
    assert (found.value, found.se) == pytest.approx((0.592442, 0.202839), abs=5e-6)


def test_hedges_g_agrees_with_pingouin():
    pingouin = pytest.importorskip("pingouin")
    first, second = [5.0, 6, 7, 8, 11], [3.0, 4, 5, 6]
    theirs = pingouin.compute_effsize(first, second, eftype="hedges")
    # Source: pingouin uses the approximate correction 1 − 3/(4 df − 1), within .3 % of the exact one at df 7.
    assert hedges_g(first, second).value == pytest.approx(theirs, rel=3e-3)


def test_differences_and_rank_correlations_agree_with_scipy():
    import scipy.stats

    first, second = [5.0, 6, 7, 8, 11], [3.0, 4, 5, 6]
    theirs = scipy.stats.ttest_ind(first, second, equal_var=False).confidence_interval()
    found = mean_difference(first, second)
    assert (found.lower, found.upper) == pytest.approx((theirs.low, theirs.high), abs=1e-9)
    assert rank_correlation([1, 2, 3, 4, 5], [2, 1, 4, 3, 5]).value == pytest.approx(0.8)


def test_what_cannot_be_compared_is_said():
    with pytest.raises(EvidenceError, match="no stratum"):
        mantel_haenszel([[[5, 0], [3, 0]]])
    with pytest.raises(EvidenceError, match="neither group"):
        hedges_g([1, 1], [2, 2])
    with pytest.raises(EvidenceError, match="at least 2"):
        auc([1], [2, 3])
    with pytest.raises(EvidenceError, match="one grade, one group"):
        ordinal_functioning([1] * 10, [0, 1] * 5, np.arange(10.0))
    with pytest.raises(InputError, match="strata"):
        mantel_haenszel([[1, 2], [3, 4]])


def test_odds_that_cancel_to_one_still_say_whether_strata_are_alike():
    # Source: statsmodels' own Breslow-Day test at a ratio a hair from 1, where its equation still has two terms.
    one, other = [[20, 10], [10, 20]], [[10, 20], [20, 10]]
    found, near = mantel_haenszel([one, other]), mantel_haenszel([one, [[10.0001, 20], [20, 10]]])
    assert found.odds_ratio.value == pytest.approx(1.0)
    assert found.homogeneity_chi2 == pytest.approx(near.homogeneity_chi2, rel=1e-3)
    assert found.homogeneity_p < 0.001
