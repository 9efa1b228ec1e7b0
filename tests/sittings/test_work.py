"""Measuring in a process apart: what it gives, what a bad file, a crash and a kill leave behind."""

import importlib
import os
import threading
from datetime import timedelta

import pytest
from sqlalchemy import event
from sqlalchemy.exc import OperationalError
from tests.school import assessed, piece_row

from kerfmark.errors import StoreError
from kerfmark.geometry.evening import refined
from kerfmark.geometry.mesh_files.stl import stl_bytes
from kerfmark.geometry.solids import Solid, difference
from kerfmark.pipeline import assess
from kerfmark.sittings.apart import Apart, Broken, SetAside
from kerfmark.sittings.piece_files import PieceFiles, assessment_json
from kerfmark.sittings.pieces import piece
from kerfmark.sittings.rights import PROGRAM
from kerfmark.sittings.work import Workforce, claim, finish, give_back, release_dead_claims, waiting, work_one
from kerfmark.storage.schema import Job


class Stand:
    """Stands in for a process apart: gives what it was told to, one answer a piece."""

    def __init__(self, *answers):
        self.answers = list(answers)

    def assess(self, _):
        return self.answers.pop(0)

    def close(self):
        """Nothing to stop."""


def done(store, apart, tmp_path):
    return work_one(store, apart, tmp_path, worker="a test", seconds=60)


@pytest.fixture(scope="module")
def apart(settings):
    made = Apart(settings, memory_mib=6144, seconds=120)
    yield made
    made.close()


@pytest.fixture(scope="module")
def cut_bed(tmp_path_factory):
    """The bed of the small exercise cut some hundredths too wide."""
    block, bed = Solid.box([-6.0, -5.0, -6.0], [6.0, 5.0, 0.0]), Solid.box([-2.02, -1.52, -2.03], [2.01, 1.51, 1.0])
    path = tmp_path_factory.mktemp("cut") / "piece.stl"
    path.write_bytes(stl_bytes(refined(difference(block, bed).surface(), 0.8)))
    return path


def test_a_process_apart_measures_as_the_command_does(school, apart, small_exercise, cut_bed, settings, tmp_path):
    made = school.handed_in(school.sitting(), content=cut_bed.read_bytes()).piece_id
    assert done(school.store, apart, tmp_path)
    page = piece(school.store, PROGRAM, made)
    alone = assess(small_exercise, cut_bed, settings=settings)
    assert [(r.value, r.u) for r in page.readings] == [(r.value, r.u) for r in alone.readings]
    assert page.by_limits == alone.rulings
    assert page.percent == alone.mark.percent
    assert b'"readings"' in assessment_json(school.store, PROGRAM, made)


def test_a_file_that_is_none_sets_the_piece_aside_with_its_reason(school, apart, tmp_path):
    made = school.handed_in(school.sitting(), content=b"rubbish").piece_id
    assert done(school.store, apart, tmp_path)
    row = piece_row(school.store, made)
    assert row.state == "set aside"
    assert "piece.stl" in row.reason


def test_a_piece_that_takes_too_much_memory_or_time_is_set_aside_with_a_sentence(
    small_exercise, cut_bed, settings, tmp_path, monkeypatch
):
    """The limit on memory is the system's own (`setrlimit(2)`, RLIMIT_AS); the process is killed when its time is over."""
    (tmp_path / "greedy.py").write_text("def draw(*_):\n    return {'scene': bytes(12 << 30)}\n")
    monkeypatch.syspath_prepend(tmp_path)  # the process apart has to find it as well
    draw = importlib.import_module("greedy").draw
    files = PieceFiles(small_exercise, cut_bed, {}, None, None)
    apart = Apart(settings, memory_mib=6144, seconds=120, draw=draw)
    answer = apart.assess(files)
    assert isinstance(answer, SetAside)
    assert answer.reason.startswith("it needs more memory than one piece may take")
    process, apart._seconds = apart._process, 0.001
    answer = apart.assess(files)
    assert answer == SetAside("it took longer than 0.001 s. Hand in a smaller file, or raise KERFMARK_LIMIT_WORKER_S.")
    assert not process.is_alive()


def test_a_process_that_cannot_start_blames_no_piece(school, tmp_path):
    made = school.handed_in(school.sitting()).piece_id
    for _ in range(5):
        assert not done(school.store, Stand(Broken("no process", began=False)), tmp_path)
    assert (piece_row(school.store, made).state, waiting(school.store)) == ("received", 1)


def test_a_piece_that_breaks_three_processes_is_set_aside(school, tmp_path):
    made = school.handed_in(school.sitting()).piece_id
    for _ in range(3):
        assert piece_row(school.store, made).state == "received"
        assert done(school.store, Stand(Broken("out of memory", began=True)), tmp_path)
    assert not done(school.store, Stand(), tmp_path)
    assert "broken off three times" in piece_row(school.store, made).reason


def test_a_job_whose_worker_died_is_taken_by_another_when_its_claim_has_run_out(school):
    made = school.handed_in(school.sitting()).piece_id
    first = claim(school.store, "one", seconds=60)
    assert claim(school.store, "two", seconds=60) is None
    now = school.store.clock()
    later = school.store.at(lambda: now + timedelta(seconds=61))
    second = claim(later, "two", seconds=60)
    assert second.piece_id == made
    assert not finish(later, first, assessed(school.criteria))
    assert finish(later, second, assessed(school.criteria))
    assert not finish(later, second, assessed(school.criteria))
    assert len(piece(school.store, PROGRAM, made).readings) == len(school.criteria)


def test_claims_of_dead_processes_are_let_go_at_a_start_and_those_of_the_living_are_not(school):
    import socket

    school.handed_in(school.sitting())
    dead, alive = f"{socket.gethostname()} 4194303 0", f"{socket.gethostname()} {os.getppid()} 0"
    taken = claim(school.store, dead, seconds=600)
    assert release_dead_claims(school.store) == 1
    taken = claim(school.store, alive, seconds=600)
    assert release_dead_claims(school.store) == 0
    give_back(school.store, taken)
    with school.store.read() as tx:
        assert tx.all(Job)[0].tries == 0  # neither was the piece's fault


def test_two_workers_never_take_the_same_job(school):
    held = school.sitting()
    made = {school.handed_in(held, content=f"piece {n}".encode()).piece_id for n in range(12)}
    taken: list[str] = []

    def take(name: str) -> None:
        while (job := claim(school.store, name, seconds=60)) is not None:
            taken.append(job.piece_id)

    workers = [threading.Thread(target=take, args=(f"worker {n}",)) for n in range(4)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert sorted(taken) == sorted(made)


def test_a_workforce_does_what_waits_and_stops_at_once(school, settings):
    made = school.handed_in(school.sitting()).piece_id
    force = Workforce(school.store, settings, workers=1)
    force._aparts = [Stand(assessed(school.criteria))]
    force.start()
    while waiting(school.store):
        force.wake()
    force.stop()
    assert piece_row(school.store, made).state == "assessed"


def test_a_database_that_goes_away_stops_no_worker(school, settings):
    """As when PostgreSQL is restarted: what is asked meanwhile is refused in a sentence, and measuring goes on when it is back."""
    store, asked = school.store, threading.Event()
    made = school.received(school.sitting())

    def gone(*_):
        asked.set()
        raise OperationalError("", {}, OSError("connection reset"))

    force = Workforce(store, settings, workers=1)
    force._aparts = [Stand(assessed(school.criteria))]
    event.listen(store.engine, "before_cursor_execute", gone)
    with pytest.raises(StoreError, match=r"the database does not answer \(connection reset\)"):
        claim(store, "a test", seconds=60)
    asked.clear()
    force._threads = [threading.Thread(target=force._work, args=(0, force._aparts[0]))]
    force._threads[0].start()
    assert asked.wait(30.0)
    event.remove(store.engine, "before_cursor_execute", gone)
    while waiting(store):
        force.wake()
    force.stop()
    assert piece_row(store, made).state == "assessed"


def test_two_threads_that_stop_a_process_at_once_close_its_pipe_once(settings):
    apart, closed = Apart(settings, memory_mib=1024, seconds=1), []

    class Pipe:
        def close(self):
            closed.append(True)
            apart.close()  # the other thread, at the worst moment

    apart._pipe = Pipe()
    apart.close()
    assert closed == [True]
