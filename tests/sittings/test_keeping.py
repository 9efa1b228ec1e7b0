"""Keeping and letting go: a mark changed by hand is found, files go when they may, an erased learner leaves a chain that proves."""

import io
import json
import zipfile
from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy import text

from kerfmark.errors import ConflictError, InputError, MissingError, RightsError
from kerfmark.sittings.appeals import appeal
from kerfmark.sittings.judging import give_own_view
from kerfmark.sittings.keeping import Retention, audit_entries, prove_audit, prove_store, set_retention, sweep
from kerfmark.sittings.notes import add_note
from kerfmark.sittings.opening import close_sitting
from kerfmark.sittings.pieces import piece
from kerfmark.sittings.record import erase_learner, learner_record
from kerfmark.sittings.rights import PROGRAM
from kerfmark.sittings.signing import sign
from kerfmark.storage import select
from kerfmark.storage.schema import Assessment, AuditEntry, Base, Drawing, Person, Piece, Reading


def measured_and_signed(school, kind="practice"):
    made = school.measured(school.sitting(kind))
    give_own_view(school.store, school["L1"], made, {c.position: ("inside", "sure") for c in school.criteria})
    sign(school.store, school["lead"], made)
    return made


@pytest.mark.parametrize(
    ("statement", "table"),
    [
        ("UPDATE signatures SET percent = 99", "signatures"),
        ("UPDATE rulings SET ruling = 'met', probability_inside = 0.9 WHERE criterion = 0", "markings"),
        ("UPDATE readings SET value = value + 0.1 WHERE position = 0", "assessments"),
        ("UPDATE own_views_criteria SET view = 'outside' WHERE criterion = 1", "own_views"),
        ("DELETE FROM signatures", "signatures"),
    ],
)
def test_a_mark_changed_behind_the_programs_back_is_found(school, statement, table):
    measured_and_signed(school)
    assert prove_audit(school.store, PROGRAM).holds
    with school.store.engine.begin() as connection:
        connection.execute(text(statement))
    proof = prove_audit(school.store, school["auditor"])
    assert not proof.holds
    assert proof.changed[0].startswith(f"{table} ")


def test_the_log_names_nobody(school):
    measured_and_signed(school)
    with school.store.read() as tx:
        words = " ".join(f"{e.actor} {e.about} {e.details}" for e in tx.all(AuditEntry))
    assert not any(name in words for name in ("Learner", "Examiner", "A lead"))


def test_the_log_is_for_lead_and_auditor(school):
    with pytest.raises(RightsError):
        audit_entries(school.store, school["teacher"])
    assert audit_entries(school.store, school["auditor"])[0].seq > 1


def test_an_erased_learner_leaves_tombstones_and_a_chain_that_proves(school):
    made = measured_and_signed(school)
    other = school.measured(school.sitting(), "L2", content=b"another piece")
    with pytest.raises(RightsError):
        erase_learner(school.store, school["teacher"], school.ids["L1"], reason="Asked for it.")
    lead_of_all = school.store
    assert erase_learner(lead_of_all, PROGRAM, school.ids["L1"], reason="Asked for it.") == 1
    with school.store.read() as tx:
        person, row = tx.get(Person, school.ids["L1"]), tx.get(Piece, made)
        assert (person.name, person.email, person.code[:7]) == ("", None, "erased-")
        assert (row.erased_at is not None, row.file_name) == (True, "")
        assert {r.assessment_id for r in tx.all(Reading)} == {piece(school.store, PROGRAM, other).assessment_id}
        assert not school.store.blobs.has(row.blob)
    proof = prove_store(school.store, PROGRAM)
    assert proof.holds


def test_nothing_that_hangs_on_an_erased_learner_s_pieces_stays_in_any_table(school):
    """Asked of the schema itself, so that a table added later cannot be forgotten. What is drawn of a piece goes with its assessment."""
    drawn = replace(school, drawings={"scene": b"of L1", "plain-scene": b"bare, of L1"})
    gone = measured_and_signed(drawn)
    add_note(school.store, school["teacher"], gone, "A clean floor.")
    kept = replace(school, drawings={"scene": b"of L2"}).measured(school.sitting(), "L2", content=b"another piece")
    with school.store.read() as tx:
        files = {d.blob for d in tx.all(Drawing)}
        stay = {d.blob for d in tx.all(Drawing) if tx.get(Assessment, d.assessment_id).piece_id == kept}
    assert erase_learner(school.store, PROGRAM, school.ids["L1"], reason="Asked for it.") == 1
    with school.store.read() as tx:
        assert {a.piece_id for a in tx.all(Assessment)} == {kept}
        assert {d.blob for d in tx.all(Drawing)} == stay
        hanging = [t for t in Base.metadata.sorted_tables if "piece_id" in t.c]
        left = {t.name for t in hanging if tx.rows(select(t.c.piece_id).where(t.c.piece_id == gone))}
        persons = [t for t in Base.metadata.sorted_tables if t.c.keys() and "learner_id" in t.c]
        named = {t.name for t in persons if tx.rows(select(t.c.learner_id).where(t.c.learner_id == school.ids["L1"]))}
    assert len(hanging) >= 9
    assert left == set()
    assert named == {"pieces", "seats"}  # the tombstones
    assert (len(files), len(stay)) == (3, 1)
    assert {sha for sha in files if school.store.blobs.has(sha)} == stay


def test_a_file_that_somebody_else_needs_outlives_an_erased_learner(school):
    held = school.sitting()
    school.measured(held, "L1", content=b"the very same file")
    other = school.measured(held, "L2", content=b"the very same file")
    erase_learner(school.store, PROGRAM, school.ids["L1"], reason="Asked for it.")
    assert school.store.blobs.get(piece(school.store, PROGRAM, other).sha256) == b"the very same file"


def test_who_decided_on_others_is_not_simply_erased(school):
    with pytest.raises(ConflictError, match="also examiner"):
        erase_learner(school.store, PROGRAM, school.ids["E1"], reason="Left.")


def test_an_open_appeal_holds_an_erasure_up(school):
    made = measured_and_signed(school)
    appeal(school.store, school["L1"], made, "I see it inside.")
    with pytest.raises(ConflictError, match=r"an appeal .* is open"):
        erase_learner(school.store, PROGRAM, school.ids["L1"], reason="Asked for it.")


def test_a_learners_record_holds_files_views_marks_and_words(school):
    made = measured_and_signed(school)
    add_note(school.store, school["teacher"], made, "A clean floor.")
    with zipfile.ZipFile(io.BytesIO(learner_record(school.store, school["L1"], school.ids["L1"]))) as archive:
        record = json.loads(archive.read("record.json"))
        assert archive.read(f"pieces/{made}/piece.stl") == b"solid piece"
    assert (record["name"], record["pieces"][0]["own_view"]["0"]) == ("Learner L1", ["inside", "sure"])
    assert record["pieces"][0]["notes"][0]["text"] == "A clean floor."
    assert len(record["pieces"][0]["readings"]) == len(school.criteria)
    with pytest.raises(MissingError):
        learner_record(school.store, school["L2"], school.ids["L1"])


def test_a_record_holds_nothing_of_an_exam_before_release(school):
    made = school.measured(school.sitting("exam"))
    give_own_view(school.store, school["L1"], made, {c.position: ("inside", "sure") for c in school.criteria})
    with zipfile.ZipFile(io.BytesIO(learner_record(school.store, school["L1"], school.ids["L1"]))) as archive:
        record = json.loads(archive.read("record.json"))
    assert (record["pieces"][0]["readings"], record["pieces"][0]["percent"]) == ([], None)


def test_files_go_when_they_have_been_kept_long_enough_and_marks_stay(school):
    made = measured_and_signed(school)
    page = piece(school.store, school["lead"], made)
    close_sitting(school.store, school["teacher"], page.sitting_id)
    set_retention(school.store, PROGRAM, Retention(practice_files_days=30, exam_files_days=365))
    assert sweep(school.store) == 0
    now = school.store.clock()
    later = school.store.at(lambda: now + timedelta(days=31))
    assert sweep(later) == 1
    assert not school.store.blobs.has(page.sha256)
    assert piece(school.store, school["lead"], made).percent == page.percent
    assert prove_store(school.store, PROGRAM).holds


def test_an_exams_files_stay_as_long_as_appeals_may_come(school):
    with pytest.raises(InputError, match="at least 90"):
        set_retention(school.store, PROGRAM, Retention(None, 30))
