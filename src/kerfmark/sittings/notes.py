"""Notes pinned to a piece, to a criterion or to a point of its surface."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime

from kerfmark.errors import InputError, MissingError
from kerfmark.sittings.belonging import sitting_of
from kerfmark.sittings.exercises import criteria_of
from kerfmark.sittings.rights import Actor, Scope, may, require, require_scope
from kerfmark.sittings.sight import Sight, seen
from kerfmark.storage import Store, Transaction, select
from kerfmark.storage.schema import (
    Note,
    Person,
    Piece,
    new_id,
)

__all__ = ["NoteLine", "add_note", "may_note", "notes_of", "withdraw_note"]

FARTHEST_MM = 1000.0
"""No piece is larger."""


@dataclass(frozen=True, slots=True)
class NoteLine:
    """A note. `part` says who speaks: `learner`, `examiner`, `teacher`; `name` is None where the actor may not know."""

    id: str
    part: str
    name: str | None
    text: str
    criterion: int | None
    point_mm: tuple[float, float, float] | None
    made_at: datetime
    own: bool


def add_note(
    store: Store,
    actor: Actor,
    piece_id: str,
    text: str,
    *,
    criterion: int | None = None,
    point_mm: tuple[float, float, float] | None = None,
) -> str:
    """Pin words to a piece, to a criterion or to a surface point (tooth frame); returns the note's id."""
    text = text.strip()
    if not text or len(text) > 2000:
        raise InputError("the note is empty or too long, expected 1 to 2000 characters. Write it.")
    with store.write() as tx:
        found, sight = seen(tx, actor, piece_id)
        _require_to_note(actor, sight, sitting_of(tx, found.piece).site_id)
        _check_place(criterion, len(criteria_of(tx, found.piece.exercise_version_id)), point_mm)
        x, y, z = point_mm or (None, None, None)
        part = {"learner": "learner", "examiner": "examiner", "overseer": "teacher"}[sight.as_]
        row = Note(
            id=new_id(), piece_id=piece_id, author_id=actor.person_id, part=part, text=text, criterion=criterion,
            x_mm=x, y_mm=y, z_mm=z, made_at=tx.now,
        )  # fmt: skip
        tx.add(row)
        tx.say(
            str(actor), "note added", f"piece {piece_id}", note=row.id, sha256=hashlib.sha256(text.encode()).hexdigest()
        )
        return row.id


def _check_place(criterion: int | None, n: int, point_mm: tuple[float, float, float] | None) -> None:
    """Refuse a criterion that the exercise has not, and a point that lies nowhere."""
    if criterion is not None and not 0 <= criterion < n:
        raise InputError(f"criterion is {criterion + 1}, expected 1 to {n}, or none. Choose one of the list.")
    if point_mm is not None and not all(abs(v) <= FARTHEST_MM for v in point_mm):
        raise InputError(f"the point lies outside {FARTHEST_MM:g} mm, expected one on the piece. Pin the note again.")


def may_note(actor: Actor, sight: Sight, site_id: str) -> bool:
    """Whether somebody who sees a piece may write on it: its learner, an examiner, a teacher or lead of the site; not who only reads."""
    if sight.as_ == "learner":
        return actor.allows("submit")
    return may(actor, "examine" if sight.as_ == "examiner" else "piece.note", site_id)


def _require_to_note(actor: Actor, sight: Sight, site_id: str) -> None:
    if sight.as_ == "learner":
        require_scope(actor, "submit", "write notes on pieces")
    else:
        require(actor, "examine" if sight.as_ == "examiner" else "piece.note", site_id)


def withdraw_note(store: Store, actor: Actor, note_id: str) -> None:
    """Show one of one's own notes no longer."""
    with store.write() as tx:
        row = tx.get(Note, note_id)
        if row is None or row.author_id != actor.person_id:
            raise MissingError("there is no such note of yours. Choose one of the list.")
        scope: Scope = "submit" if row.part == "learner" else "examine" if row.part == "examiner" else "manage"
        require_scope(actor, scope, "withdraw notes")
        row.withdrawn_at = tx.now
        tx.say(str(actor), "note withdrawn", f"piece {row.piece_id}", note=note_id)


def notes_of(tx: Transaction, actor: Actor, row: Piece, sight: Sight) -> tuple[NoteLine, ...]:
    """Notes the actor may read: their own always; the learner's as the own view, the others' as examinations."""
    query = select(Note, Person.name).join(Person, Person.id == Note.author_id)
    query = query.where(Note.piece_id == row.id, Note.withdrawn_at.is_(None)).order_by(Note.made_at)
    lines = []
    for note, name in tx.rows(query):
        own = note.author_id == actor.person_id
        if not own and not (sight.own_view if note.part == "learner" else sight.examined == "all"):
            continue
        named = own or (sight.named if note.part == "learner" else sight.as_ != "learner")
        point = None if note.x_mm is None else (note.x_mm, note.y_mm, note.z_mm)
        lines.append(
            NoteLine(note.id, note.part, name if named else None, note.text, note.criterion, point, note.made_at, own)
        )
    return tuple(lines)
