"""Keeping and letting go: the log read and proved, what the school has chosen, how long files stay."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from typing import Any

from kerfmark.errors import InputError, StoreError, printable
from kerfmark.sittings.rights import PROGRAM, Actor, require, require_anywhere
from kerfmark.storage import AuditProof, Store, Transaction, prove, select
from kerfmark.storage import schema as kept

__all__ = [
    "AuditLine",
    "Retention",
    "StoreProof",
    "audit_entries",
    "audit_holds",
    "audit_names",
    "erase_files",
    "let_go",
    "prove_audit",
    "prove_store",
    "read_again",
    "retention",
    "school_settings",
    "set_retention",
    "set_school_setting",
    "sweep",
]


NOBODYS_AFTER = timedelta(days=1)

LAST_NUMBER = 2**31 - 1
"""Of an entry, as PostgreSQL counts them."""

SETTINGS = ("name", "term", "practice_files_days", "exam_files_days")


@dataclass(frozen=True, slots=True)
class AuditLine:
    """An entry of the audit log."""

    seq: int
    at: str
    actor: str
    action: str
    about: str
    details: Mapping[str, Any]
    hash: str


@dataclass(frozen=True, slots=True)
class StoreProof:
    """The audit log's proof, and whether rows and files agree: each file a row names is there, whole."""

    audit: AuditProof
    files: int
    damaged: tuple[str, ...]
    nobodys: int

    @property
    def holds(self) -> bool:
        """Nothing was found; a file that no row names is no fault."""
        return self.audit.holds and not self.damaged


@dataclass(frozen=True, slots=True)
class Retention:
    """Days a piece's files stay after its sitting has closed; None: as long as the store. Readings and marks stay either way."""

    practice_files_days: int | None
    exam_files_days: int | None


def audit_entries(
    store: Store, actor: Actor, *, about: str | None = None, before: int | None = None, limit: int = 100
) -> list[AuditLine]:
    """Entries of the log, newest first; of one thing (`piece ID`), or before an entry's number."""
    require_anywhere(actor, "audit.see")
    where = []
    if about is not None:
        where.append(kept.AuditEntry.about == about)
    if before is not None:
        where.append(kept.AuditEntry.seq < min(max(before, 0), LAST_NUMBER))
    with store.read() as tx:
        rows = tx.all(kept.AuditEntry, *where, order=[kept.AuditEntry.seq.desc()], limit=limit)
        return [AuditLine(r.seq, r.at, r.actor, r.action, r.about, json.loads(r.details), r.hash) for r in rows]


def audit_names(store: Store, actor: Actor, entries: Sequence[AuditLine]) -> dict[str, str]:
    """What the things that entries are about and by are called, by `person ID`, `piece ID` and so on: codes and titles, no names."""
    require_anywhere(actor, "audit.see")
    ids: dict[str, set[str]] = {}
    for entry in entries:
        for thing in (entry.actor, entry.about):
            kind, _, key = thing.partition(" ")
            ids.setdefault(kind, set()).add(key)
    queries = {
        "person": select(kept.Person.id, kept.Person.code).where(kept.Person.id.in_(ids.get("person", set()))),
        "station": select(kept.StationKey.id, kept.StationKey.rig).where(
            kept.StationKey.id.in_(ids.get("station", set()))
        ),
        "site": select(kept.Site.id, kept.Site.name).where(kept.Site.id.in_(ids.get("site", set()))),
        "sitting": select(kept.Sitting.id, kept.Sitting.title).where(kept.Sitting.id.in_(ids.get("sitting", set()))),
        "exercise": select(kept.ExerciseVersion.id, kept.ExerciseVersion.exercise).where(
            kept.ExerciseVersion.id.in_(ids.get("exercise", set()))
        ),
    }
    pieces = select(kept.Piece.id, kept.Seat.code, kept.Piece.attempt).join(
        kept.Seat, kept.Seat.id == kept.Piece.seat_id
    )
    with store.read() as tx:
        found = {f"{kind} {key}": f"{kind} {name}" for kind, query in queries.items() for key, name in tx.rows(query)}
        rows = tx.rows(pieces.where(kept.Piece.id.in_(ids.get("piece", set()))))
        return found | {f"piece {key}": f"piece {code}-{attempt}" for key, code, attempt in rows}


def audit_holds(store: Store, head: str) -> bool:
    """Whether the log still holds the entry of a hash written down earlier."""
    with store.read() as tx:
        return tx.one(kept.AuditEntry, kept.AuditEntry.hash == head) is not None


def prove_audit(store: Store, actor: Actor) -> AuditProof:
    """Prove the log: its chain, and the kept rows against it."""
    require_anywhere(actor, "audit.see")
    with store.read() as tx:
        return prove(tx.session)


def prove_store(store: Store, actor: Actor) -> StoreProof:
    """Prove the log, then read every file that a row names."""
    proof = prove_audit(store, actor)
    with store.read() as tx:
        wanted = {r[0] for r in tx.rows(select(kept.Blob.sha256).where(kept.Blob.erased_at.is_(None)))}
    damaged = []
    for sha256 in sorted(wanted):
        try:
            store.blobs.get(sha256)
        except StoreError as why:
            damaged.append(str(why))
    nobodys = sum(name not in wanted for name in store.blobs.names())
    return StoreProof(proof, len(wanted), tuple(damaged), nobodys)


def school_settings(store: Store) -> dict[str, str]:
    """What the school has chosen, by name."""
    with store.read() as tx:
        return {row.name: row.value for row in tx.all(kept.SchoolSetting)}


def set_school_setting(store: Store, actor: Actor, name: str, value: str) -> None:
    """Choose something for the school: its `name`, the `term`, how long files stay."""
    require(actor, "school.manage", None)
    if name not in SETTINGS:
        raise InputError(
            f"'{printable(name)}' is no setting of a school, expected one of {', '.join(SETTINGS)}. Choose one."
        )
    with store.write() as tx:
        row = tx.get(kept.SchoolSetting, name)
        if row is None:
            tx.add(kept.SchoolSetting(name=name, value=value, changed_at=tx.now))
        else:
            row.value, row.changed_at = value, tx.now
        tx.say(str(actor), "school setting changed", f"setting {name}")


def retention(store: Store) -> Retention:
    """How long files stay."""
    chosen = school_settings(store)
    return Retention(*(int(chosen[f.name]) if chosen.get(f.name) else None for f in fields(Retention)))


def set_retention(store: Store, actor: Actor, wanted: Retention) -> None:
    """Choose how long files stay. An exam's files are needed while an appeal may come: at least 90 days."""
    if wanted.exam_files_days is not None and wanted.exam_files_days < 90:
        raise InputError(
            f"exam files would stay {wanted.exam_files_days} days, expected at least 90: an appeal needs them. Choose more."
        )
    if wanted.practice_files_days is not None and wanted.practice_files_days < 1:
        raise InputError("practice files would not stay a day, expected at least 1. Choose more.")
    for field in fields(Retention):
        days = getattr(wanted, field.name)
        set_school_setting(store, actor, field.name, "" if days is None else str(days))


def sweep(store: Store) -> int:
    """Let go of what has been kept long enough, and of files no row names; returns how many files went.

    Files of pieces under an open appeal stay. Run by the server once a day.
    """
    rules, gone = retention(store), set[str]()
    with store.write() as tx:
        for kind, days in (("practice", rules.practice_files_days), ("exam", rules.exam_files_days)):
            if days is not None:
                gone |= _let_go_files(tx, kind, tx.now - timedelta(days=days))
        for row in tx.all(kept.SignIn, kept.SignIn.ends_at < tx.now):
            tx.remove(row)
    erase_files(store, gone)
    return len(gone) + _sweep_nobodys(store)


def read_again(tx: Transaction, piece: kept.Piece) -> set[str]:
    """The files a piece was read from once more, or was to be."""
    jobs = (job.again["blob"] for job in tx.all(kept.Job, kept.Job.piece_id == piece.id) if job.again is not None)
    rows = (row.blob for row in tx.all(kept.Rereading, kept.Rereading.piece_id == piece.id))
    return {sha for sha in (*jobs, *rows) if sha}


def _let_go_files(tx: Transaction, kind: str, closed_before: datetime) -> set[str]:
    """Files of the pieces of sittings closed that long ago; each piece once, and none under appeal."""
    query = select(kept.Piece).join(kept.Sitting, kept.Sitting.id == kept.Piece.sitting_id)
    query = query.join(kept.Blob, kept.Blob.sha256 == kept.Piece.blob).where(
        kept.Sitting.kind == kind, kept.Sitting.closed_at < closed_before, kept.Blob.erased_at.is_(None)
    )
    appealed = {r[0] for r in tx.rows(select(kept.Appeal.piece_id).where(kept.Appeal.state == "open"))}
    found = [r[0] for r in tx.rows(query) if r[0].id not in appealed]
    own = {piece.id for piece in found}
    files = {sha for piece in found for sha in {piece.blob, *piece.neighbours.values(), *read_again(tx, piece)}}
    gone = let_go(tx, files, own)
    for piece in found:
        tx.say(str(PROGRAM), "files let go", f"piece {piece.id}")
    return gone


def let_go(tx: Transaction, files: Iterable[str], of: set[str]) -> set[str]:
    """Mark files as erased that nothing else that is kept needs; `of` are the pieces that let them go."""
    gone = set()
    for sha256 in files:
        row = tx.get(kept.Blob, sha256)
        if row is None or row.erased_at is not None or _needed(tx, sha256, of):
            continue
        row.erased_at = tx.now
        gone.add(sha256)
    return gone


def erase_files(store: Store, files: Iterable[str]) -> None:
    """Take files away whose rows say so; one that was handed in again in the meantime stays."""
    for sha256 in files:
        with store.write() as tx:
            row = tx.get(kept.Blob, sha256, lock=True)
            if row is not None and row.erased_at is not None:
                store.blobs.erase(sha256)


def _needed(tx: Transaction, sha256: str, of: set[str]) -> bool:
    """Whether an exercise, an assessment, a drawing or another piece that stands needs a file."""
    if tx.all(kept.ExerciseVersion, kept.ExerciseVersion.blob == sha256, limit=1):
        return True
    if tx.all(kept.Assessment, kept.Assessment.blob == sha256, limit=1):
        return True
    if tx.all(kept.Drawing, kept.Drawing.blob == sha256, limit=1):
        return True
    if any(row.piece_id not in of for row in tx.all(kept.Rereading, kept.Rereading.blob == sha256)):
        return True
    others = tx.all(kept.Piece, kept.Piece.blob == sha256, kept.Piece.erased_at.is_(None))
    return any(p.id not in of and _has_hung(tx, p) for p in others)


def _has_hung(tx: Transaction, piece: kept.Piece) -> bool:
    """Whether a piece still has its job, that is, was not erased within this transaction."""
    return bool(tx.all(kept.Job, kept.Job.piece_id == piece.id, limit=1))


def _sweep_nobodys(store: Store) -> int:
    """Files no row names: what a kill left between keeping a file and writing its row. Those noted in the last day stay."""
    store.blobs.drop_unfinished(NOBODYS_AFTER.total_seconds())
    names = set(store.blobs.names())
    with store.read() as tx:
        named = {r[0] for r in tx.rows(select(kept.Blob.sha256).where(kept.Blob.erased_at.is_(None)))}
    gone = [name for name in names - named if store.blobs.age_s(name) > NOBODYS_AFTER.total_seconds()]
    for name in gone:
        store.blobs.erase(name)
    return len(gone)
