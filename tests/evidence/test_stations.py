import numpy as np
import pytest
import scipy.stats

from kerfmark.evidence import Options
from kerfmark.evidence.marks import marks_of
from kerfmark.evidence.stations import stations
from kerfmark.evidence.table import table_of

HEADER = ["learner", "by", "examiner", "score", "grade", "site"]


def exam(slope=10.0, shift=0.0, n=60):
    rng = np.random.default_rng(5)
    grade = rng.integers(1, 6, n)
    mark = np.clip(35 + slope * grade + shift * (np.arange(n) % 2) + 4 * rng.normal(size=n), 0, 100)
    rows = []
    for p in range(n):
        site = "North" if p % 2 else "South"
        rows += [
            [f"L{p:02d}", "measured", "", f"{mark[p]:.6f}", "", site],
            [f"L{p:02d}", "examiner", "E1", "", str(grade[p]), site],
        ]
    table = table_of(HEADER, rows)
    return grade, marks_of(table).marks.ravel(), stations(table, marks_of(table), Options())


def test_r2_and_the_marks_of_a_grade_are_those_of_scipy_s_line():
    grade, mark, (grid, flags) = exam()
    line = scipy.stats.linregress(grade, mark)
    row = grid.rows[0]
    assert (row[2].value, row[3].value) == (pytest.approx(line.rvalue**2), pytest.approx(line.slope))
    ends = scipy.stats.pearsonr(grade, mark).confidence_interval()
    assert (row[2].lower, row[2].upper) == pytest.approx((ends.low**2, ends.high**2))
    assert flags == []


def test_a_grade_that_is_worth_little_is_flagged():
    assert any("a grade is worth" in flag for flag in exam(slope=2.0)[2][1])


def test_the_share_between_sites_is_that_of_a_one_way_analysis():
    # Source: scipy's F of two groups turned into a share: F / (F + n − 2).
    _, mark, (grid, _) = exam(shift=12.0)
    f = scipy.stats.f_oneway(mark[::2], mark[1::2]).statistic
    assert grid.rows[0][4] == pytest.approx(100 * f / (f + 58))
    assert "by chance alone about 2 %" in grid.said
