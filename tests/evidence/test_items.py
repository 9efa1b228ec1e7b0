import numpy as np
import pytest
import scipy.stats
from statsmodels.stats.proportion import proportion_confint

from kerfmark.evidence import Options
from kerfmark.evidence.items import criterion_items, ruling_scores
from kerfmark.evidence.table import table_of
from kerfmark.statistics.estimates import Estimate

HEADER = ["learner", "by", "criterion", "repeat", "ruling", "value", "lower", "upper"]
WORDS = {1.0: "met", 0.5: "too close to call", 0.0: "not met"}


def rulings(seed=2, n=60):
    """Three criteria that go together and one that does not."""
    rng = np.random.default_rng(seed)
    level = rng.normal(size=n)
    scores = np.stack(
        [
            *(np.digitize(level + 0.6 * rng.normal(size=n), [-0.8, -0.5]) / 2 for _ in range(3)),
            rng.integers(0, 3, n) / 2,
        ],
        axis=1,
    )
    rows = [
        [f"L{p:02d}", "measured", "abcd"[c], "1", WORDS[s], str(s), "0.4", "1"]
        for p, own in enumerate(scores)
        for c, s in enumerate(own)
    ]
    return scores, rows


def test_scores_are_those_of_the_first_reading():
    rows = [
        ["L1", "measured", "a", "2", "not met", "", "", ""],
        ["L1", "measured", "a", "1", "too close to call", "", "", ""],
    ]
    assert ruling_scores(table_of(HEADER, rows))[0].tolist() == [[0.5]]


def test_each_criterion_is_held_against_the_others_as_scipy_does():
    scores, rows = rulings()
    found = criterion_items(table_of(HEADER, rows), Options()).grids[1].rows
    for at, row in enumerate(found):
        other = scipy.stats.pearsonr(scores[:, at], np.delete(scores, at, axis=1).mean(axis=1))
        assert isinstance(row[4], Estimate)
        assert row[4].value == pytest.approx(other.statistic)
        assert (row[2], row[3]) == (pytest.approx(scores[:, at].mean()), pytest.approx(scores[:, at].std(ddof=1)))


def test_shares_met_and_inside_have_wilson_s_interval():
    scores, rows = rulings()
    row = criterion_items(table_of(HEADER, rows), Options()).grids[0].rows[0]
    met, inside = int(np.sum(scores[:, 0] == 1)), int(np.sum(scores[:, 0] >= 0.5))
    assert (row[3].lower, row[3].upper) == pytest.approx(proportion_confint(met, 60, method="wilson"))
    assert row[4].value == pytest.approx(inside / 60)


def test_only_the_criterion_that_goes_its_own_way_is_flagged():
    flags = criterion_items(table_of(HEADER, rulings()[1]), Options()).flags
    assert len(flags) == 1
    assert flags[0].startswith("Criterion exercise: d: item-total correlation")
    assert "without it alpha would be" in flags[0]


def test_a_criterion_nearly_everybody_meets_is_flagged_by_the_limit_set():
    rows = [
        [f"L{p:02d}", "measured", c, "1", "met" if p or c == "b" else "not met", "", "", ""]
        for p in range(40)
        for c in "ab"
    ]
    flags = criterion_items(table_of(HEADER, rows), Options()).flags
    assert any("a: difficulty 0.97, above 0.95" in f for f in flags)
    assert not any("a: difficulty" in f for f in criterion_items(table_of(HEADER, rows), Options(easy_flag=0.98)).flags)


def test_missing_rulings_are_counted():
    rows = [row for row in rulings()[1] if not (row[0] < "L07" and row[2] == "a")]
    assert criterion_items(table_of(HEADER, rows), Options()).grids[0].rows[0][1:3] == (53, 7)
