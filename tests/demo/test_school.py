"""The invented term, with measuring made up: what adds up, what says that it is simulated, and that the log proves."""

from concurrent.futures import ThreadPoolExecutor

import pytest

from kerfmark.demo.school import course, deciding, make_term
from kerfmark.demo.school.making import Real
from kerfmark.evidence import Options
from kerfmark.evidence.measuring import measuring
from kerfmark.exercise.proof import Proof
from kerfmark.records import Reading
from kerfmark.sittings.apart import Assessed
from kerfmark.sittings.board import ask
from kerfmark.sittings.examining import queue
from kerfmark.sittings.exercises import criteria_of
from kerfmark.sittings.keeping import prove_store
from kerfmark.sittings.overview import sitting
from kerfmark.sittings.pieces import piece, pieces
from kerfmark.sittings.rights import PROGRAM
from kerfmark.sittings.roles import actor_of
from kerfmark.sittings.table import evidence_table, holds_simulated
from kerfmark.storage import open_store
from kerfmark.storage.schema import Criterion, Piece


class Threads(ThreadPoolExecutor):
    def __init__(self, processes, mp_context):
        super().__init__(processes)


def cut(levels):
    """Pieces whose readings lie inside by one, so that what is drawn about them lies on both sides of the limits."""
    readings = (
        Reading("block.floor_depth_mm", None, None, 2.0, "mm", 0.02),
        Reading("block.target_cleared", None, None, 0.97, "1", 0.01),
        Reading("block.outline_overlap", None, None, None, "1", None, "not_measurable", "not covered"),
    )
    return [Real(level, f"{level} {n}".encode(), {}, Assessed("0", "scan", 8.0, 0.95, readings, b"{}")) for n, level in enumerate(levels)]  # fmt: skip


@pytest.fixture(scope="module")
def term(tmp_path_factory, settings):
    store = open_store(tmp_path_factory.mktemp("term"))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(course, "EXERCISES", ("layered-block",))
        patch.setattr(course, "ProcessPoolExecutor", Threads)
        patch.setattr(course, "cut_and_measure", lambda _name, levels, *_: cut(levels))
        patch.setattr(course, "proof_of", lambda _name, settings: Proof(True, True, True))
        made = make_term(store, settings=settings, password_hash="a hash")
    yield store, made
    store.close()


def test_everybody_and_every_sitting_stands(term):
    _, made = term
    learners = [login for login in made.people if login.startswith("learner")]
    assert (len(made.sites), len(learners), len(made.people) - len(learners)) == (2, 60, 8)
    assert len(made.sittings) == 3


def test_every_sitting_adds_up_and_the_exam_waits_for_examiners(term):
    store, made = term
    for held in made.sittings:
        assert sitting(store, PROGRAM, held).line.counts.unaccounted == 0
    exam = sitting(store, PROGRAM, made.look_first).line
    assert (exam.kind, exam.counts.nothing_yet, exam.simulated) == ("exam", 1, True)
    assert exam.counts.waits > 0
    assert any(queue(store, actor_of(store, made.people[f"examiner{n}"])) for n in (1, 2, 3, 4))


def test_every_piece_says_that_it_is_simulated_and_modelled_ones_that_they_are_modelled(term):
    store, made = term
    with store.read() as tx:
        rows = tx.all(Piece)
    assert all(row.simulated for row in rows)
    modelled = [row for row in rows if row.file_name == "modelled.json"]
    assert len(rows) - len(modelled) == made.measured
    assert piece(store, PROGRAM, modelled[0].id).modelled
    assert b'"simulated": true' in store.blobs.get(modelled[0].blob)
    assert holds_simulated(store)


def test_the_log_proves_and_the_evidence_can_be_asked(term):
    store, made = term
    assert prove_store(store, PROGRAM).holds
    assert len(evidence_table(store, PROGRAM)) > made.pieces


def test_a_learner_finds_their_own_pieces_and_one_truly_measured_to_judge(term):
    store, made = term
    found = pieces(store, actor_of(store, made.people["learner01"]))
    assert len(found) == 4
    (waiting,) = [line for line in found if line.own_view_wanted and line.kind == "practice"]
    assert waiting.attempt == 3
    assert not piece(store, PROGRAM, waiting.id).modelled


def test_modelled_readings_keep_their_criteria(term):
    store, _ = term
    with store.read() as tx:
        exercise = tx.all(Criterion)[0].exercise_version_id
        assert len(criteria_of(tx, exercise)) > 3


def test_the_store_knows_repeats_and_calibrations_enough_for_a_gauge_study(term):
    store, _ = term
    table = evidence_table(store, PROGRAM)
    found = measuring(table, Options())
    row = next(row for row in found.grids[0].rows if row[0] == "block.floor_depth_mm")
    assert row[1:3] == (deciding.REFERENCES, 2)
    assert {kind.kind for kind in found.figures} == {"gauge", "drift"}
    calibrated = next(grid for grid in found.grids if grid.caption == "Calibration of devices")
    assert [row[0] for row in calibrated.rows] == ["scanner 1", "scanner 2", "scanner 3"]
    assert all(row[3] == 0 for row in calibrated.rows)


def test_the_terms_evidence_is_signed_by_its_lead(term):
    store, _ = term
    found = ask(store, PROGRAM, options=Options(draws=100))
    assert found.options.signed == "Runa Adeyemi (invented)"
    assert found.line.name == found.options.chosen == "modified Angoff"
    assert [a.about for a in found.actions] == ["scanner 3"]
    assert found.options.simulated
