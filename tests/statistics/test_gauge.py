import numpy as np
import pytest
import scipy.stats

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.gauge import gauge_anova, gauge_by_range, gauge_nested, gauge_reml
from kerfmark.statistics.icc import mean_squares

# Source: AIAG measurement systems analysis, 4th ed.: ten parts, three operators, three trials; values read in a public copy.
ROWS = """
.29 -.56 1.34 .47 -.80 .02 .59 -.31 2.26 -1.36 | .41 -.68 1.17 .50 -.92 -.11 .75 -.20 1.99 -1.25 | .64 -.58 1.27 .64 -.84 -.21 .66 -.17 2.01 -1.31
.08 -.47 1.19 .01 -.56 -.20 .47 -.63 1.80 -1.68 | .25 -1.22 .94 1.03 -1.20 .22 .55 .08 2.12 -1.62 | .07 -.68 1.34 .20 -1.28 .06 .83 -.34 2.19 -1.50
.04 -1.38 .88 .14 -1.46 -.29 .02 -.46 1.77 -1.49 | -.11 -1.13 1.09 .20 -1.07 -.67 .01 -.56 1.45 -1.77 | -.15 -.96 .67 .11 -1.45 -.49 .21 -.49 1.87 -2.16
"""
AIAG = np.array(
    [[[float(v) for v in t.split()] for t in row.split("|")] for row in ROWS.strip().splitlines()]
).transpose(2, 0, 1)


def test_pooled_analysis_of_variance_matches_the_handbook():
    found = gauge_anova(AIAG, tolerance_width=8.0)
    assert found.interaction_p == pytest.approx(0.974106, abs=1e-6)
    parts = [found.repeatability, found.operator, found.part, found.grr_sd**2, found.total_sd**2]
    assert parts == pytest.approx([0.039973, 0.051455, 1.086447, 0.091429, 1.177875], abs=1e-6)
    assert found.percent_total == pytest.approx(27.8607, abs=1e-4)
    assert found.categories == 4
    assert found.percent_tolerance == pytest.approx(100 * 6 * 0.302372 / 8, abs=1e-3)


def test_unpooled_analysis_states_its_negative_interaction():
    found = gauge_anova(AIAG, pool_above=None)
    assert found.negative == ("interaction",)
    assert [found.repeatability, found.interaction, found.operator, found.part] == pytest.approx(
        [0.045982, 0.0, 0.052123, 1.088672], abs=1e-6
    )


def test_averages_and_ranges_match_the_handbook_and_tell_another_number_of_categories():
    found = gauge_by_range(AIAG)
    sds = np.sqrt([found.repeatability, found.operator, found.part])
    assert sds == pytest.approx([0.201857, 0.229667, 1.104596], abs=1e-5)
    assert found.percent_total == pytest.approx(26.6780, abs=1e-3)
    assert (found.categories, gauge_anova(AIAG).categories) == (5, 4)


def test_likelihood_agrees_with_mean_squares_where_the_interaction_is_nil():
    # Source: with the interaction at its boundary the model is the pooled one, for which both are equal on full data.
    part, operator, _ = (axis.ravel() for axis in np.indices(AIAG.shape))
    found = gauge_reml(AIAG.ravel(), part, operator)
    assert [found.repeatability, found.operator, found.part] == pytest.approx([0.039973, 0.051455, 1.086447], rel=1e-3)
    assert found.n == 90


def test_nested_study_recovers_simulated_components():
    # Source: simulation with known variances, 40 operators by 20 pieces by 3; errors of each about 5 to 25 %.
    rng = np.random.default_rng(3)
    readings = rng.normal(size=(40, 1, 1)) * 2 + rng.normal(size=(40, 20, 1)) * 3 + rng.normal(size=(40, 20, 3))
    found = gauge_nested(readings)
    assert [found.operator, found.part, found.repeatability] == pytest.approx([4.0, 9.0, 1.0], rel=0.35)


def test_one_way_analysis_of_variance_matches_nist():
    # Source: NIST StRD SiRstv, certified F = 1.18046237440255 and residual SD .104076068334656.
    groups = np.array([
        [196.3052, 196.1240, 196.1890, 196.2569, 196.3403], [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
        [196.1303, 196.2005, 196.2889, 196.0343, 196.1811], [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
        [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
    ])  # fmt: skip
    ours = mean_squares(groups)
    assert ours.targets / ours.within == pytest.approx(1.18046237440255, abs=1e-9)
    assert np.sqrt(ours.within) == pytest.approx(0.104076068334656, abs=1e-9)
    assert scipy.stats.f_oneway(*groups).statistic == pytest.approx(1.18046237440255, abs=1e-9)


def test_studies_that_cannot_judge_a_gauge_are_refused():
    with pytest.raises(EvidenceError, match="2 repeats"):
        gauge_anova(np.zeros((3, 2, 1)))
    with pytest.raises(EvidenceError, match="all 12 are equal"):
        gauge_anova(np.ones((3, 2, 2)))
    with pytest.raises(InputError, match="2–10 parts"):
        gauge_by_range(np.random.default_rng(1).normal(size=(12, 2, 2)))
    with pytest.raises(InputError, match="tolerance_width"):
        gauge_anova(AIAG, tolerance_width=0.0)
