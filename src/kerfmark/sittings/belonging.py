"""Who belongs to a sitting, in which part, and how far it has come: appointments, seats, release."""

from __future__ import annotations

from kerfmark.errors import MissingError
from kerfmark.sittings.rights import Actor, may, require
from kerfmark.storage import Transaction, select
from kerfmark.storage.schema import (
    Appointment,
    Piece,
    Release,
    Seat,
    Sitting,
)

__all__ = ["appointed", "own_sittings", "released", "sitting_of", "to_change"]


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


def own_sittings(tx: Transaction, actor: Actor) -> set[str]:
    """Sittings the actor has a seat in or is appointed to."""
    if actor.person_id is None or not actor.allows("read"):
        return set()
    seated = select(Seat.sitting_id).where(Seat.learner_id == actor.person_id)
    parts = select(Appointment.sitting_id)
    parts = parts.where(Appointment.person_id == actor.person_id, Appointment.ended_at.is_(None))
    return {row[0] for query in (seated, parts) for row in tx.rows(query)}


def to_change(tx: Transaction, actor: Actor, sitting_id: str) -> Sitting:
    """A sitting that the actor is about to change; refused where they may not know of it, or not change it."""
    row = tx.get(Sitting, sitting_id, lock=True)
    if row is None or not (may(actor, "sitting.see", row.site_id) or row.id in own_sittings(tx, actor)):
        raise MissingError("there is no such sitting. Choose one of the list.")
    require(actor, "sitting.open", row.site_id)
    return row


def sitting_of(tx: Transaction, row: Piece) -> Sitting:
    """The sitting a piece was handed in for."""
    sitting = tx.get(Sitting, row.sitting_id)
    assert sitting is not None
    return sitting
