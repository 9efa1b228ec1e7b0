import numpy as np
import pytest

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.comparison import (
    bland_altman,
    bradley_blackwood,
    concordance,
    equivalence,
    line_fit,
    repeatability,
)
from kerfmark.statistics.two_errors import deming, passing_bablok

# Source: Bland & Altman (1986), peak flow of 17 people by two meters, first readings; second readings are memory.
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
LARGE_2 = [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421]
MINI_2 = [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443]
# Source: handbook example of Deming regression (NCSS chapter 303, example 5), also computed by R mcr.
X = [7, 8.3, 10.5, 9, 5.1, 8.2, 10.2, 10.3, 7.1, 5.9]
Y = [7.9, 8.2, 9.6, 9, 6.5, 7.3, 10.2, 10.6, 6.3, 5.2]


def test_bias_and_limits_match_the_peak_flow_example():
    found = bland_altman(LARGE, MINI, multiplier=2.0)
    assert (found.bias.value, found.sd) == pytest.approx((-2.117647, 38.765130), abs=1e-5)
    assert (found.lower_limit.value, found.upper_limit.value) == pytest.approx((-79.647907, 75.412613), abs=1e-5)
    assert (found.bias.se, found.bias.lower, found.bias.upper) == pytest.approx(
        (9.401925, -22.048838, 17.813544), abs=1e-5
    )
    assert (found.lower_limit.lower, found.lower_limit.upper) == pytest.approx((-114.1697, -45.1261), abs=1e-4)
    assert (found.upper_limit.lower, found.upper_limit.upper) == pytest.approx((40.8908, 109.9345), abs=1e-4)


def test_limits_hold_95_percent_unless_told_otherwise():
    found = bland_altman(LARGE, MINI)
    assert (found.lower_limit.value, found.upper_limit.value) == pytest.approx((-78.097302, 73.862007), abs=2e-3)


def test_repeatability_matches_the_peak_flow_example():
    within = [repeatability(LARGE, LARGE_2)[0], repeatability(MINI, MINI_2)[0]]
    assert within == pytest.approx([15.306669, 19.910831], abs=1e-5)


def test_concordance_and_its_interval_match_epir():
    found = concordance(LARGE, MINI)
    assert (found.value, found.lower, found.upper) == pytest.approx((0.942742, 0.850492, 0.978726), abs=1e-5)


def test_two_one_sided_tests_match_pingouin():
    pingouin = pytest.importorskip("pingouin")
    found = equivalence(LARGE, MINI, margin=20)
    assert found.p == pytest.approx(0.037666, abs=1e-6)
    theirs = pingouin.tost(LARGE, MINI, bound=20, paired=True).filter(regex="^p.?val$").iloc[0, 0]
    assert found.p == pytest.approx(float(theirs), abs=1e-9)
    assert found.shown
    assert -20 < found.difference.lower < found.difference.upper < 20


def test_bradley_blackwood_matches_the_example():
    f, p = bradley_blackwood(LARGE, MINI)
    assert (f, p) == pytest.approx((0.076835, 0.926404), abs=1e-6)


@pytest.mark.parametrize(
    ("ratio", "slope", "intercept"),
    [(0.25, 1.0011942, -0.0897449), (1.0, 0.9422886, 0.3909254), (4.0, 0.8905995, 0.8127080)],
)
def test_deming_matches_for_each_ratio_of_error_variances(ratio, slope, intercept):
    found = deming(X, Y, variance_ratio_y_over_x=ratio)
    assert (found[0].value, found[1].value) == pytest.approx((intercept, slope), abs=1e-6)


def test_deming_s_jackknife_interval_matches():
    intercept, slope = deming(X, Y, variance_ratio_y_over_x=0.25)
    assert (slope.lower, slope.upper) == pytest.approx((0.5695632, 1.4328253), abs=1e-6)
    assert (slope.se, intercept.se) == pytest.approx((0.187177, 1.721987), abs=1e-6)


def test_exchanging_both_methods_inverts_deming_s_slope():
    # Source: symmetry of the model: swapping x and y inverts slope and ratio.
    assert deming(Y, X, variance_ratio_y_over_x=0.25)[1].value == pytest.approx(
        1 / deming(X, Y, variance_ratio_y_over_x=4.0)[1].value, rel=1e-12
    )


def test_passing_bablok_matches_the_example():
    intercept, slope = passing_bablok(X, Y)
    assert (slope.value, intercept.value) == pytest.approx((1.0, -0.05), abs=1e-6)
    assert (slope.lower, slope.upper) == pytest.approx((0.718750, 1.421053), abs=1e-4)


def test_passing_bablok_ignores_one_wild_piece():
    # Source: the estimator's purpose; a line y = 2 x + 1 with one outlier keeps slope and intercept exactly.
    x = np.arange(1.0, 21.0)
    y = 2 * x + 1
    y[7] = 300.0
    intercept, slope = passing_bablok(x, y)
    assert (slope.value, intercept.value) == pytest.approx((2.0, 1.0), abs=1e-9)


def test_what_cannot_be_compared_is_said():
    with pytest.raises(EvidenceError, match="same value"):
        concordance([1, 1, 1, 1], [1, 2, 3, 4])
    with pytest.raises(EvidenceError, match="differences are equal"):
        equivalence([1, 2, 3], [0, 1, 2], margin=2)
    with pytest.raises(EvidenceError, match="at least 3"):
        bland_altman([1, 2], [1, 2])
    with pytest.raises(EvidenceError, match="no line"):
        line_fit([2, 2, 2], [1, 2, 3])
    with pytest.raises(InputError, match="missing"):
        deming([1, 2, 3, float("nan")], [1, 2, 3, 4])
    with pytest.raises(InputError, match="margin"):
        equivalence([1, 2, 3], [0, 1, 3], margin=0)
