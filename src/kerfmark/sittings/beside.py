"""Pieces that may be laid over one another: the attempt before, or any two of the same exercise that somebody may see measured."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from kerfmark.errors import MissingError
from kerfmark.sittings.belonging import sitting_of
from kerfmark.sittings.marks import Standing, standings
from kerfmark.sittings.rights import Actor
from kerfmark.sittings.sight import Sight, require_measured, seen, sight_of
from kerfmark.storage import Store, Transaction, Where, and_, or_, select
from kerfmark.storage.schema import Assessment, Drawing, Person, Piece, Seat, Sitting

__all__ = ["BesideLine", "BesideLines", "piece_before", "piece_beside", "pieces_beside"]

AT_ONCE = 200
"""So many pieces are gone through at a time for those that somebody may see."""
MOST = 60
"""So many stand on one page."""


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


@dataclass(frozen=True, slots=True)
class BesideLines:
    """Pieces that may be laid over another, newest first; `after` is the last one's id where older ones follow, else None."""

    lines: tuple[BesideLine, ...]
    after: str | None


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


def pieces_beside(
    store: Store, actor: Actor, piece_id: str, *, kind: str, find: str = "", after: str = "", most: int = MOST
) -> BesideLines:
    """Pieces of the same exercise of which a file of a kind was drawn and that the actor may see measured, newest first.

    Parameters
    ----------
    store : Store
    actor : Actor
    piece_id : str
    kind : str
        The kind of file.
    find : str
        Part of a piece's code, of its sitting's title or of its learner's name, where the actor may know that.
    after : str
        Id of the piece after which to go on; a page that begins at the newest has the same seat's pieces before all others.
    most : int

    Raises
    ------
    RightsError
        If the actor may not see yet what was measured of the piece itself.
    """
    with store.read() as tx:
        found, sight = seen(tx, actor, piece_id)
        require_measured(sight)
        drawn = _drawn(found.piece, kind, own=sight.as_ == "learner")
        here = Piece.seat_id == found.piece.seat_id
        same = [] if after else _seen_lines(tx, actor, found, _ids(tx, [*drawn, here]))
        lines, more = _walked(tx, actor, found, [*drawn, ~here, *_perhaps(find)], find=find, after=after, most=most)
        return BesideLines((*(line for line in same if _is_called(line, find)), *lines), lines[-1].id if more else None)


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


def _drawn(row: Piece, kind: str, *, own: bool) -> list[Where]:
    """The other pieces of an exercise of which a file of a kind was drawn."""
    drawn = (
        select(Assessment.piece_id).join(Drawing, Drawing.assessment_id == Assessment.id).where(Drawing.kind == kind)
    )
    where: list[Where] = [
        Piece.id.in_(drawn), Piece.exercise_version_id == row.exercise_version_id, Piece.id != row.id, Piece.state == "assessed",
        Piece.erased_at.is_(None),
    ]  # fmt: skip
    return [*where, Piece.learner_id == row.learner_id] if own else where


def _perhaps(find: str) -> list[Where]:
    """Pieces that may be called so; whether the actor may know by what is asked of each line (`_is_called`)."""
    if not find:
        return []
    code, _, attempt = find.rpartition("-")
    code = code if code and attempt.isdecimal() else find
    return [
        or_(
            Piece.seat_id.in_(select(Seat.id).where(Seat.code.icontains(code, autoescape=True))),
            Piece.sitting_id.in_(select(Sitting.id).where(Sitting.title.icontains(find, autoescape=True))),
            Piece.learner_id.in_(select(Person.id).where(Person.name.icontains(find, autoescape=True))),
        )
    ]


def _is_called(line: BesideLine, find: str) -> bool:
    known = (f"{line.code}-{line.attempt}", line.sitting_title, line.learner_name or "")
    return any(find.casefold() in name.casefold() for name in known)


def _walked(
    tx: Transaction, actor: Actor, found: Standing, where: list[Where], *, find: str, after: str, most: int
) -> tuple[list[BesideLine], bool]:
    """As many as fill a page, and whether there are more."""
    last, lines = tx.get(Piece, after) if after else None, list[BesideLine]()
    while len(lines) <= most:
        ids = _ids(tx, [*where, *_older(last)], most=AT_ONCE)
        lines += [line for line in _seen_lines(tx, actor, found, ids) if _is_called(line, find)]
        if len(ids) < AT_ONCE:
            break
        last = tx.get(Piece, ids[-1])
    return lines[:most], len(lines) > most


def _older(than: Piece | None) -> list[Where]:
    if than is None:
        return []
    at_once = and_(Piece.received_at == than.received_at, Piece.id < than.id)
    return [or_(Piece.received_at < than.received_at, at_once)]


def _ids(tx: Transaction, where: list[Where], *, most: int | None = None) -> list[str]:
    """Pieces' ids, newest first."""
    query = select(Piece.id).where(*where).order_by(Piece.received_at.desc(), Piece.id.desc())
    return [row[0] for row in tx.rows(query if most is None else query.limit(most))]


def _seen_lines(tx: Transaction, actor: Actor, found: Standing, ids: list[str]) -> list[BesideLine]:
    """Of these pieces those that the actor may see measured, in the order given."""
    others = standings(tx, Piece.id.in_(ids)) if ids else {}
    return [
        _line(tx, found, others[one], sight)
        for one in ids
        if one in others and (sight := _measured(tx, actor, others[one]))
    ]


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
