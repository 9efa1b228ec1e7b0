import pytest
import scipy.stats.contingency
from statsmodels.stats.proportion import confint_proportions_2indep

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.shares import share_difference, share_ratio


@pytest.mark.parametrize(
    ("counts", "ends"),
    [((56, 70, 48, 80), (0.0524, 0.3339)), ((9, 10, 3, 10), (0.1705, 0.8090)), ((10, 10, 0, 20), (0.6791, 1.0000))],
)
def test_the_difference_matches_the_printed_examples(counts, ends):
    # Source: Newcombe (1998), Statistics in Medicine 17, 873-890, table II, contrasts a, b and g, method 10 (memory).
    found = share_difference(*counts)
    assert (found.lower, found.upper) == (pytest.approx(ends[0], abs=5e-5), pytest.approx(ends[1], abs=5e-5))


@pytest.mark.parametrize("counts", [(56, 70, 48, 80), (3, 40, 9, 31), (99, 103, 80, 96)])
def test_the_difference_agrees_with_statsmodels(counts):
    found = share_difference(*counts)
    ends = confint_proportions_2indep(*counts, method="newcomb", compare="diff")
    assert (found.lower, found.upper) == (pytest.approx(ends[0], abs=1e-9), pytest.approx(ends[1], abs=1e-9))


def test_the_ratio_matches_a_printed_example():
    # Source: Agresti, Categorical Data Analysis, aspirin study: 189 of 11,034 on placebo, 104 of 11,037 on aspirin: 1.82
    # (memory); its interval is checked against scipy below.
    assert share_ratio(189, 11034, 104, 11037).value == pytest.approx(1.82, abs=5e-3)


@pytest.mark.parametrize("counts", [(189, 11034, 104, 11037), (30, 40, 25, 50)])
def test_the_ratio_agrees_with_scipy(counts):
    found, other = share_ratio(*counts), scipy.stats.contingency.relative_risk(*counts)
    ends = other.confidence_interval(0.95)
    assert found.value == pytest.approx(other.relative_risk)
    assert (found.lower, found.upper) == (pytest.approx(ends.low), pytest.approx(ends.high))


def test_what_cannot_be_said_is_a_sentence():
    with pytest.raises(EvidenceError, match="none at all"):
        share_ratio(0, 10, 5, 10)
    with pytest.raises(InputError, match="11 of 10"):
        share_difference(11, 10, 5, 10)
