import numpy as np
import pytest
import scipy.stats

from kerfmark.errors import EvidenceError
from kerfmark.statistics.alpha import krippendorff_alpha
from kerfmark.statistics.categories import gwet
from kerfmark.statistics.clustered import clustered_mean, clustered_share
from kerfmark.statistics.comparison import bland_altman
from kerfmark.statistics.selfjudgement import self_judgement


def test_with_one_value_each_it_is_the_plain_t_interval():
    values = [3.0, 4.5, 6.0, 7.0, 9.0]
    theirs = scipy.stats.t.interval(0.95, 4, np.mean(values), scipy.stats.sem(values))
    found = clustered_mean(values, None)
    assert (found.lower, found.upper) == pytest.approx(theirs, abs=1e-12)


def test_the_error_over_people_agrees_with_statsmodels():
    import statsmodels.api as sm

    rng = np.random.default_rng(2)
    people = np.repeat(np.arange(20), rng.integers(1, 7, 20))
    values = rng.normal(size=20)[people] + rng.normal(size=len(people))
    # Source: statsmodels OLS on a constant, cluster-robust.
    theirs = sm.OLS(values, np.ones(len(values))).fit(cov_type="cluster", cov_kwds={"groups": people})
    assert clustered_mean(values, people).se == pytest.approx(theirs.bse[0], rel=1e-9)


def test_repeating_everyone_s_values_does_not_make_them_surer():
    # Source: copies carry no information, so no error may shrink.
    rng = np.random.default_rng(3)
    own, measured = rng.normal(70, 8, 40), rng.normal(66, 8, 40)
    people, five = np.arange(40), np.repeat(np.arange(40), 5)
    once, often = self_judgement(own, measured, people=people), self_judgement(own[five], measured[five], people=five)
    assert often.bias.se == pytest.approx(once.bias.se, rel=1e-9)
    assert bland_altman(own[five], measured[five], people=five).bias.se == pytest.approx(once.bias.se, rel=1e-9)
    counts = np.array([[2, 0], [1, 1], [0, 2], [2, 0]] * 10)
    assert gwet(counts[five], people=five).se == pytest.approx(gwet(counts).se, rel=1e-9)
    ratings = np.column_stack([own, measured])
    one, many = (
        krippendorff_alpha(ratings[p], scale="interval", people=p, draws=300, rng=np.random.default_rng(1))
        for p in (people, five)
    )
    assert many.upper - many.lower == pytest.approx(one.upper - one.lower, rel=0.02)


def test_a_share_stays_within_0_and_1():
    assert clustered_share([1, 1, 1, 1], ["a", "a", "b", "b"]).upper == 1.0
    found = clustered_share([1] * 29 + [0], np.arange(30))
    assert 0.7 < found.lower < found.value < found.upper < 1.0


def test_one_person_has_no_error_over_people():
    with pytest.raises(EvidenceError, match="one person"):
        clustered_mean([1.0, 2.0], ["a", "a"])
