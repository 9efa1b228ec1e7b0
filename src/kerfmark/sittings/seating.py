"""Sittings: opened, seated from a roster, staffed with examiners, closed; and what adds up in them."""

from __future__ import annotations

import csv
import io
import secrets
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal, TypeAlias

from kerfmark.errors import ConflictError, InputError, MissingError, printable
from kerfmark.sittings.marks import Standing, StandingWord, standings
from kerfmark.sittings.people import add_person_within, set_trait
from kerfmark.sittings.rights import Actor, may, require
from kerfmark.storage import Store, Transaction, select
from kerfmark.storage.schema import (
    Appointment,
    ExerciseVersion,
    Grant,
    Person,
    Piece,
    Release,
    Seat,
    Site,
    Sitting,
    new_id,
)

__all__ = [
    "AppointmentLine",
    "Counts",
    "RosterResult",
    "SeatLine",
    "SittingLine",
    "SittingPage",
    "appoint",
    "close_sitting",
    "end_appointment",
    "import_roster",
    "open_sitting",
    "reopen_sitting",
    "seat_learners",
    "sitting",
    "sittings",
]

Kind: TypeAlias = Literal["practice", "exam"]
Second: TypeAlias = Literal["none", "all", "unsure", "part"]
CODE_LETTERS = "BCDFGHJKMNPQRSTVWXYZ23456789"
"""No vowels, so that no code is a word, and nothing that looks like something else."""
CODE_LENGTH = 4
ROSTER = ("code", "name", "email", "place", "hand", "group")
ROSTER_ROWS = 5000


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


@dataclass(frozen=True, slots=True)
class RosterResult:
    """What became of a roster: people added, people known already, seats given, rows passed over and why."""

    added: int
    known: int
    seated: int
    faults: tuple[str, ...]


def open_sitting(
    store: Store,
    actor: Actor,
    *,
    title: str,
    site_id: str,
    exercise_id: str,
    kind: Kind = "practice",
    opens_at: datetime | None = None,
    closes_at: datetime | None = None,
    attempts: int | None = None,
    blind: bool | None = None,
    own_view: bool = True,
    second: Second = "none",
    second_share: float = 0.1,
    agree_percent: float = 10.0,
    prompts: Sequence[str] = (),
    simulated: bool = False,
) -> str:
    """Open a sitting; returns its id.

    Parameters
    ----------
    kind : str
        `practice`: the reveal follows the own view. `exam`: blind unless said otherwise, signed, shown after release; the
        exercise must have been proved to be markable.
    opens_at, closes_at : datetime, optional
        Pieces are taken in between; now, and until closed, where left out.
    attempts : int, optional
        Most pieces a learner may hand in; an exam's default is 1, practice has no limit. Pieces set aside do not count.
    second, second_share, agree_percent
        See `storage.schema.Sitting`.
    prompts : sequence of str
        Asked in the learner's reflection after the reveal.

    Raises
    ------
    ConflictError
        If an exam's exercise was not proved, or proved not to be markable.
    """
    require(actor, "sitting.open", site_id)
    _check(title, kind, second, attempts=attempts, second_share=second_share, agree_percent=agree_percent)
    exam = kind == "exam"
    with store.write() as tx:
        _check_place(tx, site_id, exercise_id, exam=exam)
        row = Sitting(
            id=new_id(), title=" ".join(title.split()), site_id=site_id, exercise_version_id=exercise_id, kind=kind, state="open",
            opens_at=opens_at or tx.now, closes_at=closes_at, attempts=attempts if attempts is not None else 1 if exam else None,
            blind=exam if blind is None else blind, own_view=own_view, second=second, second_share=second_share,
            agree_percent=agree_percent, prompts=[p.strip()[:500] for p in prompts if p.strip()], limits=None,
            simulated=simulated, opened_by=actor.person_id, made_at=tx.now,
        )  # fmt: skip
        if row.closes_at is not None and row.closes_at <= row.opens_at:
            raise InputError("the sitting closes before it opens, expected a later time. Correct the times.")
        tx.add(row)
        tx.say(str(actor), "sitting opened", f"sitting {row.id}", kind=kind, exercise=exercise_id)
        return row.id


def close_sitting(store: Store, actor: Actor, sitting_id: str) -> None:
    """Take in no more pieces."""
    _turn(store, actor, sitting_id, "open", "closed", "sitting closed")


def reopen_sitting(store: Store, actor: Actor, sitting_id: str) -> None:
    """Take in pieces again; not after release."""
    _turn(store, actor, sitting_id, "closed", "open", "sitting reopened")


def seat_learners(store: Store, actor: Actor, sitting_id: str, learner_ids: Iterable[str]) -> int:
    """Give learners seats with codes; who has one keeps it. Returns how many seats are new."""
    with store.write() as tx:
        row = _to_change(tx, actor, sitting_id)
        return sum(_seat(tx, actor, row, learner_id, None) for learner_id in dict.fromkeys(learner_ids))


def import_roster(store: Store, actor: Actor, sitting_id: str, text: str) -> RosterResult:
    """Seat everybody on a roster; who is not known yet is added as a learner of the sitting's site.

    Parameters
    ----------
    text : str
        CSV with a first row of column names: `code` and `name`, and where wanted `email`, `place`, `hand` and `group`
        (the last two only with the learner's consent). Comma or semicolon.

    Raises
    ------
    InputError
        If it is no such table; single rows that cannot be used are passed over and named in `faults`.
    """
    rows = _roster_rows(text)
    with store.write() as tx:
        row = _to_change(tx, actor, sitting_id)
        added, known, seated, faults = 0, 0, 0, list[str]()
        for number, entry in rows:
            try:
                person_id, new = _learner(tx, actor, row.site_id, entry)
                added, known = added + new, known + (not new)
                seated += _seat(tx, actor, row, person_id, entry.get("place") or None)
            except InputError as fault:
                faults.append(f"row {number}: {fault}")
                continue
            for trait in ("hand", "group"):
                if entry.get(trait):
                    set_trait(tx, actor, person_id, trait, entry[trait])
        tx.say(
            str(actor), "roster imported", f"sitting {sitting_id}", added=added, seated=seated, passed_over=len(faults)
        )
    return RosterResult(added, known, seated, tuple(faults))


def appoint(store: Store, actor: Actor, sitting_id: str, person_id: str, part: Literal["examiner", "moderator"]) -> str:
    """Let an examiner examine, or moderate, this sitting; returns the appointment's id."""
    if part not in ("examiner", "moderator"):
        raise InputError(f"part is '{printable(part)}', expected examiner or moderator. Choose one.")
    with store.write() as tx:
        row = _to_change(tx, actor, sitting_id)
        roles = ("examiner",) if part == "examiner" else ("examiner", "lead")
        held = tx.all(Grant, Grant.person_id == person_id, Grant.role.in_(roles), Grant.ended_at.is_(None))
        if not any(g.site_id in (None, row.site_id) for g in held):
            raise ConflictError(
                f"this person holds no role as {' or '.join(roles)} at the sitting's site. Give it first."
            )
        if tx.one(Seat, Seat.sitting_id == sitting_id, Seat.learner_id == person_id) is not None:
            raise ConflictError("this person has a seat in the sitting, expected somebody else. Choose another.")
        found = tx.one(
            Appointment,
            Appointment.sitting_id == sitting_id,
            Appointment.person_id == person_id,
            Appointment.part == part,
        )
        if found is None:
            found = Appointment(id=new_id(), sitting_id=sitting_id, person_id=person_id, part=part, made_at=tx.now)
            tx.add(found)
        found.ended_at = None
        tx.say(str(actor), "appointed", f"sitting {sitting_id}", person=person_id, part=part)
        return found.id


def end_appointment(store: Store, actor: Actor, appointment_id: str) -> None:
    """End an appointment; what was examined stays."""
    with store.write() as tx:
        row = tx.get(Appointment, appointment_id)
        if row is None:
            raise MissingError("there is no such appointment. Choose one of the list.")
        _to_change(tx, actor, row.sitting_id)
        row.ended_at = tx.now
        tx.say(str(actor), "appointment ended", f"sitting {row.sitting_id}", person=row.person_id, part=row.part)


def sittings(store: Store, actor: Actor) -> list[SittingLine]:
    """Sittings the actor oversees, is appointed to or has a seat in, newest first."""
    with store.read() as tx:
        own = _own(tx, actor)
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
        own = set() if row is None else _own(tx, actor)
        if row is None or not (row.id in own or may(actor, "sitting.see", row.site_id)):
            raise MissingError("there is no such sitting. Choose one of the list.")
        return _page(tx, row, actor)


def released(tx: Transaction, row: Sitting) -> Release | None:
    """A sitting's last release."""
    found = tx.all(Release, Release.sitting_id == row.id, order=[Release.made_at.desc()], limit=1)
    return found[0] if found else None


def appointed(tx: Transaction, actor: Actor, sitting_id: str) -> frozenset[str]:
    """The parts the actor is appointed to here and holds the role for."""
    if actor.person_id is None or not actor.allows("read"):
        return frozenset()
    rows = tx.all(
        Appointment,
        Appointment.sitting_id == sitting_id,
        Appointment.person_id == actor.person_id,
        Appointment.ended_at.is_(None),
    )
    return frozenset(row.part for row in rows)


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


def _own(tx: Transaction, actor: Actor) -> set[str]:
    """Sittings the actor has a seat in or is appointed to."""
    if actor.person_id is None or not actor.allows("read"):
        return set()
    seated = select(Seat.sitting_id).where(Seat.learner_id == actor.person_id)
    parts = select(Appointment.sitting_id)
    parts = parts.where(Appointment.person_id == actor.person_id, Appointment.ended_at.is_(None))
    return {row[0] for query in (seated, parts) for row in tx.rows(query)}


def _turn(store: Store, actor: Actor, sitting_id: str, before: str, after: str, words: str) -> None:
    with store.write() as tx:
        row = _to_change(tx, actor, sitting_id)
        if row.state != before:
            raise ConflictError(f"the sitting is {row.state}, expected it to be {before}. Nothing was changed.")
        row.state = after
        row.closed_at = tx.now if after == "closed" else None
        tx.say(str(actor), words, f"sitting {sitting_id}")


def _to_change(tx: Transaction, actor: Actor, sitting_id: str) -> Sitting:
    row = tx.get(Sitting, sitting_id, lock=True)
    if row is None or not (may(actor, "sitting.see", row.site_id) or row.id in _own(tx, actor)):
        raise MissingError("there is no such sitting. Choose one of the list.")
    require(actor, "sitting.open", row.site_id)
    return row


def _seat(tx: Transaction, actor: Actor, row: Sitting, learner_id: str, place: str | None) -> bool:
    if tx.get(Person, learner_id) is None:
        raise MissingError("there is no such learner. Choose one of the list.")
    if tx.one(Seat, Seat.sitting_id == row.id, Seat.learner_id == learner_id) is not None:
        return False
    if any(a.person_id == learner_id for a in tx.all(Appointment, Appointment.sitting_id == row.id, Appointment.ended_at.is_(None))):  # fmt: skip
        raise ConflictError("this person examines the sitting, expected a learner. End the appointment first.")
    taken = {r[0] for r in tx.rows(select(Seat.code).where(Seat.sitting_id == row.id))}
    seat = Seat(
        id=new_id(), sitting_id=row.id, learner_id=learner_id, code=_new_code(taken), place=place, made_at=tx.now
    )
    tx.add(seat)
    tx.say(str(actor), "seat given", f"sitting {row.id}", seat=seat.id, person=learner_id)
    return True


def _new_code(taken: set[str]) -> str:
    while True:
        code = "".join(secrets.choice(CODE_LETTERS) for _ in range(CODE_LENGTH))
        if code not in taken:
            return code


def _learner(tx: Transaction, actor: Actor, site_id: str, entry: dict[str, str]) -> tuple[str, bool]:
    """The person of a roster's row, added where not known; and whether they were added."""
    found = tx.one(Person, Person.code == entry["code"])
    if found is not None:
        if found.erased_at is not None:
            raise InputError(f"code '{printable(entry['code'])}' was erased, expected somebody's. Correct it.")
        return found.id, False
    made = add_person_within(
        tx, actor, code=entry["code"], name=entry["name"], email=entry.get("email"), roles=[("learner", site_id)]
    )
    return made, True


def _roster_rows(text: str) -> list[tuple[int, dict[str, str]]]:
    text = text.lstrip("\ufeff")
    first = text.partition("\n")[0]
    try:
        table = list(
            csv.reader(io.StringIO(text, newline=""), delimiter=";" if first.count(";") > first.count(",") else ",")
        )
    except csv.Error as why:
        raise InputError(
            f"roster: not a well-formed CSV ({printable(why, limit=80)}). Save it again as CSV, UTF-8."
        ) from why
    header = [cell.strip().lower() for cell in table[0]] if table else []
    unknown = [name for name in header if name not in ROSTER]
    if "code" not in header or "name" not in header or unknown or len(set(header)) != len(header):
        raise InputError(
            f"roster: the first row is '{printable(', '.join(header), limit=80)}', expected column names: code, name, and where wanted "
            f"{', '.join(ROSTER[2:])}, each once. Correct it."
        )
    if len(table) - 1 > ROSTER_ROWS:
        raise InputError(f"roster: {len(table) - 1} rows, expected at most {ROSTER_ROWS}. Split it.")
    rows = [(number, row) for number, row in enumerate(table[1:], start=2) if any(cell.strip() for cell in row)]
    return [
        (number, dict(zip(header, (cell.strip() for cell in [*row, *[""] * len(header)]), strict=False)))
        for number, row in rows
    ]


def _check(
    title: str, kind: str, second: str, *, attempts: int | None, second_share: float, agree_percent: float
) -> None:
    if not title.strip() or len(title) > 200:
        raise InputError("title is empty or too long, expected 1 to 200 characters. Give one.")
    if kind not in ("practice", "exam"):
        raise InputError(f"kind is '{printable(kind)}', expected practice or exam. Choose one.")
    if second not in ("none", "all", "unsure", "part"):
        raise InputError(f"second is '{printable(second)}', expected none, all, unsure or part. Choose one.")
    if attempts is not None and attempts < 1:
        raise InputError(f"attempts is {attempts}, expected at least 1, or none for no limit. Correct it.")
    if not 0.0 <= second_share <= 1.0 or not 0.0 <= agree_percent <= 100.0:
        raise InputError("second_share is a share from 0 to 1 and agree_percent from 0 to 100. Correct them.")


def _check_place(tx: Transaction, site_id: str, exercise_id: str, *, exam: bool) -> None:
    site, version = tx.get(Site, site_id), tx.get(ExerciseVersion, exercise_id)
    if site is None or site.hidden_at is not None:
        raise MissingError("there is no such site. Choose one of the list.")
    if version is None or version.hidden_at is not None:
        raise MissingError("there is no such exercise. Choose one of the list.")
    if exam and not version.can_be_marked:
        found = "was not proved yet" if version.can_be_marked is None else "cannot be marked by its source"
        raise ConflictError(
            f"the exercise {found}, expected a proof that it can be marked. Prove it, or correct it and import it again."
        )
