"""The table evidence is asked of, out of the store."""

import json

import numpy as np
import pytest

from kerfmark.cli import main
from kerfmark.errors import RightsError
from kerfmark.sittings.examining import examine
from kerfmark.sittings.judging import give_own_view
from kerfmark.sittings.opening import close_sitting
from kerfmark.sittings.seating import appoint
from kerfmark.sittings.signing import sign_settled
from kerfmark.sittings.table import evidence_content, evidence_rows, evidence_table


def exam(school):
    held = school.sitting("exam")
    appoint(school.store, school["teacher"], held, school.ids["E1"], "examiner")
    one = school.measured(held, "L1")
    two = school.measured(held, "L2", where=["on"], content=b"2")
    give_own_view(school.store, school["L1"], one, {c.position: ("inside", "guess") for c in school.criteria})
    examine(school.store, school["E1"], two, {0: ("not met", "Outside.")}, grade=2)
    close_sitting(school.store, school["teacher"], held)
    sign_settled(school.store, school["lead"], held)
    return held


def test_readings_rulings_and_views_come_as_the_table_says(school):
    exam(school)
    table = evidence_table(school.store, school["lead"])
    n = len(school.criteria)
    measured = table.said_by("measured", whole=False)
    assert np.count_nonzero(measured["learner"] == "L1") == n
    own = table.said_by("own", whole=False)
    assert set(own["learner"]) == {"L1"}
    assert np.all(own.number("confidence") == 0.55)
    examiner = table.said_by("examiner", whole=True)
    assert (examiner["examiner"][0], examiner.number("grade")[0]) == ("E1", 2)
    moderated = table.said_by("moderated", whole=True)
    assert moderated["reason"][0] == "examiner decided what was open"
    assert {name for name in table["learner"] if "Learner" in name} == set()


def test_a_seat_from_which_nothing_came_is_absent(school):
    exam(school)
    rows = [row for row in evidence_rows(school.store, school["auditor"]) if row.get("status") == "absent"]
    assert [row["learner"] for row in rows] == ["L3"]


def test_attempts_are_numbered_over_sittings(school):
    for content in (b"1", b"2"):
        school.measured(school.sitting(), content=content)
    whole = evidence_table(school.store, school["lead"]).said_by("measured", whole=True)
    assert whole.number("attempt").tolist() == [1.0, 2.0]


@pytest.mark.parametrize("who", ["teacher", "E1", "L1", "technician"])
def test_evidence_is_for_lead_and_auditor(school, who):
    exam(school)
    with pytest.raises(RightsError):
        evidence_rows(school.store, school[who])


def test_another_sites_lead_sees_none_of_it(school):
    exam(school)
    with pytest.raises(RightsError):
        evidence_rows(school.store, school["other lead"])


def test_what_was_asked_comes_with_the_exercise_that_was_cut(school):
    exam(school)
    lines = evidence_content(school.store, school["lead"])
    names = {
        str(name) for name in evidence_table(school.store, school["lead"]).said_by("measured", whole=False)["criterion"]
    }
    assert {line.criterion for line in lines} == names
    assert [line.weight for line in lines] == [c.weight for c in school.criteria]
    assert {line.exercise for line in lines} == {"small-bed"}
    assert lines[0].source == "teaching practice"
    assert evidence_content(school.store, school["lead"], exercises=["another"]) == ()


def test_what_was_asked_is_for_those_who_may_see_the_evidence(school):
    exam(school)
    with pytest.raises(RightsError):
        evidence_content(school.store, school["L1"])


def test_the_command_asks_a_store_with_what_was_asked(school, tmp_path, capsys):
    exam(school)
    with pytest.raises(SystemExit) as stopped:
        main(["evidence", school.store.address, "--files", str(tmp_path / "files"), "--draws", "100", "--json", "-"])
    assert stopped.value.code == 0
    answer = json.loads(capsys.readouterr().out)["answers"]["content"]
    assert [grid["caption"] for grid in answer["grids"]] == ["small-bed"]
    assert answer["flags"] == []
