"""Pieces that may be laid over one another: the attempt before, or any two of the same exercise that somebody may see measured."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from kerfmark.errors import MissingError
from kerfmark.sittings.belonging import sitting_of
from kerfmark.sittings.marks import Standing, standings
from kerfmark.sittings.rights import Actor
from kerfmark.sittings.sight import Sight, require_measured, seen, sight_of
from kerfmark.storage import Store, Transaction, select
from kerfmark.storage.schema import Assessment, Drawing, Person, Piece, Seat

__all__ = ["BesideLine", "piece_before", "piece_beside", "pieces_beside"]

LOOKED_AT = 400
"""The newest so many pieces of an exercise are gone through for those that somebody may see."""


@dataclass(frozen=True, slots=True)
class BesideLine:
    """A piece that may be laid over another. `learner_name` is None where the actor may not know it."""

    id: str
    code: str
    attempt: int
    learner_name: str | None
    sitting_title: str
    received_at: datetime
    same_seat: bool


def piece_before(store: Store, actor: Actor, piece_id: str, *, kind: str) -> tuple[str, int] | None:
    """The same seat's last earlier piece of which a file of a kind was drawn, where the actor may see what was measured of both: id and attempt."""
    with store.read() as tx:
        found, sight = seen(tx, actor, piece_id)
        if not sight.measured:
            return None
        rows = tx.all(
            Piece, Piece.seat_id == found.piece.seat_id, Piece.attempt < found.piece.attempt, Piece.state == "assessed",
            Piece.erased_at.is_(None), order=[Piece.attempt.desc()],
        )  # fmt: skip
        for row in rows:
            earlier, seen_of = seen(tx, actor, row.id)
            if (
                seen_of.measured
                and earlier.marked
                and tx.get(Drawing, (earlier.marked.assessment_id, kind)) is not None
            ):
                return row.id, row.attempt
    return None


def pieces_beside(store: Store, actor: Actor, piece_id: str, *, kind: str, most: int = 60) -> list[BesideLine]:
    """Pieces of the same exercise of which a file of a kind was drawn and that the actor may see measured: the same seat's first, then the newest.

    Raises
    ------
    RightsError
        If the actor may not see yet what was measured of the piece itself.
    """
    with store.read() as tx:
        found, sight = seen(tx, actor, piece_id)
        require_measured(sight)
        ids = _drawn(tx, found.piece, kind, own=sight.as_ == "learner")
        others = standings(tx, Piece.id.in_(ids)).values() if ids else ()
        lines = [_line(tx, found, other, seen_of) for other in others if (seen_of := _measured(tx, actor, other))]
        return sorted(lines, key=lambda line: (not line.same_seat, -line.received_at.timestamp()))[:most]


def piece_beside(store: Store, actor: Actor, piece_id: str, other_id: str, *, kind: str) -> BesideLine:
    """One of `pieces_beside`, by its id.

    Raises
    ------
    MissingError
        If the other is none, is of another exercise, or is none that the actor may see measured.
    """
    with store.read() as tx:
        found, sight = seen(tx, actor, piece_id)
        require_measured(sight)
        other, seen_of = seen(tx, actor, other_id)
        alike = other.piece.exercise_version_id == found.piece.exercise_version_id and other_id != piece_id
        drawn = other.marked is not None and tx.get(Drawing, (other.marked.assessment_id, kind)) is not None
        if not (alike and seen_of.measured and drawn):
            raise MissingError("there is no such piece to lay over this one. Choose one of the list.")
        return _line(tx, found, other, seen_of)


def _drawn(tx: Transaction, row: Piece, kind: str, *, own: bool) -> list[str]:
    query = (
        select(Piece.id)
        .join(Assessment, Assessment.piece_id == Piece.id)
        .join(Drawing, Drawing.assessment_id == Assessment.id)
    )
    query = query.where(
        Drawing.kind == kind, Piece.exercise_version_id == row.exercise_version_id, Piece.id != row.id, Piece.state == "assessed",
        Piece.erased_at.is_(None),
    )  # fmt: skip
    query = query.where(Piece.learner_id == row.learner_id) if own else query
    rows = tx.rows(query.distinct().add_columns(Piece.received_at).order_by(Piece.received_at.desc()).limit(LOOKED_AT))
    return [r[0] for r in rows]


def _measured(tx: Transaction, actor: Actor, other: Standing) -> Sight | None:
    sight = sight_of(tx, actor, other)
    return sight if sight is not None and sight.measured else None


def _line(tx: Transaction, found: Standing, other: Standing, sight: Sight) -> BesideLine:
    row = other.piece
    seat, person = tx.get(Seat, row.seat_id), tx.get(Person, row.learner_id)
    assert seat is not None
    assert person is not None
    return BesideLine(
        row.id, seat.code, row.attempt, person.name if sight.named else None, sitting_of(tx, row).title, row.received_at,
        row.seat_id == found.piece.seat_id,
    )  # fmt: skip
