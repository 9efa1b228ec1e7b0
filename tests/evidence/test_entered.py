from kerfmark.evidence import Options
from kerfmark.evidence.entered import cohort, out_of_order, passed_and_failed
from kerfmark.evidence.marks import marks_of
from kerfmark.evidence.table import table_of

HEADER = ["learner", "by", "exercise", "attempt", "score", "status", "reason", "examiner"]
ROWS = [[f"L{n}", "measured", e, "1", str(40 + 3 * n), "", "", ""] for n in range(10) for e in "ab"]
ROWS += [["L10", "measured", e, "1", "", "absent", "ill", ""] for e in "ab"]
ROWS += [
    ["L11", "measured", "a", "1", "80", "", "", ""],
    ["L11", "measured", "b", "1", "80", "", "", ""],
    ["L11", "measured", "b", "2", "", "void", "wrong tooth", ""],
]
ROWS += [["L12", "measured", "a", "1", "70", "appeal", "asks again", ""]]


def found(rows=ROWS, **options):
    table = table_of(HEADER, rows)
    return out_of_order(table, marks_of(table), Options(**options))


def test_every_row_of_pieces_adds_up():
    # Source: 13 entered; a: 12 marked, 1 absent; b: 10 marked, 1 absent, 1 void, and L12 has nothing.
    assert found().grids[0].rows == (("a", 13, 12, 1, 0, 0, 0), ("b", 13, 10, 1, 1, 0, 1))


def test_a_piece_nobody_speaks_of_is_said_first():
    answer = found()
    assert answer.said.startswith("1 pieces are not accounted for")
    assert answer.claims[0].verdict == "not shown"
    told = [*ROWS, ["L12", "measured", "b", "1", "", "absent", "left", ""]]
    assert found(told).claims[0].verdict == "stands"


def test_an_appeal_without_a_result_is_flagged_and_one_with_it_is_not():
    assert any("appeals have no moderated mark" in f for f in found().flags)
    settled = [*ROWS, ["L12", "moderated", "a", "1", "72", "", "looked at again", "E1"]]
    answer = found(settled)
    assert not any("appeals" in f for f in answer.flags)
    assert any(row[4] == "70, 72 after" for row in answer.grids[1].rows)


def test_single_pieces_are_listed_by_code_only_where_they_may_be():
    assert [g.caption for g in found().grids] == ["Pieces", "What was reported", "Gaps in what was said"]
    assert [g.caption for g in found(codes=False).grids] == ["Pieces", "Gaps in what was said"]


def test_the_cohort_counts_who_entered_and_who_passes():
    # Source: marks 40, 43, … 67 of ten learners; at 55 or above lie 55, 58, 61, 64, 67.
    table = table_of(HEADER, ROWS)
    rows = dict(cohort(table, marks_of(table), 55.0).rows)
    assert (rows["entered"], rows["with a mark in every exercise"], rows["with a piece that is void"]) == (13, 10, 1)
    assert (rows["at or above the line"], rows["below the line"]) == ("5", "5")
    assert passed_and_failed(table, marks_of(table), 55.0) == (5, 5)
    assert passed_and_failed(table, marks_of(table), None) is None
