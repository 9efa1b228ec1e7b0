import numpy as np
import pytest

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.comparison import bland_altman, bradley_blackwood, line_fit
from kerfmark.statistics.confidence import brier, calibration_curve, recalibration, spiegelhalter_z
from kerfmark.statistics.selfjudgement import (
    difference_reliability,
    heteroscedasticity,
    judged_well,
    response_surface,
    self_judgement,
)

# Source: worked group of twelve, every value computed apart from this code (numpy, scipy).
MEASURED = [52, 55, 58, 60, 63, 65, 68, 70, 74, 77, 81, 85]
OWN = [66, 60, 70, 62, 72, 65, 75, 71, 70, 80, 78, 82]
# Source: worked twenty criteria: chance .2 five times (one true), .5 six times (two), .8 nine times (eight).
STATED = [0.2] * 5 + [0.5] * 6 + [0.8] * 9
TRUE = [1, 0, 0, 0, 0] + [1, 1, 0, 0, 0, 0] + [1] * 8 + [0]


def test_bias_error_and_concordance_match():
    found = self_judgement(OWN, MEASURED)
    assert (found.bias.value, found.sd) == pytest.approx((3.583333, 5.946096), abs=1e-6)
    assert (found.bias.lower, found.bias.upper) == pytest.approx((-0.1946, 7.3613), abs=1e-4)
    assert (found.mae.value, found.rmse) == pytest.approx((5.25, 6.726812), abs=1e-6)
    assert (found.concordance.value, found.closeness) == pytest.approx((0.711732, 0.847895), abs=1e-6)


def test_parts_of_the_error_add_up_and_match():
    parts = self_judgement(OWN, MEASURED).parts
    assert (parts.bias, parts.spread, parts.scatter) == pytest.approx((12.840278, 11.035946, 21.373776), abs=1e-6)
    assert parts.total == pytest.approx(45.25, abs=1e-9)
    assert parts.bias + parts.spread + parts.scatter == pytest.approx(parts.total, abs=1e-9)


def test_tests_of_equal_means_and_spreads_match():
    assert bradley_blackwood(OWN, MEASURED) == pytest.approx((6.062571, 0.018861), abs=1e-6)
    assert bland_altman(OWN, MEASURED).slope.value == pytest.approx(-0.432375, abs=1e-6)
    assert [e.value for e in line_fit(MEASURED, OWN)] == pytest.approx([33.198747, 0.560167], abs=1e-6)


def test_heteroscedasticity_matches():
    glejser, quadratic = heteroscedasticity(OWN, MEASURED)
    assert (glejser.value, quadratic.value) == pytest.approx((-0.088348, 0.007450), abs=1e-6)


def test_brier_parts_match_murphy_and_scikit_learn():
    metrics = pytest.importorskip("sklearn.metrics")
    found = brier(STATED, TRUE)
    assert found.score.value == pytest.approx(0.163, abs=1e-12)
    assert found.score.value == pytest.approx(metrics.brier_score_loss(TRUE, STATED), abs=1e-12)
    assert (found.reliability, found.resolution, found.uncertainty) == pytest.approx(
        (0.011889, 0.096389, 0.2475), abs=1e-6
    )
    assert found.reliability - found.resolution + found.uncertainty == pytest.approx(0.163, abs=1e-9)
    assert (found.within, found.skill) == pytest.approx((0.0, 0.341414), abs=1e-6)


def test_binned_chances_state_what_binning_adds():
    # Source: the identity with the within-bin terms, which must close exactly.
    rng = np.random.default_rng(1)
    stated = rng.random(200)
    found = brier(stated, rng.random(200) < stated, bins=[0.25, 0.5, 0.75])
    assert found.within != 0.0
    assert found.reliability - found.resolution + found.uncertainty + found.within == pytest.approx(
        found.score.value, abs=1e-12
    )


def test_calibration_tests_match():
    assert spiegelhalter_z(STATED, TRUE) == pytest.approx(-0.534522, abs=1e-6)
    found = recalibration(STATED, TRUE)
    values = (found.intercept.value, found.slope.value, found.in_the_large)
    assert values == pytest.approx((-0.141870, 1.326430, -0.053334), abs=1e-5)


def test_recalibration_agrees_with_statsmodels():
    import statsmodels.api as sm

    rng = np.random.default_rng(3)
    stated = rng.uniform(0.05, 0.95, 300)
    true = (rng.random(300) < stated).astype(float)
    theirs = sm.Logit(true, sm.add_constant(np.log(stated / (1 - stated)))).fit(disp=0)
    ours = recalibration(stated, true)
    assert [ours.intercept.value, ours.slope.value, ours.slope.se] == pytest.approx(
        [*theirs.params, theirs.bse[1]], rel=1e-6
    )


def test_calibration_points_leave_small_bins_out():
    assert [(p.stated, p.n) for p in calibration_curve(STATED, TRUE)] == [
        (pytest.approx(0.2), 5),
        (0.5, 6),
        (pytest.approx(0.8), 9),
    ]
    assert [p.n for p in calibration_curve(STATED, TRUE, least=6)] == [6, 9]


def test_the_interval_of_a_brier_score_draws_people():
    people = np.repeat(np.arange(10), 2)
    found = brier(STATED, TRUE, people=people, rng=np.random.default_rng(2), draws=500).score
    assert found.n == 10
    assert found.holds(0.163)


def test_response_surface_matches_its_exact_example():
    # Source: Z = 5 − (X − Y)² on a grid gives a1 = a2 = a3 = 0, a4 = −4 exactly.
    x, y = (a.ravel() for a in np.meshgrid(np.arange(-2, 3), np.arange(-2, 3)))
    found = response_surface(x, y, 5 - (x - y) ** 2)
    slopes = [found.agreement_slope, found.agreement_curve, found.disagreement_slope, found.disagreement_curve]
    assert [e.value for e in slopes] == pytest.approx([0, 0, 0, -4], abs=1e-9)


def test_a_difference_from_one_piece_has_low_reliability():
    assert difference_reliability(0.75, 0.75, 0.5) == pytest.approx(0.5)


def test_noise_alone_makes_quartiles_look_like_lack_of_insight():
    # Source: independent uniforms: quartile means of measured 12.5 to 87.5, of own 50 in all. Why no such chart is drawn.
    rng = np.random.default_rng(1)
    measured, own = rng.random(100_000) * 100, rng.random(100_000) * 100
    quartile = np.digitize(measured, [25, 50, 75])
    assert [own[quartile == q].mean() for q in range(4)] == pytest.approx([50] * 4, abs=0.6)
    assert abs(self_judgement(own, measured).bias.value) < 0.5


def test_the_rule_judged_well_states_its_own_error():
    # Source: scipy binomial tails written out for 12 criteria, 9 needed.
    from math import comb

    found = judged_well(9, 12, asked=0.7)
    wrong_pass = sum(comb(12, k) * 0.6**k * 0.4 ** (12 - k) for k in range(9, 13))
    wrong_fail = sum(comb(12, k) * 0.8**k * 0.2 ** (12 - k) for k in range(9))
    assert (found.passed, found.wrong_pass, found.wrong_fail) == (
        True,
        pytest.approx(wrong_pass),
        pytest.approx(wrong_fail),
    )
    assert not judged_well(8, 12, asked=0.7).passed


def test_what_cannot_be_said_of_own_judgement_is_said():
    with pytest.raises(EvidenceError, match="no criterion"):
        judged_well(0, 0, asked=0.7)
    with pytest.raises(EvidenceError, match="all came alike"):
        recalibration([0.2, 0.8, 0.9], [1, 1, 1])
    with pytest.raises(EvidenceError, match="perfectly parted"):
        recalibration([0.2, 0.3, 0.9], [0, 0, 1])
    with pytest.raises(InputError, match="Divide percentages"):
        brier([20, 80], [0, 1])
    assert "same value" in self_judgement([60, 60, 60, 60], [50, 60, 70, 80]).concordance
