"""The audit log: what happened, by whom, in a chain of digests; and the proof that nothing in it was changed.

Each entry's hash is the SHA-256 of the hash before it and of its own content, so a changed, missing or added entry breaks
the chain from there on. Entries hold ids, words and digests, never names or free text: a person can be erased and the chain
still holds. Rows of the kept tables are digested into it when they are added.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import inspect, select
from sqlalchemy.orm import Session

from kerfmark.storage.schema import (
    KEPT,
    Assessment,
    AuditEntry,
    Base,
    Examination,
    ExaminedCriterion,
    Marking,
    OwnView,
    OwnViewed,
    Reading,
    Rereading,
    RereadingValue,
    Ruling,
)

__all__ = ["START", "AuditProof", "Said", "append", "digest_of", "prove"]

START = "0" * 64
"""What stands before the first entry."""
PARTS: Mapping[type[Base], tuple[type[Base], str, str]] = {
    Assessment: (Reading, "assessment_id", "position"),
    Marking: (Ruling, "marking_id", "criterion"),
    OwnView: (OwnViewed, "own_view_id", "criterion"),
    Examination: (ExaminedCriterion, "examination_id", "criterion"),
    Rereading: (RereadingValue, "rereading_id", "criterion"),
}
"""Rows that belong to a kept row: their table, what points to it, their order."""
BATCH = 1000
LOCK = 0x6B657266
"""The advisory lock under which PostgreSQL appends, so that entries follow one another."""


@dataclass(frozen=True, slots=True)
class Said:
    """One thing to be written into the log."""

    actor: str
    action: str
    about: str
    details: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class AuditProof:
    """What proving the log found.

    Attributes
    ----------
    entries : int
        Read from the start up to the first fault.
    head : str
        Hash of the last sound entry: written down elsewhere, it also shows whether later entries were cut off.
    broken : str or None
        The first broken link in words.
    changed : tuple of str
        Kept rows that are not what the log says, in words.
    """

    entries: int
    head: str
    broken: str | None = None
    changed: tuple[str, ...] = ()

    @property
    def holds(self) -> bool:
        """Nothing was found."""
        return self.broken is None and not self.changed


def append(session: Session, said: Iterable[Said], at: datetime) -> None:
    """Write entries at the end of the chain, within the transaction that did what they say."""
    entries = list(said)
    if not entries:
        return
    session.flush()
    if session.get_bind().dialect.name == "postgresql":
        session.execute(select(_advisory_lock()))
    last = session.execute(select(AuditEntry.seq, AuditEntry.hash).order_by(AuditEntry.seq.desc()).limit(1)).first()
    seq, before = (last.seq, last.hash) if last else (0, START)
    for entry in entries:
        seq += 1
        row = AuditEntry(
            seq=seq,
            at=at.astimezone(UTC).isoformat(),
            actor=entry.actor,
            action=entry.action,
            about=entry.about,
            details=_canonical(entry.details),
            before=before,
            hash="",
        )
        row.hash = before = _hash(row)
        session.add(row)
    session.flush()


def digest_of(row: Base, parts: Iterable[Base] = ()) -> str:
    """SHA-256 of a kept row and of the rows that belong to it, in the order given."""
    content = [_values(row), *(_values(part) for part in parts)]
    return hashlib.sha256(_canonical(content).encode()).hexdigest()


def prove(session: Session) -> AuditProof:
    """Follow the chain from its start, then compare every kept row with the digest taken when it was added."""
    seq, before, digests = 0, START, dict[tuple[str, str], str]()
    gone: set[str] = set()
    query = select(AuditEntry).order_by(AuditEntry.seq).execution_options(yield_per=BATCH)
    for entry in session.scalars(query):
        fault = _fault(entry, seq + 1, before)
        if fault is not None:
            return AuditProof(seq, before, fault)
        seq, before = entry.seq, entry.hash
        details = json.loads(entry.details)
        if "row" in details:
            digests[details["row"], details["id"]] = details["sha256"]
        gone.update(details.get("erased", ()))
    session.expunge_all()
    return AuditProof(seq, before, None, tuple(_changed(session, digests, gone)))


def _fault(entry: AuditEntry, seq: int, before: str) -> str | None:
    if entry.seq != seq:
        return f"entry {seq} is missing: entry {entry.seq} stands in its place"
    if entry.before != before:
        return f"entry {seq} does not follow the one before it: it holds {entry.before[:12]}, expected {before[:12]}"
    if entry.hash != _hash(entry):
        return f"entry {seq} ({entry.action}, {entry.at}) was changed: its content no longer has its hash"
    return None


def _changed(session: Session, digests: dict[tuple[str, str], str], gone: set[str]) -> Iterable[str]:
    """Kept rows that differ from their digest, that the log does not know, or that went without a tombstone."""
    left = dict(digests)
    for table in KEPT:
        name = table.__tablename__
        for row in session.scalars(select(table).execution_options(yield_per=BATCH)):
            key = name, str(row.id)  # type: ignore[attr-defined]
            expected = left.pop(key, None)
            if expected is None:
                yield f"{name} {key[1]}: the log knows nothing of it"
            elif expected != digest_of(row, _parts(session, row)):
                yield f"{name} {key[1]}: it is not what was written down when it was added"
        session.expunge_all()
    yield from (f"{name} {row}: it is gone, and nothing says why" for name, row in left if row not in gone)


def _parts(session: Session, row: Base) -> list[Base]:
    if type(row) not in PARTS:
        return []
    table, pointer, order = PARTS[type(row)]
    query = select(table).where(getattr(table, pointer) == row.id).order_by(getattr(table, order))  # type: ignore[attr-defined]
    return list(session.scalars(query))


def _values(row: Base) -> dict[str, Any]:
    return {column.key: _plain(getattr(row, column.key)) for column in inspect(type(row)).column_attrs}


def _plain(value: Any) -> Any:
    return value.astimezone(UTC).isoformat() if isinstance(value, datetime) else value


def _canonical(value: Any) -> str:
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)


def _hash(entry: AuditEntry) -> str:
    content = [entry.seq, entry.at, entry.actor, entry.action, entry.about, entry.details, entry.before]
    return hashlib.sha256(_canonical(content).encode()).hexdigest()


def _advisory_lock() -> Any:
    from sqlalchemy import func

    return func.pg_advisory_xact_lock(LOCK)
