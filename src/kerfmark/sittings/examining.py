"""Examiners: the queue with what is too close to call first, one's own rulings, a second examiner, a moderator."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Literal, TypeAlias

from kerfmark.errors import ConflictError, InputError, RightsError, printable
from kerfmark.marking import mark
from kerfmark.sittings.belonging import appointed
from kerfmark.sittings.exercises import PassLine, pass_of
from kerfmark.sittings.marks import Standing, StandingWord, decided, differing, open_criteria, standing, standings
from kerfmark.sittings.rights import Actor
from kerfmark.sittings.sight import can_sign, examined_before_appeal, seen, turn_of
from kerfmark.storage import Store, Transaction, select
from kerfmark.storage.schema import (
    Appointment,
    Examination,
    ExaminedCriterion,
    ExerciseVersion,
    Piece,
    Seat,
    Sitting,
    new_id,
)

__all__ = ["QueueLine", "examine", "queue", "queue_to_sign"]

Word: TypeAlias = Literal["met", "not met"]
WORDS = ("met", "not met")
NOTE_LIMIT = 2000


@dataclass(frozen=True, slots=True)
class QueueLine:
    """A piece that waits for this examiner. `open` are the criteria they have to decide; the learner is a code."""

    piece_id: str
    sitting_id: str
    sitting_title: str
    kind: str
    code: str
    attempt: int
    part: str
    open: tuple[int, ...]
    percent: float | None
    outcome: str
    received_at: datetime
    simulated: bool


def queue(store: Store, actor: Actor, sitting_id: str | None = None) -> list[QueueLine]:
    """Pieces that wait for this examiner: most criteria too close to call first, then those nearest the pass line, then oldest.

    A piece whose limits and rulings are clear never stands here, unless the sitting asks for two examiners.
    """
    lines: list[tuple[tuple[float, ...], QueueLine]] = []
    with store.read() as tx:
        for sitting in _appointed_sittings(tx, actor, sitting_id):
            pass_ = _pass(tx, sitting)
            codes = {row.id: row.code for row in tx.all(Seat, Seat.sitting_id == sitting.id)}
            for found in standings(tx, Piece.sitting_id == sitting.id).values():
                part = turn_of(tx, actor, found, sitting)
                if part is None or found.marked is None:
                    continue
                line = _line(found, sitting, codes[found.piece.seat_id], part, pass_)
                near = abs((line.percent or 0.0) - pass_.minimum_percent)
                lines.append(((-len(line.open), near, found.piece.received_at.timestamp()), line))
    return [line for _, line in sorted(lines, key=lambda entry: entry[0])]


def queue_to_sign(store: Store, actor: Actor, sitting_id: str | None = None) -> list[str]:
    """Ids of the settled pieces this actor may sign now, oldest first."""
    with store.read() as tx:
        wanted = tx.all(Sitting) if sitting_id is None else tx.all(Sitting, Sitting.id == sitting_id)
        return [
            found.piece.id
            for sitting in wanted
            for found in standings(tx, Piece.sitting_id == sitting.id).values()
            if can_sign(tx, actor, found, sitting)
        ]


def examine(
    store: Store,
    actor: Actor,
    piece_id: str,
    rulings: Mapping[int, tuple[Word, str]],
    *,
    note: str = "",
    grade: int | None = None,
) -> StandingWord:
    """Keep an examiner's rulings on a piece, as the part that is theirs to take now; returns how the piece then stands.

    Parameters
    ----------
    rulings : mapping of int to (word, note)
        By criterion: `met` or `not met`, with words the learner will read. Every criterion that is open must be decided; a clear one
        may be decided otherwise, with a note.
    note : str
        On the whole piece; the learner will read it.
    grade : int, optional
        Overall view: 1 clear fail, 2 borderline, 3 pass, 4 good, 5 excellent.

    Raises
    ------
    RightsError
        If it is not this actor's turn: not appointed, their own piece, or examined by them already.
    ConflictError
        If the piece does not wait for an examiner.
    """
    with store.write() as tx:
        found, _ = seen(tx, actor, piece_id, lock=True)
        sitting = tx.get(Sitting, found.piece.sitting_id)
        assert sitting is not None
        part = _part(tx, actor, found, sitting)
        marked = found.marked
        assert marked is not None
        pass_ = _pass(tx, sitting)
        _check(rulings, note, grade, found, must=_must(found, part, pass_))
        words = {at: word for at, (word, _) in rulings.items()}
        made = mark(decided(found.rulings if part == "moderator" else marked.rulings, words), pass_)
        row = Examination(
            id=new_id(), piece_id=piece_id, marking_id=marked.id, examiner_id=actor.person_id, part=part, round=marked.number,
            percent=made.percent, grade=grade, note=note.strip(), made_at=tx.now,
        )  # fmt: skip
        parts = [
            ExaminedCriterion(examination_id=row.id, criterion=at, ruling=word, note=why.strip())
            for at, (word, why) in sorted(rulings.items())
        ]
        tx.keep(
            row, *parts, actor=str(actor), action="examined", about=f"piece {piece_id}", part=part,
            notes=hashlib.sha256("\n".join([row.note, *(p.note for p in parts)]).encode()).hexdigest(),
        )  # fmt: skip
        return standing(tx, found.piece).word


def _part(tx: Transaction, actor: Actor, found: Standing, sitting: Sitting) -> str:
    part = turn_of(tx, actor, found, sitting)
    if part is not None:
        return part
    if found.piece.learner_id == actor.person_id:
        raise RightsError("nobody examines their own piece, expected another examiner.")
    if not found.word.startswith("waits"):
        raise ConflictError(f"this piece is {found.word} and waits for no examiner. Nothing was kept.")
    if any(e.examiner_id == actor.person_id for e in found.examined):
        raise RightsError("you examined this piece already, expected another person now.")
    if actor.person_id in examined_before_appeal(tx, found):
        raise RightsError("you examined this piece before the appeal, expected another examiner now.")
    needed = "moderator" if found.word == "waits for moderator" else "examiner"
    raise RightsError(
        f"this piece {found.word}, and you are not appointed as {needed} of this sitting. Ask the teacher to appoint you."
    )


def _must(found: Standing, part: str, pass_: PassLine) -> tuple[int, ...]:
    """Criteria that have to be decided: what is open, for a moderator also what the two see differently."""
    assert found.marked is not None
    must = open_criteria(found.marked, pass_)
    if part != "moderator":
        return must
    agreed = {at for at, r in enumerate(found.rulings) if r.ruling in WORDS}
    return tuple(sorted({*(at for at in must if at not in agreed), *differing(found.examined)}))


def _check(
    rulings: Mapping[int, tuple[Word, str]], note: str, grade: int | None, found: Standing, *, must: tuple[int, ...]
) -> None:
    assert found.marked is not None
    left = [str(at + 1) for at in must if at not in rulings]
    if left:
        raise InputError(
            f"criterion {', '.join(left)} is not decided, expected met or not met for each that is open. Decide the rest."
        )
    for at, (word, why) in rulings.items():
        if not 0 <= at < len(found.marked.rulings) or word not in WORDS:
            raise InputError(
                f"criterion {at + 1}: '{printable(word)}', expected a criterion of this exercise and met or not met."
            )
        limits = found.marked.rulings[at].ruling
        if limits in WORDS and limits != word and not why.strip():
            raise InputError(
                f"criterion {at + 1} is {limits} by its limits, expected a note that says why you see it otherwise. Write it."
            )
        if len(why) > NOTE_LIMIT:
            raise InputError(f"criterion {at + 1}: the note is longer than {NOTE_LIMIT} characters. Shorten it.")
    if len(note) > NOTE_LIMIT or grade not in (None, 1, 2, 3, 4, 5):
        raise InputError(
            f"the note is longer than {NOTE_LIMIT} characters, or the grade is none of 1 to 5. Correct it."
        )


def _line(found: Standing, sitting: Sitting, code: str, part: str, pass_: PassLine) -> QueueLine:
    assert found.marked is not None
    return QueueLine(
        found.piece.id, sitting.id, sitting.title, sitting.kind, code, found.piece.attempt, part, _must(found, part, pass_),
        found.marked.mark.percent, found.marked.mark.outcome, found.piece.received_at, found.piece.simulated,
    )  # fmt: skip


def _appointed_sittings(tx: Transaction, actor: Actor, sitting_id: str | None) -> list[Sitting]:
    query = select(Appointment.sitting_id).where(
        Appointment.person_id == actor.person_id, Appointment.ended_at.is_(None)
    )
    ids = {row[0] for row in tx.rows(query)}
    return [
        s
        for s in tx.all(Sitting, Sitting.id.in_(ids), order=[Sitting.opens_at])
        if sitting_id in (None, s.id) and appointed(tx, actor, s.id)
    ]


def _pass(tx: Transaction, sitting: Sitting) -> PassLine:
    row = tx.get(ExerciseVersion, sitting.exercise_version_id)
    assert row is not None
    return pass_of(row)
