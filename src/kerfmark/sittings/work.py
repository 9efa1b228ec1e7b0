"""Pieces that wait are measured by processes apart; what a kill interrupts is done again, what is done is written once."""

from __future__ import annotations

import contextlib
import os
import socket
import tempfile
import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from kerfmark.errors import KerfmarkError
from kerfmark.marking import mark, percent_bounds, reading_finder, rule
from kerfmark.records import Mark, Reading, Ruling
from kerfmark.sittings.apart import Apart, Assessed, Broken, Draw, SetAside
from kerfmark.sittings.exercises import CriterionLine, closed, criteria_of, opened, pass_of
from kerfmark.sittings.keeping import sweep
from kerfmark.sittings.piece_files import files_of
from kerfmark.sittings.rights import PROGRAM
from kerfmark.storage import Store, Transaction, and_, func, or_, select
from kerfmark.storage import schema as kept

if TYPE_CHECKING:
    from kerfmark.settings import Settings

__all__ = [
    "Claim",
    "Workforce",
    "claim",
    "finish",
    "give_back",
    "keep_assessment",
    "keep_rereading",
    "release_dead_claims",
    "waiting",
    "work_one",
]

TRIES = 3
GRACE_S = 60.0


@dataclass(frozen=True, slots=True)
class Claim:
    """A job this worker has taken."""

    job_id: str
    piece_id: str
    worker: str


def worker_name(number: int = 0) -> str:
    """What a worker of this process calls itself: host, process, number."""
    return f"{socket.gethostname()} {os.getpid()} {number}"


def waiting(store: Store) -> int:
    """How many pieces wait to be measured or are being measured."""
    with store.read() as tx:
        query = select(func.count()).select_from(kept.Job).where(kept.Job.state.in_(("queued", "running")))
        return int(tx.rows(query)[0][0])


def claim(store: Store, worker: str, *, seconds: float) -> Claim | None:
    """Take the oldest job that waits, or whose claim has run out; None where there is none.

    A job taken three times without an end sets its piece aside: it may be what broke the workers.
    """
    with store.write() as tx:
        while True:
            free = or_(
                kept.Job.state == "queued",
                and_(kept.Job.state == "running", kept.Job.claimed_until < tx.now),
            )
            job = tx.next(kept.Job, free, order=[kept.Job.made_at, kept.Job.id])
            if job is None:
                return None
            if job.tries < TRIES:
                break
            _set_aside(
                tx, job, "measuring it was broken off three times. Look at the file, then have it measured again."
            )
        job.state, job.tries, job.claimed_by = "running", job.tries + 1, worker
        job.claimed_until = tx.now + timedelta(seconds=seconds)
        return Claim(job.id, job.piece_id, worker)


def finish(store: Store, claimed: Claim, result: Assessed | SetAside) -> bool:
    """Write a job's result; False where the claim had run out and somebody else has the job."""
    files = {} if isinstance(result, SetAside) else {kind: store.blobs.put(b) for kind, b in result.drawings.items()}
    text = None if isinstance(result, SetAside) else store.blobs.put(result.text)
    with store.write() as tx:
        job = tx.get(kept.Job, claimed.job_id, lock=True)
        if job is None or job.state != "running" or job.claimed_by != claimed.worker:
            return False
        piece = tx.get(kept.Piece, claimed.piece_id, lock=True)
        if piece is None or piece.erased_at is not None:
            job.state, job.ended_at = "done", tx.now
            return True
        if isinstance(result, SetAside):
            _set_aside(tx, job, result.reason)
            return True
        if job.again is not None:
            keep_rereading(
                tx, piece, result, device=job.again["device"], blob=job.again["blob"], read_by=job.again["by"]
            )
            job.state, job.ended_at = "done", tx.now
            return True
        assert text is not None
        tx.note_blob(*text)
        assessment_id = keep_assessment(tx, piece, result, blob=text[0])
        for kind, (sha256, size) in files.items():
            tx.note_blob(sha256, size)
            tx.add(kept.Drawing(assessment_id=assessment_id, kind=kind, blob=sha256, made_at=tx.now))
        job.state, job.ended_at = "done", tx.now
        return True


def give_back(store: Store, claimed: Claim, *, counts: bool = False) -> None:
    """Let another worker take the job, as when this one is stopped; `counts`: as one of its three tries."""
    with store.write() as tx:
        job = tx.get(kept.Job, claimed.job_id, lock=True)
        if job is not None and job.state == "running" and job.claimed_by == claimed.worker:
            job.state, job.tries = "queued", job.tries - (0 if counts else 1)
            job.claimed_by = job.claimed_until = None


def release_dead_claims(store: Store) -> int:
    """At a start: let go of claims of this machine's servers that are no more; returns how many.

    The try does not count: it was the server that ended, as in a power cut, and not the process that had the piece in hand.
    """
    host = socket.gethostname()
    with store.write() as tx:
        jobs = [job for job in tx.all(kept.Job, kept.Job.state == "running") if _is_dead(job.claimed_by or "", host)]
        for job in jobs:
            job.state, job.tries = "queued", job.tries - 1
            job.claimed_by = job.claimed_until = None
        return len(jobs)


def keep_assessment(
    tx: Transaction, piece: kept.Piece, assessed: Assessed, *, blob: str | None, modelled: bool = False
) -> str:
    """Add an assessment with its readings, and the marking that the limits in force make of them; returns the assessment's id."""
    exercise, sitting = tx.get(kept.ExerciseVersion, piece.exercise_version_id), tx.get(kept.Sitting, piece.sitting_id)
    assert exercise is not None
    assert sitting is not None
    criteria, pass_ = in_force(criteria_of(tx, exercise.id), sitting.limits), pass_of(exercise)
    rulings = rule(assessed.readings, criteria, pass_)
    made = mark(rulings, pass_)
    about = f"piece {piece.id}"
    row = kept.Assessment(
        id=kept.new_id(), piece_id=piece.id, exercise_version_id=exercise.id, blob=blob, kerfmark=assessed.kerfmark, kind=assessed.kind,
        rms_um=assessed.rms_um, overlap=assessed.overlap, modelled=modelled, made_at=tx.now,
    )  # fmt: skip
    tx.keep(row, *_readings(row.id, assessed.readings, criteria), actor=str(PROGRAM), action="measured", about=about)
    keep_marking(tx, piece.id, row.id, 1 + _markings(tx, piece.id), rulings, made, bounds=percent_bounds(rulings, pass_), actor=str(PROGRAM), why="measured")  # fmt: skip
    piece.state, piece.reason, piece.kind = "assessed", None, assessed.kind
    return row.id


def keep_rereading(
    tx: Transaction,
    piece: kept.Piece,
    assessed: Assessed,
    *,
    device: str,
    blob: str | None,
    read_by: str | None,
    modelled: bool = False,
) -> str:
    """Add what a piece read once more, criterion by criterion; its mark stays as it is. Returns the rereading's id."""
    find = reading_finder(assessed.readings)
    row = kept.Rereading(
        id=kept.new_id(), piece_id=piece.id, device=device, number=_readings_on(tx, piece, device) + 1, blob=blob, kerfmark=assessed.kerfmark,
        rms_um=assessed.rms_um, overlap=assessed.overlap, modelled=modelled, read_by=read_by, made_at=tx.now,
    )  # fmt: skip
    values = [
        kept.RereadingValue(
            rereading_id=row.id,
            criterion=c.position,
            value=None if r is None else _float(r.value),
            u=None if r is None else _float(r.u),
        )
        for c in criteria_of(tx, piece.exercise_version_id)
        for r in [find(c)]
    ]
    tx.keep(row, *values, actor=_reader(read_by), action="read again", about=f"piece {piece.id}")
    return row.id


def _reader(person_id: str | None) -> str:
    return str(PROGRAM) if person_id is None else f"person {person_id}"


def _float(value: float | None) -> float | None:
    return None if value is None else float(value)


def _readings_on(tx: Transaction, piece: kept.Piece, device: str) -> int:
    """How often a piece was read on a device, the reading its mark rests on included."""
    station = None if piece.station_id is None else tx.get(kept.StationKey, piece.station_id)
    again = tx.all(kept.Rereading, kept.Rereading.piece_id == piece.id, kept.Rereading.device == device)
    return len(again) + (station is not None and station.rig == device)


def keep_marking(
    tx: Transaction,
    piece_id: str,
    assessment_id: str,
    number: int,
    rulings: Sequence[Ruling],
    made: Mark,
    *,
    bounds: tuple[float, float] | None,
    actor: str,
    why: str,
) -> str:
    """Add a marking with its rulings; returns its id."""
    least, most = bounds or (None, None)
    row = kept.Marking(
        id=kept.new_id(), piece_id=piece_id, assessment_id=assessment_id, number=number, percent=made.percent,
        outcome=made.outcome, least_percent=least, most_percent=most, why=why, made_at=tx.now,
    )  # fmt: skip
    parts = [
        kept.Ruling(
            marking_id=row.id, criterion=at, lower=opened(r.limits[0]), upper=opened(r.limits[1]),
            probability_inside=r.probability_inside, ruling=r.ruling,
        )
        for at, r in enumerate(rulings)
    ]  # fmt: skip
    tx.keep(row, *parts, actor=actor, action="marked", about=f"piece {piece_id}", outcome=made.outcome)
    return row.id


def in_force(
    criteria: tuple[CriterionLine, ...], limits: Sequence[Sequence[float | None]] | None
) -> tuple[CriterionLine, ...]:
    """The criteria with a sitting's own limits, where it has some."""
    if limits is None:
        return criteria
    return tuple(replace(c, limits=closed(low, high)) for c, (low, high) in zip(criteria, limits, strict=True))


def work_one(
    store: Store, apart: Apart, folder: Path, *, worker: str, seconds: float, stopping: threading.Event | None = None
) -> bool:
    """Take one job and do it; False where there was none, or no process to do it in."""
    claimed = claim(store, worker, seconds=seconds + GRACE_S)
    if claimed is None:
        return False
    result = _measured(store, apart, folder, claimed)
    if isinstance(result, Assessed) or (isinstance(result, SetAside) and not (stopping and stopping.is_set())):
        finish(store, claimed, result)
        return True
    stopped = stopping is not None and stopping.is_set()  # then stopping took the process down, not the piece
    began = isinstance(result, Broken) and result.began
    give_back(store, claimed, counts=began and not stopped)
    return began or stopped


class Workforce:
    """Threads that each keep a process apart and do jobs until stopped.

    Parameters
    ----------
    store : Store
    settings : Settings
    workers : int
    memory_mib, seconds : int, float
        Limits on each piece.
    draw : callable, optional
        As for `Apart`.
    """

    def __init__(
        self,
        store: Store,
        settings: Settings,
        *,
        workers: int = 1,
        memory_mib: int = 6144,
        seconds: float = 300.0,
        draw: Draw | None = None,
    ) -> None:
        self._store, self._seconds = store, seconds
        self._aparts = [Apart(settings, memory_mib=memory_mib, seconds=seconds, draw=draw) for _ in range(workers)]
        self._stopping, self._something = threading.Event(), threading.Event()
        self._threads: list[threading.Thread] = []
        self._swept_at: datetime | None = None

    def start(self) -> None:
        """Let go of what a kill interrupted, then begin."""
        release_dead_claims(self._store)
        for number, apart in enumerate(self._aparts):
            thread = threading.Thread(target=self._work, args=(number, apart), name=f"work {number}", daemon=True)
            self._threads.append(thread)
            thread.start()

    def wake(self) -> None:
        """There is something to do; workers also look by themselves once a second."""
        self._something.set()

    def stop(self) -> None:
        """Stop at once; jobs in hand go back to the queue."""
        self._stopping.set()
        self._something.set()
        for apart in self._aparts:
            apart.close()
        for thread in self._threads:
            thread.join()

    def _work(self, number: int, apart: Apart) -> None:
        with tempfile.TemporaryDirectory(prefix="kerfmark-work-") as folder:
            while not self._stopping.is_set():
                self._something.clear()
                if number == 0:
                    self._sweep()
                try:
                    done = work_one(
                        self._store, apart, Path(folder), worker=worker_name(number), seconds=self._seconds, stopping=self._stopping
                    )  # fmt: skip
                except KerfmarkError:
                    done = False  # the store does not answer: the claim runs out and the job is done later
                if not done:
                    self._something.wait(1.0)
        apart.close()

    def _sweep(self) -> None:
        """Once a day, let go of what has been kept long enough."""
        now = self._store.clock()
        if self._swept_at is not None and now - self._swept_at < timedelta(days=1):
            return
        self._swept_at = now
        with contextlib.suppress(KerfmarkError):
            sweep(self._store)


def _measured(store: Store, apart: Apart, folder: Path, claimed: Claim) -> Assessed | SetAside | Broken:
    with store.read() as tx:
        piece, job = tx.get(kept.Piece, claimed.piece_id), tx.get(kept.Job, claimed.job_id)
        exercise = None if piece is None else tx.get(kept.ExerciseVersion, piece.exercise_version_id)
        again = None if job is None else job.again
    if piece is None or exercise is None or piece.erased_at is not None:
        return SetAside("it was erased.")
    with tempfile.TemporaryDirectory(dir=folder) as passing:
        try:
            files = files_of(store, piece, exercise, Path(passing), again=again)
        except KerfmarkError as why:
            return Broken(str(why), began=True)
        lasting = folder / f"{exercise.id}.zip"  # one path a version, by which the process apart knows it
        if not lasting.is_file():
            files.exercise.replace(lasting)
        return apart.assess(replace(files, exercise=lasting))


def _readings(assessment_id: str, readings: Sequence[Reading], criteria: Sequence[CriterionLine]) -> list[kept.Reading]:
    """Rows of the readings; beside each the criterion that asks for it."""
    find, asked = reading_finder(readings), dict[int, int]()
    for criterion in criteria:
        found = find(criterion)
        if found is not None:
            asked.setdefault(id(found), criterion.position)
    return [
        kept.Reading(
            assessment_id=assessment_id, position=at, criterion=asked.get(id(r)), reading=r.id, where=r.where, stat=r.stat,
            unit=r.unit, value=None if r.value is None else float(r.value), u=None if r.u is None else float(r.u), status=r.status,
            reason=r.reason,
        )
        for at, r in enumerate(readings)
    ]  # fmt: skip


def _markings(tx: Transaction, piece_id: str) -> int:
    query = select(func.count()).select_from(kept.Marking).where(kept.Marking.piece_id == piece_id)
    return int(tx.rows(query)[0][0])


def _set_aside(tx: Transaction, job: kept.Job, reason: str) -> None:
    if job.again is not None:  # the piece was measured before, and that stands
        job.again, job.state, job.ended_at = {**job.again, "failed": reason}, "failed", tx.now
        tx.say(str(PROGRAM), "could not be read again", f"piece {job.piece_id}")
        return
    piece = tx.get(kept.Piece, job.piece_id)
    assert piece is not None
    piece.state, piece.reason = "set aside", reason
    job.state, job.ended_at = "failed", tx.now
    tx.say(str(PROGRAM), "set aside", f"piece {piece.id}")


def _is_dead(worker: str, host: str) -> bool:
    parts = worker.split(" ")
    if len(parts) != 3 or parts[0] != host:
        return False
    if int(parts[1]) == os.getpid():
        return False
    try:
        os.kill(int(parts[1]), 0)
    except ProcessLookupError:
        return True
    except OSError:
        return False
    return False
