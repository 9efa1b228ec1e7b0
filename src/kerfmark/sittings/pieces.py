"""Pieces as each person may see them: in lists, and one with all that belongs to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from kerfmark.records import Ruling
from kerfmark.sittings.belonging import sitting_of
from kerfmark.sittings.exercises import CriterionLine, PassLine, criteria_of, pass_of, version_of
from kerfmark.sittings.marks import Examined, Standing, StandingWord, standings
from kerfmark.sittings.notes import NoteLine, notes_of
from kerfmark.sittings.piece_files import PLAIN
from kerfmark.sittings.rights import Actor
from kerfmark.sittings.sight import Sight, can_sign, own_view_of, seen, sight_of, turn_of
from kerfmark.storage import Store, Transaction, select
from kerfmark.storage.schema import (
    Assessment,
    Drawing,
    Person,
    Piece,
    Reading,
    Reflection,
    Seat,
    Sitting,
    StationKey,
)

__all__ = ["PieceLine", "PiecePage", "ReadingLine", "piece", "pieces"]


@dataclass(frozen=True, slots=True)
class ReadingLine:
    """One reading; `criterion` is the place of the criterion that asks for it."""

    reading: str
    where: str | None
    stat: str | None
    unit: str
    value: float | None
    u: float | None
    status: str
    reason: str | None
    criterion: int | None


@dataclass(frozen=True, slots=True)
class PieceLine:
    """A piece as lists show it."""

    id: str
    sitting_id: str
    sitting_title: str
    exercise_title: str
    kind: str
    attempt: int
    received_at: datetime
    word: StandingWord
    own_view_wanted: bool
    percent: float | None
    outcome: str | None
    simulated: bool


@dataclass(frozen=True, slots=True)
class PiecePage:
    """All of a piece that the actor may see; what they may not see is None or empty.

    Attributes
    ----------
    own_view : mapping of int to (view, confidence), or None
        By criterion; None also where none was given.
    own_view_wanted : bool
        The learner has to give their own view before anything is shown.
    rulings : tuple of Ruling
        What counts of each criterion so far: the limits' ruling, or the examiners' word.
    by_limits : tuple of Ruling
        The limits' own rulings.
    readings : tuple of ReadingLine
    examined : tuple of Examined
        Ids of examiners are emptied for the learner.
    waits_for_me : str or None
        `first`, `second` or `moderator`, where it is this actor's turn.
    can_sign : bool
    drawings : tuple of str
        Kinds of files for the view that may be fetched.
    """

    id: str
    sitting_id: str
    sitting_title: str
    site_id: str
    kind: str
    exercise_id: str
    exercise_title: str
    criteria: tuple[CriterionLine, ...]
    pass_: PassLine
    code: str
    learner_id: str | None
    learner_name: str | None
    attempt: int
    attempts: int | None
    sha256: str
    file_name: str
    capture: str | None
    rig: str | None
    received_at: datetime
    simulated: bool
    sight: Sight
    word: StandingWord
    reason: str | None
    own_view_wanted: bool
    own_view: Mapping[int, tuple[str, str | None]] | None
    prompts: tuple[str, ...]
    reflection: Mapping[str, str] | None
    readings: tuple[ReadingLine, ...] = ()
    by_limits: tuple[Ruling, ...] = ()
    rulings: tuple[Ruling, ...] = ()
    examined: tuple[Examined, ...] = ()
    percent: float | None = None
    outcome: str | None = None
    rule: str | None = None
    signed_by: str | None = None
    signed_at: datetime | None = None
    assessment_id: str | None = None
    modelled: bool = False
    notes: tuple[NoteLine, ...] = ()
    waits_for_me: str | None = None
    can_sign: bool = False
    drawings: tuple[str, ...] = field(default=())


def pieces(store: Store, actor: Actor, learner_id: str | None = None) -> list[PieceLine]:
    """A learner's pieces, newest first; one's own where nobody is named."""
    wanted = learner_id or actor.person_id
    with store.read() as tx:
        found = standings(tx, Piece.learner_id == wanted, Piece.erased_at.is_(None))
        lines = []
        for s in found.values():
            sight = sight_of(tx, actor, s)
            if sight is not None and sight.named:
                lines.append(_line(tx, s, sight))
    return lines[::-1]


def piece(store: Store, actor: Actor, piece_id: str) -> PiecePage:
    """One piece, as far as the actor may see it.

    Raises
    ------
    MissingError
        If there is none, or none that the actor may know of.
    """
    with store.read() as tx:
        found, sight = seen(tx, actor, piece_id)
        return _page(tx, actor, found, sight)


def _page(tx: Transaction, actor: Actor, found: Standing, sight: Sight) -> PiecePage:
    row, sitting = found.piece, sitting_of(tx, found.piece)
    exercise, seat = version_of(tx, sitting), tx.get(Seat, row.seat_id)
    person = tx.get(Person, row.learner_id)
    station = None if row.station_id is None else tx.get(StationKey, row.station_id)
    assert seat is not None
    assert person is not None
    own_view = own_view_of(tx, row.id)
    marked = found.marked if sight.measured else None
    examined = _examined_for(actor, found, sight) if sight.measured else ()
    signature = found.signature if sight.mark else None
    signer = None if signature is None else tx.get(Person, signature.person_id)
    assessment = None if found.marked is None else tx.get(Assessment, found.marked.assessment_id)
    kinds = [] if assessment is None else [r[0] for r in tx.rows(select(Drawing.kind).where(Drawing.assessment_id == assessment.id))]  # fmt: skip
    return PiecePage(
        id=row.id, sitting_id=sitting.id, sitting_title=sitting.title, site_id=sitting.site_id, kind=sitting.kind, exercise_id=exercise.id,
        exercise_title=exercise.title, criteria=criteria_of(tx, exercise.id), pass_=pass_of(exercise), code=seat.code,
        learner_id=person.id if sight.named else None, learner_name=person.name if sight.named else None,
        attempt=row.attempt, attempts=sitting.attempts, sha256=row.blob,
        file_name=row.file_name if sight.named else f"piece{Path(row.file_name).suffix}",
        capture=row.kind, rig=None if station is None else station.rig, received_at=row.received_at, simulated=row.simulated,
        sight=sight, word=found.word, reason=row.reason, own_view_wanted=_own_view_wanted(sitting, row, own_view is not None),
        own_view=own_view if sight.own_view else None, prompts=tuple(sitting.prompts),
        reflection=_reflection(tx, row.id) if sight.as_ != "examiner" or sight.own_view else None,
        readings=_readings(tx, marked.assessment_id) if marked is not None else (),
        by_limits=() if marked is None else marked.rulings,
        rulings=() if marked is None else found.rulings if sight.examined == "all" else marked.rulings,
        examined=examined, percent=found.percent if sight.mark else None, outcome=found.outcome if sight.mark else None,
        rule=found.rule if sight.mark else None, signed_by=None if signer is None else signer.name,
        signed_at=None if signature is None else signature.made_at,
        assessment_id=None if marked is None else marked.assessment_id,
        modelled=assessment is not None and assessment.modelled, notes=notes_of(tx, actor, row, sight),
        waits_for_me=turn_of(tx, actor, found, sitting), can_sign=can_sign(tx, actor, found, sitting),
        drawings=tuple(sorted(k for k in kinds if sight.measured or k.startswith(PLAIN))),
    )  # fmt: skip


def _own_view_wanted(sitting: Sitting, row: Piece, given: bool) -> bool:
    """Nobody is asked how they see a piece that could not be measured: nothing would stand beside it."""
    return sitting.own_view and not given and row.state != "set aside"


def _examined_for(actor: Actor, found: Standing, sight: Sight) -> tuple[Examined, ...]:
    if sight.examined == "none":
        return ()
    rows = (
        found.examined if sight.examined == "all" else [e for e in found.examined if e.examiner_id == actor.person_id]
    )
    if sight.as_ == "learner":
        return tuple(replace(e, examiner_id="") for e in rows)
    return tuple(rows)


def _reflection(tx: Transaction, piece_id: str) -> Mapping[str, str] | None:
    rows = tx.all(Reflection, Reflection.piece_id == piece_id, order=[Reflection.made_at.desc()], limit=1)
    return rows[0].answers if rows else None


def _readings(tx: Transaction, assessment_id: str) -> tuple[ReadingLine, ...]:
    rows = tx.all(Reading, Reading.assessment_id == assessment_id, order=[Reading.position])
    return tuple(
        ReadingLine(r.reading, r.where, r.stat, r.unit, r.value, r.u, r.status, r.reason, r.criterion) for r in rows
    )


def _line(tx: Transaction, found: Standing, sight: Sight) -> PieceLine:
    row, sitting = found.piece, sitting_of(tx, found.piece)
    wanted = _own_view_wanted(sitting, row, own_view_of(tx, row.id) is not None)
    shown = sight.mark
    return PieceLine(
        row.id, sitting.id, sitting.title, version_of(tx, sitting).title, sitting.kind, row.attempt, row.received_at, found.word,
        wanted, found.percent if shown else None, found.outcome if shown else None, row.simulated,
    )  # fmt: skip
