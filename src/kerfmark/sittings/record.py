"""A learner's whole record as one zip, and its erasure."""

from __future__ import annotations

import io
import zipfile
from typing import Any

from kerfmark.errors import ConflictError, InputError, MissingError, StoreError
from kerfmark.sittings.keeping import erase_files, let_go, read_again
from kerfmark.sittings.packed import as_json_bytes, plain
from kerfmark.sittings.pieces import piece as piece_page
from kerfmark.sittings.pieces import pieces as pieces_of
from kerfmark.sittings.rights import Actor, may, require
from kerfmark.storage import Store, Transaction, select
from kerfmark.storage import schema as kept

__all__ = ["erase_learner", "learner_record"]


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
        archive.writestr("record.json", as_json_bytes(record))
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
        files = let_go(tx, named, set())
        for piece in found:
            piece.erased_at, piece.file_name, piece.reason, piece.neighbours = tx.now, "", None, {}
        _erase_person(tx, row)
        tx.say(str(actor), "record erased", f"person {learner_id}", erased=erased, pieces=len(found), files=len(files), why=reason.strip()[:200])  # fmt: skip
    erase_files(store, files)
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
    found = {piece.blob, piece.rig_blob, *piece.neighbours.values(), *read_again(tx, piece)}
    return {sha for sha in (*found, *(r[0] for r in (*tx.rows(made), *tx.rows(drawn)))) if sha}


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
    return {**plain(page), "appeals": appeals, "read_again": again, "files_let_go": let_go}


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
