import math

import pytest

from kerfmark.errors import EvidenceError, InputError
from kerfmark.evidence.content import ContentLine, content, content_of, read_content
from kerfmark.evidence.table import table_of
from kerfmark.exercise.definition import Criterion

HEADER = ["learner", "by", "exercise", "criterion", "ruling", "lower", "upper"]
ROWS = [["L1", "measured", "crown", "depth", "met", "1", "2"], ["L1", "measured", "crown", "width", "met", "0.8", ""]]
TABLE = table_of(HEADER, ROWS)
DEPTH = ContentLine("crown", "depth", "O1", 1.0, 2.0, 3.0, True, "a handbook")
WIDTH = ContentLine("crown", "width", "O2", 0.8, math.inf, 1.0, False, "practice")


def grid(answer, caption):
    return next(g for g in answer.grids if g.caption == caption)


def test_each_criterion_stands_with_its_share_of_the_mark():
    # Source: weights 3 and 1: three quarters and one quarter of the mark.
    rows = grid(content(TABLE, [DEPTH, WIDTH]), "crown").rows
    assert rows[0] == ("depth", "1 to 2", "3", "75 %", "critical", "O1", "a handbook")
    assert rows[1][1] == "≥ 0.8"


def test_outcomes_carry_their_share_of_the_mean_over_exercises():
    # Source: O1 has 3/4 of one exercise and all of the other: (0.75 + 1) / 2.
    other = ContentLine("inlay", "depth", "O1", 0.0, 1.0, 2.0, False, "x")
    rows = grid(content(TABLE, [DEPTH, WIDTH, other]), "Outcomes").rows
    assert [row[0] for row in rows] == ["O1", "O2"]
    assert rows[0][3] == pytest.approx(87.5)


def test_what_the_exercises_and_the_table_do_not_share_is_named():
    changed, extra = ContentLine("crown", "width", lower=0.9, weight=1.0), ContentLine("crown", "taper", weight=1.0)
    flags = content(TABLE, [changed, extra]).flags
    assert any("width has limits ≥ 0.9, the table was marked with ≥ 0.8" in f for f in flags)
    assert any("taper counts for the mark" in f for f in flags)
    assert any("depth was ruled on, but the exercise given does not hold it" in f for f in flags)


def test_the_claim_follows_what_is_named():
    assert content(TABLE, [DEPTH, WIDTH]).claims[0].verdict == "stands"
    assert content(TABLE, [DEPTH, ContentLine("crown", "width", weight=1.0)]).claims[0].verdict == "with limits"
    assert content(TABLE, []).claims[0].verdict == "not shown"


def test_without_exercises_the_table_says_what_it_can():
    found = content(TABLE, [])
    assert grid(found, "crown").rows[0][:3] == ("depth", "1 to 2", None)
    assert "--exercise" in found.said
    with pytest.raises(EvidenceError, match="--exercise"):
        content(table_of(["learner", "by", "score"], [["L1", "measured", "5"]]), [])


def test_the_same_criterion_twice_is_refused():
    with pytest.raises(InputError, match="depth is given twice"):
        content(TABLE, [DEPTH, DEPTH])


def test_an_exercise_gives_its_criteria_under_the_names_of_the_table():
    class Made:
        id = "stump"
        outcomes = ("P 1",)
        criteria = (Criterion(reading="crown.taper_deg", where="buccal", limits=(2.0, 10.0), source="a handbook"),)

    line = content_of(Made())[0]
    assert (line.exercise, line.criterion, line.outcome, line.source) == (
        "stump",
        "crown.taper_deg buccal",
        "P 1",
        "a handbook",
    )
    assert content_of(Made(), name="crown")[0].exercise == "crown"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("exercise,criterion\na,b\n", "expected exercise, criterion, outcome"),
        ("exercise,criterion,outcome,lower,upper,weight,critical,source\na,,,,,,,\n", "criterion is empty"),
        ("exercise,criterion,outcome,lower,upper,weight,critical,source\na,b,,2,1,,,\n", "lower under upper"),
        ("exercise,criterion,outcome,lower,upper,weight,critical,source\na,b,,x,,,,\n", "lower is 'x'"),
        ("exercise,criterion,outcome,lower,upper,weight,critical,source\na,b,,,,,maybe,\n", "critical is 'maybe'"),
    ],
)
def test_a_faulty_file_of_criteria_is_told_with_its_row(tmp_path, text, words):
    path = tmp_path / "c.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=words):
        read_content(path)


def test_an_exercise_that_was_not_given_is_named_once():
    flags = content(TABLE, [ContentLine("inlay", "depth", weight=1.0)]).flags
    assert [f for f in flags if "is not among those given" in f] == [
        "Exercise crown is not among those given: what its 2 criteria are for is not shown."
    ]
