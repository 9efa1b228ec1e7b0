"""The term from its first week to the exam, in the order in which it happens."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

import numpy as np

from kerfmark.demo.school.deciding import board_meets, examine_some, read_some_again
from kerfmark.demo.school.making import EXAM, EXAMINERS, EXERCISES, SITES, WEEK, Making, Real, cut_and_measure
from kerfmark.demo.school.people import SCHOOL, add_people
from kerfmark.demo.school.pieces import attempts_of, chosen, fill
from kerfmark.sittings.exercises import criteria_of, import_exercise, keep_proof, proof_of
from kerfmark.sittings.opening import close_sitting, open_sitting
from kerfmark.sittings.rights import PROGRAM
from kerfmark.sittings.seating import appoint, seat_learners
from kerfmark.storage import Store
from kerfmark.storage import schema as kept

if TYPE_CHECKING:
    from kerfmark.exercise.proof import Proof
    from kerfmark.settings import Settings
    from kerfmark.sittings.apart import Draw

__all__ = ["DemoTerm", "make_term"]

LEVELS_OF_REAL: Final = ("able", "middle", "novice")
REAL_IN_EXAM: Final = ("middle", "novice", "able", "middle")
PROMPTS: Final = ("What would you do first another time?", "Where did your own view and the readings part?")


@dataclass(frozen=True, slots=True)
class DemoTerm:
    """What was made: ids by what they are called, sittings in the order of the term; `look_first` is the exam."""

    sites: Mapping[str, str]
    people: Mapping[str, str]
    sittings: tuple[str, ...]
    look_first: str
    pieces: int
    measured: int


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
    making = Making(store, settings, np.random.default_rng(seed), say, (today or datetime.now(UTC)) - 12 * WEEK)
    say(f"{SCHOOL}: everything here is invented and every piece is simulated.")
    add_people(making, password_hash)
    processes = max(1, settings.threads)
    with ProcessPoolExecutor(processes, mp_context=multiprocessing.get_context("spawn")) as pool:
        jobs: dict[Future[list[Real]], str] = {
            pool.submit(cut_and_measure, name, LEVELS_OF_REAL, seed, settings, draw): name for name in EXERCISES
        }
        real: dict[str, list[Real]] = {}
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
                more = pool.submit(cut_and_measure, EXAM, REAL_IN_EXAM, seed + 1, settings, draw)
        making.rng = np.random.default_rng([seed, len(EXERCISES)])
        _exam(making, more.result(), real[EXAM], proof.result())
    board_meets(making)
    say(
        f"ready: {making.pieces} pieces, {making.measured} of them truly measured, the others' readings modelled around those."
    )
    return DemoTerm(
        making.sites, making.people, tuple(making.sittings), making.sittings[-1], making.pieces, making.measured
    )


def _practice(making: Making, name: str, real: Sequence[Real]) -> None:
    """An exercise's practice at each site: two attempts a learner, the second nearer the able hand, and their own views.

    The last one stays open: there the first learner has just cut once more and has not judged it yet.
    """
    week = EXERCISES.index(name)
    last = week == len(EXERCISES) - 1
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
        here = list(real) if site == SITES[0] else []
        fresh = [here.pop()] if last and here else []
        fill(making, sitting, criteria, here, attempts_of(making, learners, real, at))
        again = [(learners[0], 3, at + timedelta(days=6), one) for one in fresh]
        fill(making, sitting, criteria, fresh, again, judged=0.0)
        making.sittings.append(sitting)
        if not last:
            close_sitting(making.store.at(lambda: at + WEEK), PROGRAM, sitting)
    making.say(f"{name}: practice at both sites")


def _exam(making: Making, real: Sequence[Real], modelled_on: Sequence[Real], proof: Proof) -> None:
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
    fill(making, sitting, criteria, real, chosen(making, attempts, [*real, *modelled_on]))
    close_sitting(making.store.at(lambda: at + timedelta(hours=4)), PROGRAM, sitting)
    examine_some(making, sitting, at + timedelta(days=1))
    read_some_again(making, sitting, at + timedelta(days=2))
    making.sittings.append(sitting)


def _learners_at(making: Making, site_id: str) -> list[str]:
    logins = [login for login in making.people if login.startswith("learner")]
    return logins[0::2] if site_id == making.sites[SITES[0]] else logins[1::2]


def _title(making: Making, exercise_id: str) -> str:
    with making.store.read() as tx:
        row = tx.get(kept.ExerciseVersion, exercise_id)
    assert row is not None
    return row.title
