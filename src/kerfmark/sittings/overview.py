"""Sittings as their people see them: who is where, what adds up, what waits."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from kerfmark.errors import MissingError
from kerfmark.sittings.belonging import appointed, own_sittings, released
from kerfmark.sittings.marks import Standing, StandingWord, standings
from kerfmark.sittings.rights import Actor, may
from kerfmark.storage import Store, Transaction, select
from kerfmark.storage.schema import (
    Appointment,
    ExerciseVersion,
    Person,
    Piece,
    Release,
    Seat,
    Site,
    Sitting,
)

__all__ = ["AppointmentLine", "Counts", "SeatLine", "SittingLine", "SittingPage", "sitting", "sittings"]


@dataclass(frozen=True, slots=True)
class Counts:
    """What adds up in a sitting: seats = handed_in + nothing_yet; pieces = received + set_aside + waits + settled + signed."""

    seats: int
    handed_in: int
    nothing_yet: int
    pieces: int
    received: int
    set_aside: int
    waits: int
    settled: int
    signed: int

    @property
    def unaccounted(self) -> int:
        """Seats and pieces that no count holds; anything but 0 is said before all else."""
        seats = self.seats - self.handed_in - self.nothing_yet
        return abs(seats) + abs(self.pieces - self.received - self.set_aside - self.waits - self.settled - self.signed)


@dataclass(frozen=True, slots=True)
class SittingLine:
    """A sitting as lists show it."""

    id: str
    title: str
    site_id: str
    site: str
    exercise_id: str
    exercise_title: str
    kind: str
    state: str
    opens_at: datetime
    closes_at: datetime | None
    simulated: bool
    counts: Counts


@dataclass(frozen=True, slots=True)
class SeatLine:
    """A seat: the learner is None where the actor sees codes only. `pieces` are (id, attempt, word, outcome or None)."""

    id: str
    code: str
    learner_id: str | None
    learner_code: str | None
    learner_name: str | None
    place: str | None
    pieces: tuple[tuple[str, int, StandingWord, str | None], ...]


@dataclass(frozen=True, slots=True)
class AppointmentLine:
    """Who examines or moderates here."""

    id: str
    person_id: str
    name: str
    part: str


@dataclass(frozen=True, slots=True)
class SittingPage:
    """All of a sitting that the actor may see."""

    line: SittingLine
    attempts: int | None
    blind: bool
    own_view: bool
    second: str
    second_share: float
    agree_percent: float
    prompts: tuple[str, ...]
    limits: tuple[tuple[float | None, float | None], ...] | None
    seats: tuple[SeatLine, ...]
    appointments: tuple[AppointmentLine, ...]
    released_at: datetime | None
    may_change: bool


def sittings(store: Store, actor: Actor) -> list[SittingLine]:
    """Sittings the actor oversees, is appointed to or has a seat in, newest first."""
    with store.read() as tx:
        own = own_sittings(tx, actor)
        rows = [
            row
            for row in tx.all(Sitting, order=[Sitting.opens_at.desc(), Sitting.id])
            if row.id in own or may(actor, "sitting.see", row.site_id)
        ]
        return [_line(tx, row, actor) for row in rows]


def sitting(store: Store, actor: Actor, sitting_id: str) -> SittingPage:
    """One sitting: for a learner their own seat, for an appointed examiner of a blind one codes only."""
    with store.read() as tx:
        row = tx.get(Sitting, sitting_id)
        own = set() if row is None else own_sittings(tx, actor)
        if row is None or not (row.id in own or may(actor, "sitting.see", row.site_id)):
            raise MissingError("there is no such sitting. Choose one of the list.")
        return _page(tx, row, actor)


def _page(tx: Transaction, row: Sitting, actor: Actor) -> SittingPage:
    release = released(tx, row)
    oversees = may(actor, "sitting.see", row.site_id)
    parts = appointed(tx, actor, row.id)
    named = oversees and not (parts and row.blind and release is None)
    seats, found = _seats(tx, row), standings(tx, Piece.sitting_id == row.id)
    if not oversees and not parts:
        seats = [seat for seat in seats if seat[0].learner_id == actor.person_id]
    lines = []
    for seat, person in seats:
        own = [s for s in found.values() if s.piece.seat_id == seat.id]
        mine = seat.learner_id == actor.person_id
        lines.append(_seat_line(seat, person, own, named=named or mine, outcome=_shows_outcome(row, release, mine)))
    rows = [] if not (oversees or parts) else _appointments(tx, row.id)
    return SittingPage(
        _line(tx, row, actor, found), row.attempts, row.blind, row.own_view, row.second, row.second_share, row.agree_percent,
        tuple(row.prompts), None if row.limits is None else tuple((low, high) for low, high in row.limits), tuple(lines), tuple(rows),
        None if release is None else release.made_at, may(actor, "sitting.open", row.site_id) and release is None,
    )  # fmt: skip


def _shows_outcome(row: Sitting, release: Release | None, mine: bool) -> bool:
    """A learner reads the outcome on the piece's own page, after the own view; in an exam's list only after release."""
    return not mine or (row.kind == "exam" and release is not None)


def _seat_line(seat: Seat, person: Person, own: list[Standing], *, named: bool, outcome: bool) -> SeatLine:
    pieces = tuple(
        (s.piece.id, s.piece.attempt, s.word, s.outcome if outcome and s.word in ("settled", "signed") else None)
        for s in sorted(own, key=lambda s: s.piece.attempt)
    )
    if not named:
        return SeatLine(seat.id, seat.code, None, None, None, seat.place, pieces)
    return SeatLine(seat.id, seat.code, person.id, person.code, person.name, seat.place, pieces)


def _seats(tx: Transaction, row: Sitting) -> list[tuple[Seat, Person]]:
    query = select(Seat, Person).join(Person, Person.id == Seat.learner_id).where(Seat.sitting_id == row.id)
    return [(r[0], r[1]) for r in tx.rows(query.order_by(Seat.code))]


def _appointments(tx: Transaction, sitting_id: str) -> list[AppointmentLine]:
    query = select(Appointment, Person).join(Person, Person.id == Appointment.person_id)
    query = query.where(Appointment.sitting_id == sitting_id, Appointment.ended_at.is_(None)).order_by(Person.name)
    return [AppointmentLine(a.id, p.id, p.name, a.part) for a, p in tx.rows(query)]


def _line(tx: Transaction, row: Sitting, actor: Actor, found: Mapping[str, Standing] | None = None) -> SittingLine:
    site, exercise = tx.get(Site, row.site_id), tx.get(ExerciseVersion, row.exercise_version_id)
    assert site is not None
    assert exercise is not None
    oversees = may(actor, "sitting.see", row.site_id) or bool(appointed(tx, actor, row.id))
    return SittingLine(
        row.id, row.title, site.id, site.name, exercise.id, exercise.title, row.kind, row.state, row.opens_at, row.closes_at,
        row.simulated, _counts(tx, row, None if oversees else actor.person_id, found if oversees else None),
    )  # fmt: skip


def _counts(
    tx: Transaction, row: Sitting, learner_id: str | None, known: Mapping[str, Standing] | None = None
) -> Counts:
    """Of the whole sitting, or of one learner's own seat; `known` are the whole sitting's standings where they are at hand."""
    where = [Piece.sitting_id == row.id]
    seats = [Seat.sitting_id == row.id]
    if learner_id is not None:
        where.append(Piece.learner_id == learner_id)
        seats.append(Seat.learner_id == learner_id)
    found = standings(tx, *where) if known is None else known
    words = Counter(s.word for s in found.values())
    all_seats = {r[0] for r in tx.rows(select(Seat.id).where(*seats))}
    handed_in = {s.piece.seat_id for s in found.values()}
    waits = sum(number for word, number in words.items() if word.startswith("waits"))
    return Counts(
        len(all_seats), len(handed_in), len(all_seats - handed_in), len(found), words["received"], words["set aside"], waits,
        words["settled"], words["signed"],
    )  # fmt: skip
