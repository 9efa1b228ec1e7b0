import numpy as np
import pytest

from kerfmark.errors import EvidenceError
from kerfmark.evidence import Options
from kerfmark.evidence.marks import marks_of
from kerfmark.evidence.moderation import moderated_marks, moderation, moderation_log, outcomes_of
from kerfmark.evidence.ratings import examiner_pairs
from kerfmark.evidence.table import table_of

HEADER = ["learner", "by", "exercise", "examiner", "score", "reason"]


def made(apart=(), moderated=()):
    """Thirty learners with one exercise, marked by two examiners 2 points apart, a few of them further."""
    rows = []
    for n in range(30):
        name, mark, off = f"L{n:02d}", 50 + n, dict(apart).get(n, 2)
        rows.append([name, "measured", "a", "", str(mark), ""])
        rows += [
            [name, "examiner", "a", "E1", str(mark + off / 2), ""],
            [name, "examiner", "a", "E2", str(mark - off / 2), ""],
        ]
    rows += [[f"L{n:02d}", "moderated", "a", "E3", str(score), rule] for n, score, rule in moderated]
    return table_of(HEADER, rows)


def grid(answer, caption):
    return next(g for g in answer.grids if g.caption == caption)


def test_the_error_of_one_mark_and_the_limit_are_those_of_the_differences():
    # Source: pairs 2 apart: sum of squares about their mean 2 · 1² a piece on one degree of freedom: SD √2, limit 1.96 · √2 · √2.
    pairs = examiner_pairs(made().last_attempts())
    assert pairs.error == pytest.approx(np.sqrt(2))
    assert pairs.limit(1.96) == pytest.approx(3.92)
    assert pairs.difference.tolist() == [2.0] * 30


def test_three_examiners_make_three_pairs():
    rows = [["L1", "examiner", "a", f"E{n}", str(50 + n), ""] for n in (1, 2, 3)]
    pairs = examiner_pairs(table_of(HEADER, rows))
    assert sorted(zip(pairs.first, pairs.second, pairs.difference, strict=True)) == [
        ("E1", "E2", -1.0),
        ("E1", "E3", -2.0),
        ("E2", "E3", -1.0),
    ]


def test_the_log_holds_what_is_apart_and_what_was_moderated_widest_first():
    table = made(apart={3: 20, 8: 30}, moderated=[(3, 55.0, "third examiner"), (5, 55.0, "sample")])
    log = moderation_log(table.last_attempts(), marks_of(table), Options())
    assert [(line.learner, line.beyond, line.before, line.rule) for line in log] == [
        ("L08", True, 58.0, ""), ("L03", True, 53.0, "third examiner"), ("L05", False, 55.0, "sample"),
    ]  # fmt: skip
    assert np.isnan(log[0].after)


def test_what_moderation_left_open_is_flagged_and_the_claim_falls():
    found = moderation(
        made(apart={3: 20, 8: 30}, moderated=[(3, 55.0, "third examiner")]), marks_of(made()), None, None, Options()
    )
    assert "1 pieces on which examiners differ" in found.flags[0]
    assert found.claims[0].verdict == "not shown"
    settled = made(apart={3: 20}, moderated=[(3, 55.0, "third examiner")])
    assert moderation(settled, marks_of(settled), None, None, Options()).claims[0].verdict == "stands"


def test_marks_after_moderation_replace_only_what_was_looked_at():
    table = made(moderated=[(0, 70.0, "appeal")])
    after = moderated_marks(table.last_attempts(), marks_of(table))
    assert after[:3].ravel().tolist() == [70.0, 51.0, 52.0]


def test_pass_borderline_and_fail_are_counted_before_and_after():
    # Source: marks 50 to 79, line 60, error 2: 58 to 62 are borderline (5), under them 8 fail, 17 pass. Six fails rise to 70.
    table = made(moderated=[(n, 70.0, "looked at again") for n in range(6)])
    answer = moderation(table, marks_of(table), 60.0, 2.0, Options())
    shown = grid(answer, "Pass, borderline and fail before and after")
    assert [row[1:] for row in shown.rows] == [
        ("17", "0", "0", "17"),
        ("0", "5", "0", "5"),
        ("6", "0", "under 5", "8"),
        ("23", "5", "under 5", 30),
    ]
    assert "20 of 30 before, 26 after" in shown.said
    assert outcomes_of(np.array([62.0, 62.1, 57.9]), 60.0, 2.0).tolist() == [1, 0, 2]


def test_codes_are_listed_only_where_they_may_be():
    table = made(moderated=[(3, 55.0, "sample")])
    for codes in (True, False):
        captions = [g.caption for g in moderation(table, marks_of(table), 60.0, 2.0, Options(codes=codes)).grids]
        assert ("Moderation log" in captions) is codes


def test_nothing_marked_twice_and_nothing_moderated_cannot_be_said():
    table = table_of(["learner", "by", "score"], [["L1", "measured", "50"]])
    with pytest.raises(EvidenceError, match="marked twice"):
        moderation(table, marks_of(table), None, None, Options())
