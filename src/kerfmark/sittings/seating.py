"""Seats and parts given: from a roster, one by one, and who examines."""

from __future__ import annotations

import csv
import io
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from kerfmark.errors import ConflictError, InputError, MissingError, printable
from kerfmark.sittings.belonging import to_change
from kerfmark.sittings.people import add_person_within, set_trait
from kerfmark.sittings.rights import Actor
from kerfmark.storage import Store, Transaction, select
from kerfmark.storage.schema import (
    Appointment,
    Grant,
    Person,
    Seat,
    Sitting,
    new_id,
)

__all__ = ["RosterResult", "appoint", "end_appointment", "import_roster", "seat_learners"]


CODE_LETTERS = "BCDFGHJKMNPQRSTVWXYZ23456789"
"""No vowels, so that no code is a word, and nothing that looks like something else."""

CODE_LENGTH = 4

ROSTER = ("code", "name", "email", "place", "hand", "group")

ROSTER_ROWS = 5000


@dataclass(frozen=True, slots=True)
class RosterResult:
    """What became of a roster: people added, people known already, seats given, rows passed over and why."""

    added: int
    known: int
    seated: int
    faults: tuple[str, ...]


def seat_learners(store: Store, actor: Actor, sitting_id: str, learner_ids: Iterable[str]) -> int:
    """Give learners seats with codes; who has one keeps it. Returns how many seats are new."""
    with store.write() as tx:
        row = to_change(tx, actor, sitting_id)
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
        row = to_change(tx, actor, sitting_id)
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
        row = to_change(tx, actor, sitting_id)
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
        to_change(tx, actor, row.sitting_id)
        row.ended_at = tx.now
        tx.say(str(actor), "appointment ended", f"sitting {row.sitting_id}", person=row.person_id, part=row.part)


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
