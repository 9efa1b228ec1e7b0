import numpy as np
import pytest
import scipy.stats

from kerfmark.errors import EvidenceError
from kerfmark.statistics.dependability import alpha_if_removed
from kerfmark.statistics.items import alpha_without, between_share, item_total, pearson

# Source: Brennan (2001), synthetic data 1, ten people by twelve items.
BRENNAN = np.array(
    [
        list(map(int, row))
        for row in [
            "101000000000",
            "111001000000",
            "111110000000",
            "110110010000",
            "111110100000",
            "111011100000",
            "111111100000",
            "111101111100",
            "111111111110",
            "111111111111",
        ]
    ],
    dtype=float,
)


def test_the_correlation_agrees_with_scipy():
    rng = np.random.default_rng(3)
    x = rng.normal(size=40)
    y = 0.5 * x + rng.normal(size=40)
    found, other = pearson(x, y), scipy.stats.pearsonr(x, y)
    ends = other.confidence_interval(0.95)
    assert found.value == pytest.approx(other.statistic)
    assert (found.lower, found.upper) == (pytest.approx(ends.low), pytest.approx(ends.high))


def test_a_part_is_held_against_the_others_only():
    # Source: scipy's correlation with the sum of the other eleven items.
    for item in (1, 4, 9):
        rest = BRENNAN.sum(axis=1) - BRENNAN[:, item]
        assert item_total(BRENNAN, item).value == pytest.approx(scipy.stats.pearsonr(BRENNAN[:, item], rest).statistic)


def test_alpha_without_a_part_agrees_with_the_variance_form():
    # Source: the same alpha from variances, a second implementation.
    assert [alpha_without(BRENNAN, item).value for item in range(12)] == pytest.approx(alpha_if_removed(BRENNAN))


def test_the_share_between_groups_has_the_certified_value():
    # Source: NIST StRD one-way analysis of variance SiRstv, certified R-squared 1.90999039051129E-01.
    values = [
        *(196.3052, 196.1240, 196.1890, 196.2569, 196.3403), *(196.3042, 196.3825, 196.1669, 196.3257, 196.0422),
        *(196.1303, 196.2005, 196.2889, 196.0343, 196.1811), *(196.2795, 196.1748, 196.1494, 196.1485, 195.9885),
        *(196.2119, 196.1051, 196.1850, 196.0052, 196.2090),
    ]  # fmt: skip
    assert between_share(values, np.repeat(range(5), 5)).value == pytest.approx(1.90999039051129e-01, rel=1e-9)


def test_what_does_not_vary_is_refused():
    with pytest.raises(EvidenceError, match="does not vary"):
        pearson([1, 1, 1, 1], [1, 2, 3, 4])
    with pytest.raises(EvidenceError, match="one group only"):
        between_share([1.0, 2.0, 3.0], ["a", "a", "a"])
