"""An invented school's term in a store: two sites, five exercises, sixty learners, four examiners, practice and one exam.

Nobody cut, judged or examined any of it. A few pieces of each exercise are cut by simulated hands, scanned with noise and truly
measured. The readings of all other pieces are *modelled*: drawn around those of a truly measured piece of the same level, and
said to be so wherever they are shown (`Assessment.modelled`, and the file of such a piece, which states the model).
"""

from __future__ import annotations

import json
import multiprocessing
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from kerfmark.demo.board import PANEL, rows_text
from kerfmark.evidence import panel_of
from kerfmark.records import Reading
from kerfmark.sittings.access import make_station_key
from kerfmark.sittings.apart import Assessed, measured
from kerfmark.sittings.board import add_paper, sign_line
from kerfmark.sittings.devices import note_calibration
from kerfmark.sittings.examining import Word, examine
from kerfmark.sittings.exercises import CriterionLine, criteria_of, import_exercise, keep_proof, pass_of, proof_of
from kerfmark.sittings.keeping import school_settings, set_school_setting
from kerfmark.sittings.marks import Standing, open_criteria, standings
from kerfmark.sittings.opening import close_sitting, open_sitting
from kerfmark.sittings.people import actor_of, add_person, add_site
from kerfmark.sittings.rights import PROGRAM
from kerfmark.sittings.seating import appoint, seat_learners
from kerfmark.sittings.work import keep_assessment, keep_rereading
from kerfmark.statistics.panels import angoff
from kerfmark.storage import Store, Transaction
from kerfmark.storage import schema as kept

if TYPE_CHECKING:
    from kerfmark.exercise.proof import Proof
    from kerfmark.settings import Settings
    from kerfmark.sittings.apart import Draw

__all__ = ["EXAM", "EXERCISES", "SCHOOL", "DemoTerm", "make_term"]

SCHOOL: Final = "Ellisgarth School of Dentistry (invented)"
SITES: Final = ("North Quay", "Old Mill")
EXERCISES: Final = ("straight-line", "layered-block", "cavity-i-36", "metal-crown-36", "full-crown-46")
EXAM: Final = "layered-block"
"""What the exam is on: few criteria, so that what waits for an examiner can be looked at in a minute."""
LEARNERS, EXAMINERS = 60, 4
LEVELS_OF_REAL: Final = ("able", "middle", "novice")
REAL_IN_EXAM: Final = ("middle", "novice", "able", "middle")
GIVEN: Final = (
    "Ama", "Bruno", "Chiara", "Dunya", "Eskil", "Farah", "Gustav", "Hana", "Ines", "Jonas", "Kaya", "Liv", "Mateo", "Nadia", "Oskar", "Petra",
    "Quinn", "Rosa", "Sami", "Tove",
)  # fmt: skip
FAMILY: Final = (
    "Ashgarth", "Brackwell", "Corrie", "Dunmarsh", "Ellervik", "Fenholt", "Garrowby", "Hesk", "Ingleth", "Jarrock", "Keldmoor", "Lathe",
    "Morwick",
)  # fmt: skip
LEFT_HANDED = 0.12
SPREAD = 0.22
"""Standard deviation of a modelled reading about the measured one, in widths of the limits [a choice, for show]."""
SCANNERS: Final = (("scanner 1", "North Quay", 5), ("scanner 2", "North Quay", 40), ("scanner 3", "Old Mill", 160))
"""Each site's scanners, and how many days before the term they were calibrated: the last one's calibration is old by its end."""
CALIBRATED: Final = "ball plate, within its tolerance (simulated)"
REFERENCES, REREAD, OFFSET = 10, 3, 0.5
"""Pieces of the exam read again on both scanners of its site, how often on each, and how far the second lies from the first, in standard
uncertainties of the reading [a choice, for show]."""
LINE: Final = "modified Angoff"
LINE_REASON: Final = "few pieces have an examiner's overall view yet, so the panel's judgement decides; to be held against the regression once the queue is empty"
ACTED: Final = (
    ("about", "action", "owner", "by"),
    ("scanner 3", "calibrate on the ball plate and read ten pieces of the exam again", "Sunniva Holt (invented)", ""),
)
NOTES: Final = {
    "met": ("Just inside on the section.", "Inside: the far wall carries the reading.", "Within limits where it matters."),
    "not met": ("Outside on the section, on the far side.", "A little too far here; see the marked place.", "Short of the limit along the floor."),
}  # fmt: skip
PROMPTS: Final = ("What would you do first another time?", "Where did your own view and the readings part?")
WEEK = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class DemoTerm:
    """What was made: ids by what they are called, sittings in the order of the term; `look_first` is the exam."""

    sites: Mapping[str, str]
    people: Mapping[str, str]
    sittings: tuple[str, ...]
    look_first: str
    pieces: int
    measured: int


@dataclass(frozen=True, slots=True)
class _Real:
    """A piece that was cut in simulation and truly measured."""

    level: str
    content: bytes
    neighbours: Mapping[str, bytes]
    assessed: Assessed


@dataclass(slots=True)
class _Making:
    """A term while it is made."""

    store: Store
    settings: Settings
    rng: np.random.Generator
    say: Callable[[str], None]
    began: datetime
    sites: dict[str, str] = field(default_factory=dict)
    people: dict[str, str] = field(default_factory=dict)
    stations: dict[str, list[str]] = field(default_factory=dict)
    levels: dict[str, float] = field(default_factory=dict)
    sittings: list[str] = field(default_factory=list)
    pieces: int = 0
    measured: int = 0


def make_term(
    store: Store,
    *,
    settings: Settings,
    seed: int = 7,
    today: datetime | None = None,
    password_hash: str | None = None,
    draw: Draw | None = None,
    say: Callable[[str], None] = lambda _: None,
) -> DemoTerm:
    """Fill an empty store with an invented term, step by step, so that a server may show it as it grows.

    People and sites stand after the first second; each exercise's practice as soon as its pieces are measured; the exam last.

    Parameters
    ----------
    store : Store
        Empty.
    settings : Settings
        As many processes cut and measure as it has threads.
    seed : int
        The same seed gives the same pieces and readings; codes and ids are drawn anew.
    today : datetime, optional
        The term's last day; now where left out.
    password_hash : str, optional
        Given to every account; logins are `lead`, `teacher`, `technician`, `auditor`, `examiner1` … and `learner01` ….
    draw : callable, optional
        Makes files for the pages out of truly measured pieces, as for `sittings.work.Workforce`.
    say : callable
        Called with each step.
    """
    making = _Making(store, settings, np.random.default_rng(seed), say, (today or datetime.now(UTC)) - 12 * WEEK)
    say(f"{SCHOOL}: everything here is invented and every piece is simulated.")
    _people(making, password_hash)
    processes = max(1, settings.threads)
    with ProcessPoolExecutor(processes, mp_context=multiprocessing.get_context("spawn")) as pool:
        jobs: dict[Future[list[_Real]], str] = {
            pool.submit(_cut_and_measure, name, LEVELS_OF_REAL, seed, settings, draw): name for name in EXERCISES
        }
        real: dict[str, list[_Real]] = {}
        for done in as_completed(jobs):
            name = jobs[done]
            real[name] = done.result()
            if not real[name] and name != EXAM:
                say(f"{name}: none of its pieces could be measured here; left out")
                continue
            assert real[name], f"no piece of {name}, the exam's exercise, could be measured"
            making.rng = np.random.default_rng([seed, EXERCISES.index(name)])  # whichever is ready first
            _practice(making, name, real[name])
            if name == EXAM:
                proof = pool.submit(proof_of, EXAM, settings=replace(settings, threads=1))
                more = pool.submit(_cut_and_measure, EXAM, REAL_IN_EXAM, seed + 1, settings, draw)
        making.rng = np.random.default_rng([seed, len(EXERCISES)])
        _exam(making, more.result(), real[EXAM], proof.result())
    _board_meets(making)
    say(
        f"ready: {making.pieces} pieces, {making.measured} of them truly measured, the others' readings modelled around those."
    )
    return DemoTerm(
        making.sites, making.people, tuple(making.sittings), making.sittings[-1], making.pieces, making.measured
    )


def _people(making: _Making, password_hash: str | None) -> None:
    """Sites and everybody, with accounts; a learner's level says how close to the able end their hand is."""
    store, rng = making.store.at(lambda: making.began), making.rng
    for name in SITES:
        making.sites[name] = add_site(store, PROGRAM, name)
    if "name" not in school_settings(store):
        set_school_setting(store, PROGRAM, "name", SCHOOL)
    north, mill = making.sites.values()
    for device, site, days in SCANNERS:
        site_id = making.sites[site]
        key, _ = make_station_key(store, PROGRAM, site_id=site_id, rig=device)
        making.stations.setdefault(site_id, []).append(key)
        note_calibration(
            store, PROGRAM, site_id=site_id, device=device, done_at=making.began - timedelta(days=days), note=CALIBRATED
        )
    staff: list[tuple[str, str, list[tuple[str, str | None]]]] = [
        ("lead", "Runa Adeyemi", [("lead", None)]),
        ("teacher", "Ivo Marrick", [("teacher", north), ("teacher", mill)]),
    ]
    staff += [("technician", "Sunniva Holt", [("technician", None)]), ("auditor", "Piers Tarn", [("auditor", None)])]
    staff += [(f"examiner{n + 1}", f"{GIVEN[-1 - n]} {FAMILY[-1 - n]}", [("examiner", None)]) for n in range(EXAMINERS)]
    for login, name, roles in staff:
        making.people[login] = add_person(
            store, PROGRAM, code=login, name=f"{name} (invented)", login=login, roles=roles
        )
    for n in range(LEARNERS):
        code, name = f"L{n + 1:03d}", f"{GIVEN[n % len(GIVEN)]} {FAMILY[(5 * n + n // 20) % len(FAMILY)]}"
        site = (north, mill)[n % 2]
        login = f"learner{n + 1:02d}"
        making.people[login] = add_person(store, PROGRAM, code=code, name=name, login=login, roles=[("learner", site)])
        making.levels[login] = float(np.clip(rng.normal(0.45, 0.25), 0.0, 1.0))
    with store.write() as tx:
        for login, person_id in making.people.items():
            row = tx.get(kept.Person, person_id)
            assert row is not None
            row.password = password_hash
            if login.startswith("learner"):
                hand = "left" if rng.random() < LEFT_HANDED else "right"
                tx.add(kept.Trait(person_id=person_id, name="hand", value=hand, consented_at=tx.now))
    making.say(f"{len(making.people)} people at {len(SITES)} sites")


def _practice(making: _Making, name: str, real: Sequence[_Real]) -> None:
    """An exercise's practice at each site: two attempts a learner, the second nearer the able hand; own views of all of it."""
    week = EXERCISES.index(name)
    at = making.began + week * WEEK + timedelta(days=1)
    exercise_id = import_exercise(making.store.at(lambda: at), PROGRAM, name, settings=making.settings, prove=False)
    with making.store.read() as tx:
        criteria = criteria_of(tx, exercise_id)
    for site, site_id in making.sites.items():
        sitting = open_sitting(
            making.store.at(lambda: at), PROGRAM, title=f"{_title(making, exercise_id)}, practice at {site}", site_id=site_id,
            exercise_id=exercise_id, opens_at=at, prompts=PROMPTS, simulated=True,
        )  # fmt: skip
        learners = _learners_at(making, site_id)
        seat_learners(making.store.at(lambda: at), PROGRAM, sitting, [making.people[login] for login in learners])
        _fill(making, sitting, criteria, real if site == SITES[0] else (), _attempts(making, learners, real, at))
        making.sittings.append(sitting)
        if week < len(EXERCISES) - 1:
            close_sitting(making.store.at(lambda: at + WEEK), PROGRAM, sitting)
    making.say(f"{name}: practice at both sites")


def _exam(making: _Making, real: Sequence[_Real], modelled_on: Sequence[_Real], proof: Proof) -> None:
    """The exam of the last week: blind, two examiners where it is close; some pieces examined, some waiting, one seat empty."""
    at = making.began + 11 * WEEK
    store = making.store.at(lambda: at)
    exercise_id = import_exercise(store, PROGRAM, EXAM, settings=making.settings, prove=False)
    keep_proof(store, PROGRAM, exercise_id, proof)
    with store.read() as tx:
        criteria = criteria_of(tx, exercise_id)
    site_id = making.sites[SITES[0]]
    sitting = open_sitting(
        store, PROGRAM, title=f"{_title(making, exercise_id)}, end of term exam", site_id=site_id, exercise_id=exercise_id, kind="exam",
        opens_at=at, second="unsure", agree_percent=8.0, prompts=PROMPTS, simulated=True,
    )  # fmt: skip
    learners = [login for login in making.people if login.startswith("learner")]
    seat_learners(store, PROGRAM, sitting, [making.people[login] for login in learners])
    for n in range(EXAMINERS):
        appoint(store, PROGRAM, sitting, making.people[f"examiner{n + 1}"], "examiner")
    appoint(store, PROGRAM, sitting, making.people["lead"], "moderator")
    attempts = [
        (login, 1, making.levels[login], at + timedelta(minutes=20 + 2 * n)) for n, login in enumerate(learners[:-1])
    ]
    _fill(making, sitting, criteria, real, _chosen(making, attempts, [*real, *modelled_on]))
    close_sitting(making.store.at(lambda: at + timedelta(hours=4)), PROGRAM, sitting)
    _examine_some(making, sitting, at + timedelta(days=1))
    _read_some_again(making, sitting, at + timedelta(days=2))
    making.sittings.append(sitting)


Attempt = tuple[str, int, datetime, _Real]


def _attempts(making: _Making, learners: Sequence[str], real: Sequence[_Real], at: datetime) -> Iterator[Attempt]:
    plan = [
        (
            login,
            attempt,
            making.levels[login] + 0.2 * (attempt - 1),
            at + timedelta(days=3 * (attempt - 1), minutes=7 * n),
        )
        for attempt in (1, 2)
        for n, login in enumerate(learners)
    ]
    return _chosen(making, plan, real)


def _chosen(
    making: _Making, plan: Sequence[tuple[str, int, float, datetime]], real: Sequence[_Real]
) -> Iterator[Attempt]:
    """With each attempt the measured piece it is modelled on: of the level nearest to how the hand was that day."""
    for login, attempt, level, at in plan:
        that_day = level + making.rng.normal(0.0, 0.15)
        word = "novice" if that_day < 0.3 else "middle" if that_day < 0.65 else "able"
        fitting = [one for one in real if one.level == word] or list(real)
        yield login, attempt, at, fitting[int(making.rng.integers(len(fitting)))]


def _fill(
    making: _Making,
    sitting_id: str,
    criteria: tuple[CriterionLine, ...],
    real: Sequence[_Real],
    attempts: Iterator[Attempt],
) -> None:
    """Pieces of a sitting: the truly measured ones first, as the first learners', then modelled ones; and their own views."""
    waiting = list(real)
    with making.store.write() as tx:
        seats = {s.learner_id: s for s in tx.all(kept.Seat, kept.Seat.sitting_id == sitting_id)}
        sitting = tx.get(kept.Sitting, sitting_id)
        assert sitting is not None
        for login, attempt, at, base in attempts:
            seat = seats[making.people[login]]
            tx.now = at
            if waiting:
                one = waiting.pop(0)
                piece = _piece(tx, making, sitting, seat, attempt, one.content, "piece.ply", one.neighbours)
                _keep_real(tx, making, piece, one)
                assessed = one.assessed
                making.measured += 1
            else:
                assessed, model = _modelled(base, criteria, making.rng)
                piece = _piece(tx, making, sitting, seat, attempt, model, "modelled.json", {})
                keep_assessment(tx, piece, assessed, blob=None, modelled=True)
            making.pieces += 1
            tx.now = at + timedelta(minutes=6)
            if making.rng.random() < 0.95:
                _own_view(tx, making, piece, criteria, assessed, making.levels[login])


def _piece(
    tx: Transaction, making: _Making, sitting: kept.Sitting, seat: kept.Seat, attempt: int, content: bytes, name: str,
    neighbours: Mapping[str, bytes],
) -> kept.Piece:  # fmt: skip
    """A piece's row with its files, as handing it in would have left it, already done with."""
    files = {side: making.store.blobs.put(file) for side, file in neighbours.items()}
    own = making.store.blobs.put(content)
    for sha256, size in (own, *files.values()):
        tx.note_blob(sha256, size)
    row = kept.Piece(
        id=kept.new_id(), sitting_id=sitting.id, seat_id=seat.id, learner_id=seat.learner_id,
        exercise_version_id=sitting.exercise_version_id, attempt=attempt, idempotency_key=f"{seat.id}{attempt}".ljust(64, "0"), blob=own[0],
        station_id=_station(making, sitting.site_id, seat.learner_id), file_name=name, neighbours={side: sha for side, (sha, _) in files.items()}, state="received", received_at=tx.now, simulated=True,
    )  # fmt: skip
    tx.add(row)
    tx.add(kept.Job(piece_id=row.id, state="done", tries=1, made_at=tx.now, ended_at=tx.now))
    tx.say(
        str(PROGRAM),
        "piece handed in",
        f"piece {row.id}",
        sitting=sitting.id,
        seat=seat.id,
        attempt=attempt,
        sha256=own[0],
    )
    return row


def _station(making: _Making, site_id: str, learner_id: str) -> str:
    """The scanner a learner's pieces go through, always the same one of a site."""
    scanners = making.stations[site_id]
    return scanners[list(making.people.values()).index(learner_id) // len(SITES) % len(scanners)]


def _keep_real(tx: Transaction, making: _Making, piece: kept.Piece, one: _Real) -> None:
    text = making.store.blobs.put(one.assessed.text)
    tx.note_blob(*text)
    assessment_id = keep_assessment(tx, piece, one.assessed, blob=text[0])
    for kind, content in one.assessed.drawings.items():
        sha256, size = making.store.blobs.put(content)
        tx.note_blob(sha256, size)
        tx.add(kept.Drawing(assessment_id=assessment_id, kind=kind, blob=sha256, made_at=tx.now))


def _modelled(base: _Real, criteria: Sequence[CriterionLine], rng: np.random.Generator) -> tuple[Assessed, bytes]:
    """Readings drawn about a measured piece's, and the words that say so, which stand in for the piece's file."""
    widths = {(c.reading, c.where, c.stat): _width(c.limits) for c in criteria}
    readings = []
    for r in base.assessed.readings:
        width = next((w for (reading, where, stat), w in widths.items() if reading == r.id and where in (None, r.where) and stat in (None, r.stat)), None)  # fmt: skip
        if width is None or r.value is None:
            continue
        value = r.value + rng.normal(0.0, SPREAD * width)
        readings.append(replace(r, value=float(abs(value) if r.value >= 0.0 else value)))
    unmeasured = [r for r in base.assessed.readings if r.value is None]
    words = {
        "simulated": True, "modelled": True, "about": "readings drawn from a normal distribution about those of a truly measured simulated piece",
        "level": base.level, "spread_in_widths_of_the_limits": SPREAD, "draw": int(rng.integers(2**53)),
    }  # fmt: skip
    made = replace(base.assessed, readings=(*_bounded(readings), *unmeasured), text=b"", drawings={})
    return made, json.dumps(words, indent=1).encode()


def _bounded(readings: Sequence[Reading]) -> Iterator[Reading]:
    """Shares stay between 0 and 1."""
    for r in readings:
        yield replace(r, value=min(r.value, 1.0)) if r.unit == "1" and r.value is not None and r.value > 1.0 else r


def _width(limits: tuple[float, float]) -> float:
    low, high = limits
    if np.isfinite(low) and np.isfinite(high):
        return high - low
    edge = high if np.isfinite(high) else low
    return max(abs(edge), 0.1) if np.isfinite(edge) else 0.1


def _own_view(
    tx: Transaction,
    making: _Making,
    piece: kept.Piece,
    criteria: Sequence[CriterionLine],
    assessed: Assessed,
    level: float,
) -> None:
    """What this learner thinks of it: their eye sees the reading with an error, kindly where the hand is new."""
    values = {r.key: r for r in assessed.readings}
    own = kept.OwnView(id=kept.new_id(), piece_id=piece.id, learner_id=piece.learner_id, made_at=tx.now)
    parts = []
    for c in criteria:
        view, confidence = _seen(values.get((c.reading, c.where, c.stat)), c.limits, level, making.rng)
        parts.append(kept.OwnViewed(own_view_id=own.id, criterion=c.position, view=view, confidence=confidence))
    tx.keep(own, *parts, actor=f"person {piece.learner_id}", action="own view given", about=f"piece {piece.id}")


def _seen(
    reading: Reading | None, limits: tuple[float, float], level: float, rng: np.random.Generator
) -> tuple[str, str | None]:
    if reading is None or reading.value is None or rng.random() < 0.06:
        return "cannot tell", None
    width = _width(limits)
    looked = reading.value + rng.normal(0.0, (0.45 - 0.25 * level) * width)
    slack = (0.25 - 0.25 * level) * width
    inside = limits[0] - slack <= looked <= limits[1] + slack
    away = min(abs(looked - edge) for edge in limits if np.isfinite(edge)) / width if any(np.isfinite(limits)) else 1.0
    return ("inside" if inside else "outside"), ("guess" if away < 0.12 else "fairly sure" if away < 0.4 else "sure")


def _examine_some(making: _Making, sitting_id: str, at: datetime) -> None:
    """Examiners have begun: two thirds of what waits was seen by one, a third of that by two; the rest is the queue."""
    with making.store.read() as tx:
        sitting = tx.get(kept.Sitting, sitting_id)
        assert sitting is not None
        version = tx.get(kept.ExerciseVersion, sitting.exercise_version_id)
        assert version is not None
        pass_, found = pass_of(version), list(standings(tx, kept.Piece.sitting_id == sitting_id).values())
    waiting = [s for s in found if s.word == "waits for examiner" and s.marked is not None]
    actors = [actor_of(making.store, making.people[f"examiner{n + 1}"]) for n in range(EXAMINERS)]
    for n, s in enumerate(waiting):
        if n % 3 == 0:
            continue
        for who in range(2 if n % 3 == 1 and n % 2 else 1):
            assert s.marked is not None
            rulings = _decided(s, open_criteria(s.marked, pass_), making.rng)
            store = making.store.at(lambda when=at + timedelta(minutes=9 * n + 60 * who): when)  # type: ignore[misc]
            grade = int(np.clip(round(making.rng.normal(3.0 if (s.percent or 0.0) > 60.0 else 2.2, 0.8)), 1, 5))
            word = examine(store, actors[(n + who) % EXAMINERS], s.piece.id, rulings, grade=grade)
            if word != "waits for second examiner":
                break
    making.say(
        f"exam: {len(waiting)} of {len(found)} pieces went to examiners, of which {len(waiting[::3])} still wait"
    )


def _board_meets(making: _Making) -> None:
    """The exam's panel has judged, an action is agreed, and the lead has signed a pass line, for the exam and for all marks."""
    store = making.store.at(lambda: making.began + 11 * WEEK + timedelta(days=3))
    lead = actor_of(making.store, making.people["lead"])
    for exercise in (EXAM, ""):
        add_paper(store, lead, "panel", rows_text(PANEL), exercise=exercise)
        add_paper(store, lead, "actions", rows_text(ACTED), exercise=exercise)
        cut = angoff(panel_of(rows_text(PANEL), name="panel").angoff).cut
        sign_line(
            store, lead, exercise=exercise, method=LINE, percent=cut.value, se=cut.se, reason=LINE_REASON,
            basis={"panel": "six invented judges", "simulated": True},
        )  # fmt: skip
    making.say(f"the board (invented) has signed a pass line: {LINE}, {cut.value:.1f}")


def _read_some_again(making: _Making, sitting_id: str, at: datetime) -> None:
    """A gauge study: pieces of the exam on both scanners of its site; modelled about the reading each mark rests on, and said to be so."""
    with making.store.at(lambda: at).write() as tx:
        sitting = tx.get(kept.Sitting, sitting_id)
        assert sitting is not None
        criteria = criteria_of(tx, sitting.exercise_version_id)
        pieces = tx.all(
            kept.Piece, kept.Piece.sitting_id == sitting_id, order=[kept.Piece.received_at], limit=REFERENCES
        )
        scanners = [device for device, site, _ in SCANNERS if making.sites[site] == sitting.site_id]
        for n, (_, piece) in enumerate(product(range(REREAD), pieces)):
            assessment = tx.one(kept.Assessment, kept.Assessment.piece_id == piece.id)
            assert assessment is not None
            rows = tx.all(
                kept.Reading, kept.Reading.assessment_id == assessment.id, kept.Reading.criterion.is_not(None)
            )
            for number, device in enumerate(scanners):
                tx.now = at + timedelta(minutes=6 * n + 3 * number)
                made = Assessed(
                    assessment.kerfmark,
                    assessment.kind,
                    assessment.rms_um,
                    assessment.overlap,
                    _read_again(rows, criteria, OFFSET * number, making.rng),
                    b"",
                )
                keep_rereading(
                    tx, piece, made, device=device, blob=None, read_by=making.people["technician"], modelled=True
                )
    making.say(
        f"gauge study: {len(pieces)} pieces of the exam read {REREAD} times more on each of {len(scanners)} scanners (modelled)"
    )


def _read_again(
    rows: Sequence[kept.Reading], criteria: Sequence[CriterionLine], offset: float, rng: np.random.Generator
) -> tuple[Reading, ...]:
    """Readings of a piece once more: apart by their standard uncertainty, or a hundredth of the limits' width where they have none."""
    made = []
    for r in rows:
        if r.value is None or r.criterion is None:
            continue
        sd = r.u or 0.01 * _width(criteria[r.criterion].limits)
        made.append(Reading(r.reading, r.where, r.stat, r.value + sd * (offset + float(rng.normal())), r.unit, r.u))
    return tuple(made)


def _decided(s: Standing, open_: Sequence[int], rng: np.random.Generator) -> dict[int, tuple[Word, str]]:
    """An examiner's words on what is open: by the side the reading lies on, with an error."""
    assert s.marked is not None
    rulings: dict[int, tuple[Word, str]] = {}
    for at in open_:
        p = s.marked.rulings[at].probability_inside
        word: Word = "met" if rng.random() < (0.5 if p is None else p) else "not met"
        rulings[at] = word, NOTES[word][int(rng.integers(len(NOTES[word])))]
    return rulings


def _learners_at(making: _Making, site_id: str) -> list[str]:
    logins = [login for login in making.people if login.startswith("learner")]
    return logins[0::2] if site_id == making.sites[SITES[0]] else logins[1::2]


def _title(making: _Making, exercise_id: str) -> str:
    with making.store.read() as tx:
        row = tx.get(kept.ExerciseVersion, exercise_id)
    assert row is not None
    return row.title


def _cut_and_measure(
    exercise: str, levels: Sequence[str], seed: int, settings: Settings, draw: Draw | None
) -> list[_Real]:
    """In a process: cut pieces of an exercise by simulated hands, scan and measure them; one that cannot be measured is left out."""
    from kerfmark.demo.learners import simulated_piece
    from kerfmark.errors import KerfmarkError
    from kerfmark.pipeline import open_exercise

    alone = replace(settings, threads=1)
    loaded, prepared = open_exercise(exercise, settings=alone)
    found = []
    with tempfile.TemporaryDirectory() as folder:
        for n, level in enumerate(levels):
            path = Path(folder) / f"{n}.ply"
            piece = simulated_piece(exercise, level=level, seed=1000 * seed + n, settings=alone)
            beside = piece.write(path)
            try:
                assessed = measured(loaded, prepared, path, neighbours=beside, settings=alone, draw=draw)
            except KerfmarkError:
                continue
            neighbours = {side: file.read_bytes() for side, file in beside.items()}
            found.append(_Real(level, path.read_bytes(), neighbours, assessed))
    return found
