"""A piece handed in: kept once, whatever happens on the way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

from kerfmark.errors import ConflictError, InputError, MissingError, StoreError, printable
from kerfmark.sittings.exercises import version_of
from kerfmark.sittings.rights import Actor, may
from kerfmark.spool import idempotency_key
from kerfmark.storage import IntegrityError, Store, Transaction, func, select
from kerfmark.storage.schema import (
    ExerciseVersion,
    Job,
    Person,
    Piece,
    Seat,
    Sitting,
    StationKey,
    new_id,
)

__all__ = ["Receipt", "SeatToHandIn", "hand_in", "seat_to_hand_in"]


UNITS = ("mm", "cm", "m", "in", "um")

SIDES = ("mesial", "distal")


@dataclass(frozen=True, slots=True)
class Receipt:
    """A piece is kept. `repeated`: it had been handed in before, and nothing was added."""

    piece_id: str
    attempt: int
    received_at: datetime
    sha256: str
    repeated: bool


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
        If a file is empty, damaged on the way or too large.
    """
    _check_options(unit, neighbours or {}, file_name)
    with store.read() as tx:
        seat, sitting, learner_code = _seat_of(tx, actor, learner, sitting_id, version)
        exercise = version_of(tx, sitting)
        if key is not None and tx.one(Piece, Piece.idempotency_key == key) is None:
            _check_open(tx, sitting)  # before a file is read
            _check_attempts(tx, sitting, seat)
    digest, size = store.blobs.put(content, limit_bytes=limit_bytes)
    if size == 0:
        raise InputError(f"{printable(file_name)} is empty (0 bytes), expected the piece's file. Export it again.")
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


@dataclass(frozen=True, slots=True)
class SeatToHandIn:
    """A seat somebody may hand pieces in for, and what their rig is called (empty for a person)."""

    seat_id: str
    rig: str


def seat_to_hand_in(store: Store, actor: Actor, *, learner: str | None, sitting_id: str) -> SeatToHandIn:
    """The seat a piece would be handed in for; refused as handing in would be."""
    with store.read() as tx:
        seat, sitting, _ = _seat_of(tx, actor, learner, sitting_id, None)
        _check_open(tx, sitting)
        station = None if actor.station_id is None else tx.get(StationKey, actor.station_id)
        return SeatToHandIn(seat.id, "" if station is None else station.rig)


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
