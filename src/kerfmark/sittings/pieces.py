"""Pieces: handed in once whatever happens on the way, and shown to each person as far as they may see."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any, BinaryIO

from kerfmark.errors import ConflictError, InputError, MissingError, RightsError, StoreError, printable
from kerfmark.records import Ruling
from kerfmark.sittings.exercises import CriterionLine, PassLine, criteria_of, pass_of
from kerfmark.sittings.marks import Examined, Standing, StandingWord, standing, standings
from kerfmark.sittings.rights import Actor, may, require
from kerfmark.sittings.seating import appointed, released
from kerfmark.spool import idempotency_key
from kerfmark.storage import IntegrityError, Store, Transaction, func, select
from kerfmark.storage.schema import (
    Assessment,
    Drawing,
    ExerciseVersion,
    Job,
    Note,
    OwnView,
    OwnViewed,
    Person,
    Piece,
    Reading,
    Reflection,
    Seat,
    Sitting,
    StationKey,
    new_id,
)

__all__ = [
    "NoteLine",
    "PieceFiles",
    "PieceLine",
    "PiecePage",
    "ReadingLine",
    "Receipt",
    "Sight",
    "add_note",
    "assessment_json",
    "drawing",
    "hand_in",
    "keep_drawing",
    "piece",
    "piece_files",
    "pieces",
    "withdraw_note",
]

UNITS = ("mm", "cm", "m", "in", "um")
SIDES = ("mesial", "distal")
PLAIN = "plain"
"""Drawings whose kind begins so show nothing measured."""


@dataclass(frozen=True, slots=True)
class Receipt:
    """A piece is kept. `repeated`: it had been handed in before, and nothing was added."""

    piece_id: str
    attempt: int
    received_at: datetime
    sha256: str
    repeated: bool


@dataclass(frozen=True, slots=True)
class Sight:
    """How much of a piece an actor sees.

    Attributes
    ----------
    as_ : str
        `learner` (their own), `examiner` (appointed) or `overseer`.
    named : bool
        Who cut it.
    measured : bool
        Readings, rulings, colours, numbers.
    own_view : bool
    examined : str
        `all`, `own` or `none`: what examiners decided.
    mark : bool
        What it comes to.
    """

    as_: str
    named: bool
    measured: bool
    own_view: bool
    examined: str
    mark: bool


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


@dataclass(frozen=True, slots=True)
class PieceFiles:
    """A piece's files in a folder of this machine, as `kerfmark.assess` takes them."""

    exercise: Path
    piece: Path
    neighbours: Mapping[str, Path]
    rig: Path | None
    unit: str | None


def hand_in(
    store: Store,
    actor: Actor,
    *,
    content: bytes | BinaryIO,
    file_name: str,
    learner: str | None = None,
    sitting_id: str | None = None,
    version: str | None = None,
    sha256: str | None = None,
    key: str | None = None,
    unit: str | None = None,
    neighbours: Mapping[str, bytes | BinaryIO] | None = None,
    rig: bytes | BinaryIO | None = None,
    limit_bytes: int | None = None,
) -> Receipt:
    """Take a piece in: its files are kept, its row and a job to assess it written; the same piece again changes nothing.

    Parameters
    ----------
    content : bytes or binary stream
        The piece's file; `neighbours` by side and `rig` (`rig.toml`) beside it.
    learner : str, optional
        The learner's code; left out: the actor's own piece.
    sitting_id, version : str, optional
        The sitting; or the exercise's version, and the learner's one open sitting of it is found.
    sha256 : str, optional
        The file's digest as the sender has it, checked.
    key : str, optional
        The idempotency key; worked out where not given. The same file with the same options from the same seat is one piece, whatever
        its key.
    limit_bytes : int, optional
        Largest file taken.

    Raises
    ------
    ConflictError
        If the sitting is not open, the attempts are used up, or the key came with another piece before.
    InputError
        If a file is damaged on the way or too large.
    """
    _check_options(unit, neighbours or {}, file_name)
    with store.read() as tx:
        seat, sitting, learner_code = _seat_of(tx, actor, learner, sitting_id, version)
        exercise = _version_of(tx, sitting)
        if key is not None and tx.one(Piece, Piece.idempotency_key == key) is None:
            _check_open(tx, sitting)  # before a file is read
            _check_attempts(tx, sitting, seat)
    digest, size = store.blobs.put(content, limit_bytes=limit_bytes)
    if sha256 is not None and sha256 != digest:
        raise InputError(
            f"{printable(file_name)}: its digest is {digest[:12]}, expected {printable(sha256)[:12]}. It was damaged on the way; send it again."
        )
    made_key = key or idempotency_key(
        digest, version=exercise.version, station=actor.station_id or "", learner=learner_code
    )
    beside = {side: store.blobs.put(file, limit_bytes=limit_bytes) for side, file in (neighbours or {}).items()}
    toml = None if rig is None else store.blobs.put(rig, limit_bytes=limit_bytes)
    try:
        with store.write() as tx:
            for kept_file in [(digest, size), *beside.values(), *([toml] if toml else [])]:
                _note(tx, store, *kept_file)
            return _add(
                tx, actor, seat_id=seat.id, key=made_key, digest=digest, file_name=file_name, unit=unit,
                neighbours={side: sha for side, (sha, _) in beside.items()}, rig=None if toml is None else toml[0],
            )  # fmt: skip
    except IntegrityError:  # somebody else handed in the very same piece at the same moment
        with store.read() as tx:
            found = _handed_in(
                tx, seat.id, made_key, digest, (unit, {s: sha for s, (sha, _) in beside.items()}, toml and toml[0])
            )
        if found is None:
            raise
        return _receipt(found, repeated=True)


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


def piece_files(store: Store, actor: Actor, piece_id: str, folder: Path) -> PieceFiles:
    """The piece's own files, put into a folder of this machine; nothing measured is among them."""
    with store.read() as tx:
        found, _ = seen(tx, actor, piece_id)
        row = found.piece
        exercise = tx.get(ExerciseVersion, row.exercise_version_id)
    if exercise is None or row.erased_at is not None:
        raise MissingError("this piece was erased.")
    return files_of(store, row, exercise, folder)


def files_of(
    store: Store, row: Piece, exercise: ExerciseVersion, folder: Path, *, again: Mapping[str, Any] | None = None
) -> PieceFiles:
    """As `piece_files`, for the program's own use; `again`: of another file of the same piece (`Job.again`)."""
    own = again or {"file_name": row.file_name, "blob": row.blob, "unit": row.unit}
    name = Path(own["file_name"])
    return PieceFiles(
        store.blobs.local(exercise.blob, folder, f"{exercise.exercise}.zip"),
        store.blobs.local(own["blob"], folder, f"piece{name.suffix.lower()}"),
        {side: store.blobs.local(sha, folder, f"{side}.bin") for side, sha in row.neighbours.items()},
        None if row.rig_blob is None else store.blobs.local(row.rig_blob, folder, "rig.toml"),
        own["unit"],
    )


def assessment_json(store: Store, actor: Actor, piece_id: str) -> bytes | None:
    """The whole assessment as the JSON of `docs/results.md`; None where the readings were only modelled (simulated terms).

    Raises
    ------
    RightsError
        If nothing measured may be shown to this actor yet.
    """
    with store.read() as tx:
        found, sight = seen(tx, actor, piece_id)
        _require_measured(sight)
        row = None if found.marked is None else tx.get(Assessment, found.marked.assessment_id)
    if row is None:
        raise MissingError("this piece has not been measured. Come back when it has.")
    return None if row.blob is None else store.blobs.get(row.blob)


def drawing(store: Store, actor: Actor, piece_id: str, kind: str) -> bytes | None:
    """A file made for the view, None where there is none yet; kinds that do not begin with `plain` show what was measured."""
    with store.read() as tx:
        found, sight = seen(tx, actor, piece_id)
        if not kind.startswith(PLAIN):
            _require_measured(sight)
        row = None if found.marked is None else tx.get(Drawing, (found.marked.assessment_id, kind))
    return None if row is None else store.blobs.get(row.blob)


def keep_drawing(store: Store, assessment_id: str, kind: str, content: bytes) -> None:
    """Keep a file made for the view, for the program's own use."""
    sha256, size = store.blobs.put(content)
    with store.write() as tx:
        tx.note_blob(sha256, size)
        row = tx.get(Drawing, (assessment_id, kind))
        if row is None:
            tx.add(Drawing(assessment_id=assessment_id, kind=kind, blob=sha256, made_at=tx.now))
        else:
            row.blob, row.made_at = sha256, tx.now


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
        if sight.as_ == "examiner":
            require(actor, "examine", _sitting(tx, found.piece).site_id)
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


def withdraw_note(store: Store, actor: Actor, note_id: str) -> None:
    """Show one of one's own notes no longer."""
    with store.write() as tx:
        row = tx.get(Note, note_id)
        if row is None or row.author_id != actor.person_id:
            raise MissingError("there is no such note of yours. Choose one of the list.")
        row.withdrawn_at = tx.now
        tx.say(str(actor), "note withdrawn", f"piece {row.piece_id}", note=note_id)


def seen(tx: Transaction, actor: Actor, piece_id: str, *, lock: bool = False) -> tuple[Standing, Sight]:
    """How a piece stands and how much of it the actor sees; refused as missing where that is nothing."""
    row = tx.get(Piece, piece_id, lock=lock)
    found = None if row is None else standing(tx, row)
    sight = None if found is None else sight_of(tx, actor, found)
    if found is None or sight is None:
        raise MissingError("there is no such piece. Choose one of the list.")
    return found, sight


def sight_of(tx: Transaction, actor: Actor, found: Standing) -> Sight | None:
    """How much of a piece an actor sees; None: they may not know of it. Being its learner comes before every role."""
    if actor.program:
        return Sight("overseer", True, True, True, "all", True)
    if not actor.allows("read") or actor.person_id is None:
        return None
    sitting = _sitting(tx, found.piece)
    shown = released(tx, sitting) is not None
    if found.piece.learner_id == actor.person_id:
        return _learners_sight(tx, found, sitting, shown)
    if appointed(tx, actor, sitting.id) and may(actor, "moderate", sitting.site_id):
        return _examiners_sight(tx, actor, found, sitting, shown)
    if may(actor, "piece.see", sitting.site_id):
        return Sight("overseer", True, True, True, "all", True)
    return None


def _learners_sight(tx: Transaction, found: Standing, sitting: Sitting, shown: bool) -> Sight:
    viewed = not sitting.own_view or _own_view(tx, found.piece.id) is not None
    measured = viewed and (shown or sitting.kind == "practice")
    examined = measured and (shown or found.word in ("settled", "signed"))
    return Sight("learner", True, measured, True, "all" if examined else "none", examined)


def _examiners_sight(tx: Transaction, actor: Actor, found: Standing, sitting: Sitting, shown: bool) -> Sight:
    """Codes only where blind; nobody's own view or decision before one's own is in."""
    parts = appointed(tx, actor, sitting.id)
    mine = any(e.examiner_id == actor.person_id for e in found.examined)
    both_in = found.word not in ("waits for examiner", "waits for second examiner")
    everything = shown or (both_in and (mine or "moderator" in parts)) or found.word == "signed"
    own_view = shown or (sitting.kind == "practice" and mine)
    return Sight("examiner", shown or not sitting.blind, True, own_view, "all" if everything else "own", everything)


def _require_measured(sight: Sight) -> None:
    if not sight.measured:
        raise RightsError(
            "nothing measured is shown yet: give your own view first, and in an exam wait for the release. Come back then."
        )


def _page(tx: Transaction, actor: Actor, found: Standing, sight: Sight) -> PiecePage:
    row, sitting = found.piece, _sitting(tx, found.piece)
    exercise, seat = _version_of(tx, sitting), tx.get(Seat, row.seat_id)
    person = tx.get(Person, row.learner_id)
    station = None if row.station_id is None else tx.get(StationKey, row.station_id)
    assert seat is not None
    assert person is not None
    own_view = _own_view(tx, row.id)
    marked = found.marked if sight.measured else None
    examined = _examined_for(actor, found, sight) if sight.measured else ()
    signature = found.signature if sight.mark else None
    signer = None if signature is None else tx.get(Person, signature.person_id)
    assessment = None if found.marked is None else tx.get(Assessment, found.marked.assessment_id)
    kinds = [] if assessment is None else [r[0] for r in tx.rows(select(Drawing.kind).where(Drawing.assessment_id == assessment.id))]  # fmt: skip
    return PiecePage(
        id=row.id, sitting_id=sitting.id, sitting_title=sitting.title, kind=sitting.kind, exercise_id=exercise.id,
        exercise_title=exercise.title, criteria=criteria_of(tx, exercise.id), pass_=pass_of(exercise), code=seat.code,
        learner_id=person.id if sight.named else None, learner_name=person.name if sight.named else None,
        attempt=row.attempt, attempts=sitting.attempts, sha256=row.blob,
        file_name=row.file_name if sight.named else f"piece{Path(row.file_name).suffix}",
        capture=row.kind, rig=None if station is None else station.rig, received_at=row.received_at, simulated=row.simulated,
        sight=sight, word=found.word, reason=row.reason, own_view_wanted=sitting.own_view and own_view is None,
        own_view=own_view if sight.own_view else None, prompts=tuple(sitting.prompts),
        reflection=_reflection(tx, row.id) if sight.as_ != "examiner" or sight.own_view else None,
        readings=_readings(tx, marked.assessment_id) if marked is not None else (),
        by_limits=() if marked is None else marked.rulings,
        rulings=() if marked is None else found.rulings if sight.examined == "all" else marked.rulings,
        examined=examined, percent=found.percent if sight.mark else None, outcome=found.outcome if sight.mark else None,
        rule=found.rule if sight.mark else None, signed_by=None if signer is None else signer.name,
        signed_at=None if signature is None else signature.made_at,
        assessment_id=None if marked is None else marked.assessment_id,
        modelled=assessment is not None and assessment.modelled, notes=_notes(tx, actor, row, sight),
        waits_for_me=turn_of(tx, actor, found, sitting), can_sign=can_sign(tx, actor, found, sitting),
        drawings=tuple(sorted(k for k in kinds if sight.measured or k.startswith(PLAIN))),
    )  # fmt: skip


def turn_of(tx: Transaction, actor: Actor, found: Standing, sitting: Sitting) -> str | None:
    """The part this actor may now take in examining a piece: appointed, not their own, not twice."""
    part = {
        "waits for examiner": "first",
        "waits for second examiner": "second",
        "waits for moderator": "moderator",
    }.get(found.word)
    if part is None or actor.person_id is None or found.piece.learner_id == actor.person_id:
        return None
    if any(e.examiner_id == actor.person_id for e in found.examined):
        return None
    needed = "moderator" if part == "moderator" else "examiner"
    right = "moderate" if part == "moderator" else "examine"
    if needed not in appointed(tx, actor, sitting.id) or not may(actor, right, sitting.site_id):
        return None
    return part


def can_sign(tx: Transaction, actor: Actor, found: Standing, sitting: Sitting) -> bool:
    """Whether this actor may sign a piece now; see `signing.sign`."""
    if found.word != "settled" or found.outcome == "refer" or actor.person_id is None:
        return False
    if found.piece.learner_id == actor.person_id or not may(actor, "sign", sitting.site_id):
        return False
    if sitting.kind == "exam" and any(e.examiner_id == actor.person_id for e in found.examined):
        return False
    return actor.holds(["lead"], sitting.site_id) or bool(appointed(tx, actor, sitting.id))


def _examined_for(actor: Actor, found: Standing, sight: Sight) -> tuple[Examined, ...]:
    if sight.examined == "none":
        return ()
    rows = (
        found.examined if sight.examined == "all" else [e for e in found.examined if e.examiner_id == actor.person_id]
    )
    if sight.as_ == "learner":
        return tuple(replace(e, examiner_id="") for e in rows)
    return tuple(rows)


def _notes(tx: Transaction, actor: Actor, row: Piece, sight: Sight) -> tuple[NoteLine, ...]:
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


def _own_view(tx: Transaction, piece_id: str) -> dict[int, tuple[str, str | None]] | None:
    row = tx.one(OwnView, OwnView.piece_id == piece_id)
    if row is None:
        return None
    return {v.criterion: (v.view, v.confidence) for v in tx.all(OwnViewed, OwnViewed.own_view_id == row.id)}


def _reflection(tx: Transaction, piece_id: str) -> Mapping[str, str] | None:
    rows = tx.all(Reflection, Reflection.piece_id == piece_id, order=[Reflection.made_at.desc()], limit=1)
    return rows[0].answers if rows else None


def _readings(tx: Transaction, assessment_id: str) -> tuple[ReadingLine, ...]:
    rows = tx.all(Reading, Reading.assessment_id == assessment_id, order=[Reading.position])
    return tuple(
        ReadingLine(r.reading, r.where, r.stat, r.unit, r.value, r.u, r.status, r.reason, r.criterion) for r in rows
    )


def _line(tx: Transaction, found: Standing, sight: Sight) -> PieceLine:
    row, sitting = found.piece, _sitting(tx, found.piece)
    wanted = sitting.own_view and _own_view(tx, row.id) is None
    shown = sight.mark
    return PieceLine(
        row.id, sitting.id, sitting.title, _version_of(tx, sitting).title, sitting.kind, row.attempt, row.received_at, found.word,
        wanted, found.percent if shown else None, found.outcome if shown else None, row.simulated,
    )  # fmt: skip


def _seat_of(
    tx: Transaction, actor: Actor, learner: str | None, sitting_id: str | None, version: str | None
) -> tuple[Seat, Sitting, str]:
    """The seat a piece is handed in for, the sitting, and the learner's code; who may hand in for whom is settled here."""
    if learner is None:
        person = None if actor.person_id is None else tx.get(Person, actor.person_id)
    else:
        person = tx.one(Person, Person.code == learner, Person.erased_at.is_(None))
    seats = [] if person is None else _seats(tx, person.id, sitting_id, version)
    usable = [(seat, sitting) for seat, sitting in seats if _may_hand_in(actor, seat, sitting)]
    if person is None or not usable:
        raise MissingError(
            f"no seat of {'yours' if learner is None else f'learner {printable(learner, limit=40)}'} is open for this piece at a site of yours, "
            "expected one sitting. Check the learner's code, the sitting and that it is open."
        )
    if len(usable) > 1:
        raise ConflictError(
            "the learner has seats in several open sittings of this exercise, expected the sitting to be named. Name it."
        )
    return *usable[0], person.code


def _seats(tx: Transaction, learner_id: str, sitting_id: str | None, version: str | None) -> list[tuple[Seat, Sitting]]:
    if sitting_id is None and version is None:
        raise InputError("neither sitting nor exercise is given, expected one of them. Name it.")
    query = select(Seat, Sitting).join(Sitting, Sitting.id == Seat.sitting_id).where(Seat.learner_id == learner_id)
    if sitting_id is not None:
        query = query.where(Sitting.id == sitting_id)
    else:
        query = query.join(ExerciseVersion, ExerciseVersion.id == Sitting.exercise_version_id)
        query = query.where(ExerciseVersion.version == version, Sitting.state == "open")
    return [(row[0], row[1]) for row in tx.rows(query)]


def _may_hand_in(actor: Actor, seat: Seat, sitting: Sitting) -> bool:
    if not actor.allows("submit"):
        return False
    if actor.station_id is not None:
        return actor.site_id == sitting.site_id
    return actor.program or seat.learner_id == actor.person_id or may(actor, "piece.hand_in", sitting.site_id)


def _add(
    tx: Transaction,
    actor: Actor,
    *,
    seat_id: str,
    key: str,
    digest: str,
    file_name: str,
    unit: str | None,
    neighbours: dict[str, str],
    rig: str | None,
) -> Receipt:
    seat = tx.get(Seat, seat_id, lock=True)  # attempts of one learner follow one another
    assert seat is not None
    found = _handed_in(tx, seat.id, key, digest, (unit, neighbours, rig))
    if found is not None:
        return _receipt(found, repeated=True)
    sitting = tx.get(Sitting, seat.sitting_id)
    assert sitting is not None
    _check_open(tx, sitting)
    _check_attempts(tx, sitting, seat)
    last = tx.rows(select(func.max(Piece.attempt)).where(Piece.seat_id == seat.id))[0][0]
    row = Piece(
        id=new_id(), sitting_id=sitting.id, seat_id=seat.id, learner_id=seat.learner_id,
        exercise_version_id=sitting.exercise_version_id, attempt=(last or 0) + 1, idempotency_key=key, blob=digest,
        file_name=Path(file_name).name[:200], unit=unit, neighbours=neighbours, rig_blob=rig, state="received",
        station_id=actor.station_id, handed_in_by=actor.person_id, received_at=tx.now, simulated=sitting.simulated,
    )  # fmt: skip
    tx.add(row)
    tx.add(Job(id=new_id(), piece_id=row.id, state="queued", tries=0, made_at=tx.now))
    tx.say(
        str(actor),
        "piece handed in",
        f"piece {row.id}",
        sitting=sitting.id,
        seat=seat.id,
        attempt=row.attempt,
        sha256=digest,
    )
    return _receipt(row, repeated=False)


def _handed_in(tx: Transaction, seat_id: str, key: str, digest: str, options: tuple[object, ...]) -> Piece | None:
    """The piece that came with this key, or that is the same file with the same options from the same seat."""
    found = tx.one(Piece, Piece.idempotency_key == key)
    if found is not None and (found.seat_id != seat_id or found.blob != digest):
        raise ConflictError("the idempotency key came with another piece before, expected a key of its own for each piece. Work it out again.")  # fmt: skip
    if found is not None:
        return found
    alike = tx.all(Piece, Piece.seat_id == seat_id, Piece.blob == digest, order=[Piece.attempt])
    return next((p for p in alike if (p.unit, p.neighbours, p.rig_blob) == options), None)


def _note(tx: Transaction, store: Store, sha256: str, size: int) -> None:
    """Note a file that was kept; refused in the one moment in which a sweep may have taken it away meanwhile."""
    tx.note_blob(sha256, size)
    if not store.blobs.has(sha256):
        raise StoreError(
            f"file {sha256[:12]} was swept away while it was handed in. Nothing was kept of it; send it again."
        )


def _receipt(row: Piece, *, repeated: bool) -> Receipt:
    return Receipt(row.id, row.attempt, row.received_at, row.blob, repeated)


def _check_open(tx: Transaction, sitting: Sitting) -> None:
    if sitting.state != "open" or (sitting.closes_at is not None and tx.now > sitting.closes_at):
        raise ConflictError("the sitting is closed, expected it to be open. Ask the teacher to open it again.")
    if tx.now < sitting.opens_at:
        raise ConflictError(f"the sitting opens at {sitting.opens_at:%Y-%m-%d %H:%M} UTC. Hand in then.")


def _check_attempts(tx: Transaction, sitting: Sitting, seat: Seat) -> None:
    if sitting.attempts is None:
        return
    used = tx.rows(select(func.count()).select_from(Piece).where(Piece.seat_id == seat.id, Piece.state != "set aside"))
    if used[0][0] >= sitting.attempts:
        raise ConflictError(f"all attempts are used ({sitting.attempts}), expected one to be left. Ask the teacher.")


def _check_options(unit: str | None, neighbours: Mapping[str, object], file_name: str) -> None:
    if unit is not None and unit not in UNITS:
        raise InputError(f"unit is '{printable(unit, limit=20)}', expected {', '.join(UNITS)}. Choose one.")
    if not set(neighbours) <= set(SIDES):
        raise InputError("a neighbour's side is none of mesial, distal. Correct it.")
    if not file_name.strip():
        raise InputError("the piece's file has no name, expected one with its suffix. Give it.")


def _sitting(tx: Transaction, row: Piece) -> Sitting:
    sitting = tx.get(Sitting, row.sitting_id)
    assert sitting is not None
    return sitting


def _version_of(tx: Transaction, sitting: Sitting) -> ExerciseVersion:
    row = tx.get(ExerciseVersion, sitting.exercise_version_id)
    assert row is not None
    return row
