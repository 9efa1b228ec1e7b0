"""Keeping and letting go: the log read and proved, how long files stay, a learner's whole record, and its erasure."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, is_dataclass
from datetime import datetime, timedelta
from typing import Any

from kerfmark.errors import ConflictError, InputError, MissingError, StoreError, printable
from kerfmark.sittings.pieces import piece as piece_page
from kerfmark.sittings.pieces import pieces as pieces_of
from kerfmark.sittings.rights import PROGRAM, Actor, may, require, require_anywhere
from kerfmark.storage import AuditProof, Store, Transaction, prove, select
from kerfmark.storage import schema as kept

__all__ = [
    "AuditLine",
    "Retention",
    "StoreProof",
    "audit_entries",
    "audit_holds",
    "erase_learner",
    "learner_record",
    "prove_audit",
    "prove_store",
    "retention",
    "school_settings",
    "set_retention",
    "set_school_setting",
    "sweep",
]

NOBODYS_AFTER = timedelta(days=1)
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
        where.append(kept.AuditEntry.seq < before)
    with store.read() as tx:
        rows = tx.all(kept.AuditEntry, *where, order=[kept.AuditEntry.seq.desc()], limit=limit)
        return [AuditLine(r.seq, r.at, r.actor, r.action, r.about, json.loads(r.details), r.hash) for r in rows]


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
    _erase_files(store, gone)
    return len(gone) + _sweep_nobodys(store)


def learner_record(store: Store, actor: Actor, learner_id: str) -> bytes:
    """A learner's whole record as one zip: who they are here, every piece with its files, what was measured, said and decided on it.

    For the learner (of exams what is released) and for a lead. What others wrote comes without their names to the learner.

    Raises
    ------
    MissingError
        If there is no such learner, or not for this actor.
    """
    with store.read() as tx:
        row = tx.get(kept.Person, learner_id)
        if row is None or not (actor.person_id == learner_id or may(actor, "record.erase", None)):
            raise MissingError("there is no such learner. Choose one of the list.")
        record = _person_record(tx, row)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        lines = pieces_of(store, actor, learner_id)
        record["pieces"] = [_piece_record(store, actor, line.id, archive) for line in lines]
        archive.writestr("record.json", _json(record))
        archive.writestr("README.txt", RECORD)
    with store.write() as tx:
        tx.say(str(actor), "record exported", f"person {learner_id}")
    return packed.getvalue()


RECORD = """A learner's record
------------------
record.json holds everything that is kept about one learner: the person, seats, own views, readings, rulings, marks, what examiners
wrote, reflections, notes, appeals, and the entries of the audit log about them. pieces/ holds the files of each piece.
Exercises only: nothing here is for use on patients.
"""


def erase_learner(store: Store, actor: Actor, learner_id: str, *, reason: str) -> int:
    """Erase a learner's record; returns how many pieces went.

    The name, account, files, readings, rulings, views, words and marks go; the person's and pieces' rows stay as tombstones, and the
    log says when, by whom, and which rows went, so that its chain still proves.

    Raises
    ------
    ConflictError
        If an appeal of theirs is open, or they hold another role.
    """
    require(actor, "record.erase", None)
    if not reason.strip():
        raise InputError("no reason is given, expected one: somebody will ask. Write it.")
    with store.write() as tx:
        row = tx.get(kept.Person, learner_id, lock=True)
        if row is None or row.erased_at is not None:
            raise MissingError("there is no such learner. Choose one of the list.")
        _check_erasable(tx, row)
        found = tx.all(kept.Piece, kept.Piece.learner_id == learner_id)
        named = {sha for piece in found for sha in _files(tx, piece)}  # while the rows that name them are still there
        erased = [key for piece in found for key in _erase_piece(tx, piece)]
        files = _let_go(tx, named, set())
        for piece in found:
            piece.erased_at, piece.file_name, piece.reason, piece.neighbours = tx.now, "", None, {}
        _erase_person(tx, row)
        tx.say(str(actor), "record erased", f"person {learner_id}", erased=erased, pieces=len(found), files=len(files), why=reason.strip()[:200])  # fmt: skip
    _erase_files(store, files)
    return len(found)


def _check_erasable(tx: Transaction, row: kept.Person) -> None:
    if tx.all(kept.Appeal, kept.Appeal.learner_id == row.id, kept.Appeal.state == "open", limit=1):
        raise ConflictError(
            "an appeal of this learner is open, expected it to be answered or withdrawn first. Do that."
        )
    held = tx.all(
        kept.Grant, kept.Grant.person_id == row.id, kept.Grant.ended_at.is_(None), kept.Grant.role != "learner"
    )
    if held:
        raise ConflictError(f"this person is also {held[0].role}, and what they decided belongs to others' marks. End that role first, and ask whether it should be.")  # fmt: skip


def _erase_piece(tx: Transaction, piece: kept.Piece) -> list[str]:
    """Everything that hangs on a piece; returns the ids of the kept rows that went."""
    gone: list[str] = []
    for table, pointer, part, part_pointer in _HANGS_ON_A_PIECE:
        for row in tx.all(table, getattr(table, pointer) == piece.id):
            if part is not None:
                tx.remove(*tx.all(part, getattr(part, part_pointer) == row.id))  # type: ignore[attr-defined]
            if table in kept.KEPT:
                gone.append(row.id)  # type: ignore[attr-defined]
            if table is kept.Assessment:
                tx.remove(*tx.all(kept.Drawing, kept.Drawing.assessment_id == row.id))  # type: ignore[attr-defined]
            tx.remove(row)
    return gone


_HANGS_ON_A_PIECE: tuple[tuple[type[kept.Base], str, type[kept.Base] | None, str], ...] = (
    (kept.Appeal, "piece_id", None, ""),
    (kept.Note, "piece_id", None, ""),
    (kept.Reflection, "piece_id", None, ""),
    (kept.Signature, "piece_id", None, ""),
    (kept.Examination, "piece_id", kept.ExaminedCriterion, "examination_id"),
    (kept.OwnView, "piece_id", kept.OwnViewed, "own_view_id"),
    (kept.Marking, "piece_id", kept.Ruling, "marking_id"),
    (kept.Assessment, "piece_id", kept.Reading, "assessment_id"),
    (kept.Rereading, "piece_id", kept.RereadingValue, "rereading_id"),
    (kept.Job, "piece_id", None, ""),
)
"""Tables of rows about a piece, what points to it, the table of their parts; in an order in which they can go."""


def _erase_person(tx: Transaction, row: kept.Person) -> None:
    row.name, row.code, row.erased_at = "", f"erased-{row.id}", tx.now
    row.email = row.login = row.password = row.issuer = row.subject = row.language = None
    for table in (kept.Trait, kept.SignIn, kept.Token, kept.OneTimeLink):
        tx.remove(*tx.all(table, table.person_id == row.id))
    for grant in tx.all(kept.Grant, kept.Grant.person_id == row.id, kept.Grant.ended_at.is_(None)):
        grant.ended_at = tx.now


def _files(tx: Transaction, piece: kept.Piece) -> set[str]:
    """A piece's own files and what was made of them."""
    made = select(kept.Assessment.blob).where(kept.Assessment.piece_id == piece.id)
    drawn = select(kept.Drawing.blob).join(kept.Assessment, kept.Assessment.id == kept.Drawing.assessment_id)
    drawn = drawn.where(kept.Assessment.piece_id == piece.id)
    found = {piece.blob, piece.rig_blob, *piece.neighbours.values(), *_read_again(tx, piece)}
    return {sha for sha in (*found, *(r[0] for r in (*tx.rows(made), *tx.rows(drawn)))) if sha}


def _read_again(tx: Transaction, piece: kept.Piece) -> set[str]:
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
    files = {sha for piece in found for sha in {piece.blob, *piece.neighbours.values(), *_read_again(tx, piece)}}
    gone = _let_go(tx, files, own)
    for piece in found:
        tx.say(str(PROGRAM), "files let go", f"piece {piece.id}")
    return gone


def _let_go(tx: Transaction, files: Iterable[str], of: set[str]) -> set[str]:
    """Mark files as erased that nothing else that is kept needs; `of` are the pieces that let them go."""
    gone = set()
    for sha256 in files:
        row = tx.get(kept.Blob, sha256)
        if row is None or row.erased_at is not None or _needed(tx, sha256, of):
            continue
        row.erased_at = tx.now
        gone.add(sha256)
    return gone


def _erase_files(store: Store, files: Iterable[str]) -> None:
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
    names = set(store.blobs.names())
    with store.read() as tx:
        named = {r[0] for r in tx.rows(select(kept.Blob.sha256).where(kept.Blob.erased_at.is_(None)))}
    gone = [name for name in names - named if store.blobs.age_s(name) > NOBODYS_AFTER.total_seconds()]
    for name in gone:
        store.blobs.erase(name)
    return len(gone)


def _person_record(tx: Transaction, row: kept.Person) -> dict[str, Any]:
    about = (f"person {row.id}", *(f"piece {p.id}" for p in tx.all(kept.Piece, kept.Piece.learner_id == row.id)))
    entries = tx.all(kept.AuditEntry, kept.AuditEntry.about.in_(about), order=[kept.AuditEntry.seq])
    return {
        "code": row.code, "name": row.name, "email": row.email, "login": row.login, "language": row.language, "known_since": row.made_at,
        "traits": {t.name: t.value for t in tx.all(kept.Trait, kept.Trait.person_id == row.id)},
        "roles": [{"role": g.role, "site": g.site_id, "from": g.made_at, "to": g.ended_at} for g in tx.all(kept.Grant, kept.Grant.person_id == row.id)],
        "seats": [{"sitting": s.sitting_id, "code": s.code} for s in tx.all(kept.Seat, kept.Seat.learner_id == row.id)],
        "log": [{"seq": e.seq, "at": e.at, "action": e.action, "about": e.about} for e in entries],
    }  # fmt: skip


def _piece_record(store: Store, actor: Actor, piece_id: str, archive: zipfile.ZipFile) -> dict[str, Any]:
    page = piece_page(store, actor, piece_id)
    with store.read() as tx:
        row = tx.get(kept.Piece, piece_id)
        assert row is not None
        appeals = [_plain_row(a) for a in tx.all(kept.Appeal, kept.Appeal.piece_id == piece_id)]
        again = [] if page.assessment_id is None else _again_record(tx, piece_id)
        assessment = None if page.assessment_id is None else tx.get(kept.Assessment, page.assessment_id)
    files = {f"pieces/{piece_id}/{row.file_name or 'piece'}": row.blob}
    files |= {f"pieces/{piece_id}/{side}": sha for side, sha in row.neighbours.items()}
    if assessment is not None and assessment.blob is not None:
        files[f"pieces/{piece_id}/assessment.json"] = assessment.blob
    let_go = []
    for name, sha256 in files.items():
        try:
            archive.writestr(name, store.blobs.get(sha256))
        except StoreError:
            let_go.append(name)
    return {**_plain(page), "appeals": appeals, "read_again": again, "files_let_go": let_go}


def _again_record(tx: Transaction, piece_id: str) -> list[dict[str, Any]]:
    """What a piece read once more, device by device."""
    rows = tx.all(kept.Rereading, kept.Rereading.piece_id == piece_id, order=[kept.Rereading.made_at])
    return [
        {"device": row.device, "number": row.number, "at": row.made_at, "modelled": row.modelled, "values": {
            v.criterion: [v.value, v.u] for v in tx.all(kept.RereadingValue, kept.RereadingValue.rereading_id == row.id)}}
        for row in rows
    ]  # fmt: skip


def _plain_row(row: kept.Appeal) -> dict[str, Any]:
    return {
        "reason": row.reason,
        "state": row.state,
        "answer": row.answer,
        "made_at": row.made_at,
        "answered_at": row.answered_at,
    }


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): _plain(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(entry) for entry in value]
    if isinstance(value, datetime):
        return value.isoformat()
    return None if isinstance(value, float) and (value != value or abs(value) == float("inf")) else value


def _json(value: Any) -> bytes:
    return json.dumps(_plain(value), indent=1, ensure_ascii=False, allow_nan=False).encode()
