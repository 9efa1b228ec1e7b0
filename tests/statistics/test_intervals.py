import pytest
import scipy.stats

from kerfmark.errors import InputError
from kerfmark.statistics.intervals import coverage_factor, normal_quantile, wilson_interval


@pytest.mark.parametrize("probability", [1e-9, 0.025, 0.5, 0.9, 0.95, 0.975, 1 - 1e-9])
def test_normal_quantile_agrees_with_scipy(probability):
    # Source: scipy.stats.norm.ppf; both claim about 1e-15 relative, 1e-9 leaves room for either.
    assert normal_quantile(probability) == pytest.approx(scipy.stats.norm.ppf(probability), rel=1e-9, abs=1e-12)


def test_the_one_sided_95_percent_guard_band_is_1_645_u():
    # Source: guard band for one-sided 95 % conformity (JCGM 106), computed value 1.645, printed to three decimals.
    assert normal_quantile(0.95) == pytest.approx(1.645, abs=5e-4)


def test_the_two_sided_95_percent_factor_is_1_96():
    # Source: JCGM 100:2008 table G.1, k = 1.960 for 95 %.
    assert coverage_factor(0.95) == pytest.approx(1.960, abs=5e-4)


@pytest.mark.parametrize(("hits", "trials"), [(0, 10), (1, 10), (10, 10), (475, 500), (37, 81)])
@pytest.mark.parametrize("level", [0.9, 0.95, 0.99])
def test_wilson_interval_agrees_with_scipy(hits, trials, level):
    # Source: scipy.stats.binomtest(...).proportion_ci(method="wilson"), the same formula written elsewhere.
    theirs = scipy.stats.binomtest(hits, trials).proportion_ci(confidence_level=level, method="wilson")
    assert wilson_interval(hits, trials, level=level) == pytest.approx((theirs.low, theirs.high), abs=1e-9)


def test_wilson_interval_agrees_with_statsmodels():
    proportion = pytest.importorskip("statsmodels.stats.proportion", reason="statsmodels is a second opinion only")
    # Source: statsmodels proportion_confint, method "wilson".
    assert wilson_interval(15, 50) == pytest.approx(proportion.proportion_confint(15, 50, method="wilson"), abs=1e-9)


@pytest.mark.parametrize(("hits", "trials"), [(-1, 5), (6, 5), (0, 0)])
def test_counts_that_cannot_be_are_refused(hits, trials):
    with pytest.raises(InputError, match="hits"):
        wilson_interval(hits, trials)


def test_a_probability_outside_0_to_1_is_refused():
    with pytest.raises(InputError, match="expected more than 0"):
        normal_quantile(1.0)
