import numpy as np
import pytest

from kerfmark.evidence.examiners import drift, examiner_grid, pair_grid, points_from_partners, repeats
from kerfmark.evidence.table import table_of
from kerfmark.statistics.comparison import bland_altman

HEADER = ["learner", "by", "exercise", "examiner", "repeat", "score", "grade", "date"]


def marked(n=30):
    """E2 gives three points less than E1, and one more on every third piece."""
    return [[f"L{p:02d}", "examiner", "a", e, "1", str(50 + p - 3 * (e == "E2") + (p % 3 == 0) * (e == "E2")), str(1 + p % 5), ""] for p in range(n) for e in ("E1", "E2")]  # fmt: skip


def test_each_examiner_s_distance_from_partners_is_the_mean_difference():
    points = points_from_partners(table_of(HEADER, marked()))
    assert points["E1"].value == pytest.approx(3 - 1 / 3)
    assert points["E2"].value == pytest.approx(-(3 - 1 / 3))
    assert points["E1"].n == 30


def test_what_each_gave_has_mean_spread_and_range():
    rows = examiner_grid(table_of(HEADER, marked())).rows
    assert rows[0][:2] == ("E1", 30)
    assert rows[0][2].value == pytest.approx(64.5)
    assert rows[0][3] == pytest.approx(np.arange(30).std(ddof=1))
    assert rows[0][4] == "1 to 5, 5 of 5"


def test_pairs_have_the_limits_of_bland_and_altman():
    grid, figures = pair_grid(table_of(HEADER, marked()))
    d = np.array([3 - (p % 3 == 0) for p in range(30)], dtype=float)
    expected = bland_altman(d + 50, np.full(30, 50.0))
    assert grid.rows[0][0] == "E1 less E2"
    assert [cell.value for cell in grid.rows[0][2:]] == pytest.approx(
        [expected.bias.value, expected.lower_limit.value, expected.upper_limit.value]
    )
    assert figures[0].data["pairs"][0]["n"] == 30


def test_pairs_with_under_ten_pieces_are_not_shown():
    assert pair_grid(table_of(HEADER, marked(9))) is None


def again(second, dates=None):
    rows = []
    for p, off in enumerate(second):
        rows += [
            [f"L{p:02d}", "examiner", "a", "E1", "1", "60", "", ""],
            [f"L{p:02d}", "examiner", "a", "E1", "2", str(60 + off), "", dates[p] if dates else ""],
        ]
    return table_of(HEADER, rows)


def test_repeats_stand_in_the_order_of_their_dates():
    dates = [f"2026-03-{20 - n:02d}" for n in range(12)]
    assert repeats(again(range(12), dates)).difference.tolist() == list(range(11, -1, -1))
    assert repeats(again(range(12))).difference.tolist() == list(range(12))
    assert not repeats(again(range(12))).dated


def test_an_examiner_who_grows_milder_is_seen():
    steady, drifting = [1, -1] * 8, [1, -1] * 4 + [3, 2, 3, 2, 3, 2, 3, 2]
    assert drift(again(steady))[1] == []
    assert any("eight or more repeats in a row" in f for f in drift(again(drifting))[1])
    assert any("outside the control limits" in f for f in drift(again([*steady, 30]))[1])
