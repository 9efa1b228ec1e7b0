import numpy as np
import pytest

from kerfmark.errors import InputError
from kerfmark.evidence.marks import marks_of
from kerfmark.evidence.table import read_table, table_of


def test_a_small_file_is_read(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text(
        "learner,by,exercise,attempt,score,x_note\nL1,measured,a,1,64,hello\nL1,measured,a,2,70,\n", encoding="utf-8"
    )
    table = read_table(path)
    assert len(table) == 2
    assert table.last_attempts().number("score").tolist() == [70.0]
    assert np.isnan(table.number("value")).all()


def test_the_example_in_the_docs_is_read(tmp_path):
    from pathlib import Path

    page = (Path(__file__).parents[2] / "docs" / "evidence" / "data.md").read_text(encoding="utf-8")
    path = tmp_path / "t.csv"
    path.write_text(page.split("```csv\n")[1].split("```")[0], encoding="utf-8")
    assert len(read_table(path)) == 4


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("learner,by\n", "no rows"),
        ("learner,score\nL1,4\n", "column 'by' is missing"),
        ("learner,by,sccore\nL1,own,4\n", "column 'sccore' is not known"),
        ("learner,by,by\nL1,own,own\n", "stands twice"),
        ("learner,by,score\nL1,own\n", "row 2: 2 cells, expected 3"),
        ("learner,by,score\nL1,own,many\n", "row 2: score is 'many'"),
        ("learner,by,score\nL1,own,nan\n", "row 2: score is 'nan'"),
        ("learner,by,score\nL1,own,140\n", "score is 140, expected 0 to 100"),
        ("learner,by,score\nL1,me,40\n", "by is 'me'"),
        ("learner,by,score\nL1,examiner,40\n", "examiner's code"),
        ("learner,by,ruling\nL1,own,good\n", "ruling is 'good'"),
        ("learner,by,grade\nL1,own,2.5\n", "grade is '2.5'"),
        ("learner,by,score\nL1,own,40\nL2,own,40\nL1,own,50\n", "row 4: says the same thing again as row 2"),
        ('learner,by\n"L1,own\n', "well-formed"),
        ("learner,by,score\nL1,moderated,40\n", "examiner's code"),
        ("learner,by,examiner,score\nL1,moderated,E1,40\nL1,moderated,E2,41\n", "row 3: moderates again what row 2"),
        (
            "learner,by,status\nL1,measured,late\n",
            "status is 'late', expected absent, void, set aside, appeal or nothing",
        ),
        ("learner,by,status\nL1,own,void\n", "except in the measured row"),
        ("learner,by,status,score\nL1,measured,void,40\n", "has no mark"),
        ("learner,by,date\nL1,own,9 March\n", "date is '9 March', expected a date such as"),
        ("learner,by,calibrated\nL1,own,20260309\n", "calibrated is '20260309'"),
        ("learner,by,reason\nL1,own," + "a" * 201 + "\n", "at most 200 characters"),
    ],
)
def test_what_is_wrong_is_named_with_its_row(tmp_path, text, words):
    path = tmp_path / "t.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=words):
        read_table(path)


def test_a_void_last_attempt_leaves_no_mark_behind():
    # The attempt before it must not come back to life: decisions rest on the last attempt, and that one has no mark.
    header = ["learner", "by", "attempt", "score", "status"]
    rows = [
        ["L1", "measured", "1", "64", ""],
        ["L1", "measured", "2", "", "void"],
        ["L2", "measured", "1", "50", "appeal"],
    ]
    assert marks_of(table_of(header, rows)).learners.tolist() == ["L2"]


def test_a_file_that_is_no_text_is_refused(tmp_path):
    path = tmp_path / "t.csv"
    path.write_bytes(b"\xff\xfe\x00\x80")
    with pytest.raises(InputError, match="UTF-8"):
        read_table(path)
    with pytest.raises(InputError, match="cannot be read"):
        read_table(tmp_path / "missing.csv")


def test_a_file_over_the_limit_is_refused(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("learner,by\n" + "L1,own\n" * 200_000, encoding="utf-8")
    with pytest.raises(InputError, match="KERFMARK_LIMIT_FILE_MIB"):
        read_table(path, limit_mib=1)


def test_rows_can_be_chosen_by_speaker():
    table = table_of(["learner", "by", "criterion", "ruling"], [["L1", "own", "a", "met"], ["L1", "measured", "", ""]])
    assert len(table.said_by("own", whole=False)) == 1
    assert len(table.said_by("own", whole=True)) == 0
