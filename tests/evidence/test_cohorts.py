import numpy as np
import pytest
import scipy.stats
from statsmodels.stats.proportion import confint_proportions_2indep

from kerfmark.errors import EvidenceError
from kerfmark.evidence.cohorts import cohorts
from kerfmark.evidence.marks import marks_of
from kerfmark.evidence.passrates import pass_rates
from kerfmark.evidence.table import table_of

HEADER = ["learner", "by", "exercise", "criterion", "score", "ruling", "lower", "upper"]


def cohort(scores, exercises="ab", upper="2"):
    rows = [
        [f"L{n:02d}", "measured", e, "", f"{s + 2 * (e == 'b'):.3f}", "", "", ""]
        for n, s in enumerate(scores)
        for e in exercises
    ]
    rows += [
        [f"L{n:02d}", "measured", e, "depth", "", "met", "1", upper] for n in range(len(scores)) for e in exercises
    ]
    return table_of(HEADER, rows)


RNG = np.random.default_rng(4)
NOW, THEN = 60 + 8 * RNG.normal(size=50), 57 + 9 * RNG.normal(size=40)


def compared(now, then, cut=58.0):
    return cohorts(now, marks_of(now), cut, {"last year": then})


def test_the_difference_of_means_and_its_size_are_welch_s_and_hedges():
    row = compared(cohort(NOW), cohort(THEN)).grids[0].rows[1]
    welch = scipy.stats.ttest_ind(NOW, THEN, equal_var=False).confidence_interval()
    pooled = np.sqrt((49 * NOW.var(ddof=1) + 39 * THEN.var(ddof=1)) / 88)
    assert (row[5].value, row[5].lower, row[5].upper) == pytest.approx(
        (NOW.mean() - THEN.mean(), welch.low, welch.high), abs=1e-3
    )
    assert row[6] == pytest.approx((NOW.mean() - THEN.mean()) / pooled * (1 - 3 / (4 * 88 - 1)), abs=1e-3)


def test_pass_rates_at_the_same_line_have_newcombe_s_interval():
    # Learners' means lie 1 point above their first exercise.
    row = compared(cohort(NOW), cohort(THEN)).grids[0].rows[1]
    hits = (int(np.sum(NOW + 1 >= 58)), 50, int(np.sum(THEN + 1 >= 58)), 40)
    assert row[7].value == pytest.approx(hits[2] / 40)
    assert (row[8].lower, row[8].upper) == pytest.approx(confint_proportions_2indep(*hits, method="newcomb"))


def test_only_shared_exercises_are_compared_and_then_no_line_is_applied():
    rows = compared(cohort(NOW), cohort(THEN, exercises="ac")).grids[0].rows
    assert rows[0][0] == "this cohort, a"
    assert rows[1][1] == 1
    assert rows[1][7] is None


def test_changed_limits_are_flagged():
    assert any(
        "depth had limits 1 to 2.5, now 1 to 2" in f for f in compared(cohort(NOW), cohort(THEN, upper="2.5")).flags
    )
    assert compared(cohort(NOW), cohort(THEN)).flags == ()


def test_what_cannot_be_compared_is_said_with_its_name():
    with pytest.raises(EvidenceError, match="last year: fewer than 10 learners"):
        compared(cohort(NOW), cohort(THEN[:9]))
    with pytest.raises(EvidenceError, match="--earlier"):
        cohorts(cohort(NOW), marks_of(cohort(NOW)), 58.0, {})


def test_pass_rates_of_groups_hide_small_counts():
    scores = np.r_[
        np.full(30, 70.0), np.full(10, 40.0), np.full(12, 70.0), np.full(8, 40.0), np.full(16, 70.0), np.full(3, 40.0)
    ]
    group = np.array(["a"] * 40 + ["b"] * 20 + ["c"] * 19)
    rows = {row[0]: row for row in pass_rates(scores, [("site", group)], 50.0).rows}
    # Source: 30 of 40 and 12 of 20 pass: ratio 0.6 / 0.75; three of c fail, which is not printed.
    assert rows["site a"][3] == "reference"
    assert rows["site b"][3].value == pytest.approx(0.8)
    assert rows["site c"][2:] == ("not shown, under 5", None)
