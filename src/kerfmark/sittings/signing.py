"""Signing, release and appeals: a named person stands for each mark, learners read it, and may ask for it to be looked at again."""

from __future__ import annotations

import hashlib
import io
import json
import math
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from kerfmark.errors import ConflictError, InputError, MissingError, RightsError, printable
from kerfmark.sittings.marks import Standing, standing, standings
from kerfmark.sittings.pieces import can_sign, seen
from kerfmark.sittings.rights import Actor, may, require
from kerfmark.storage import Store, Transaction, select
from kerfmark.storage import schema as kept

__all__ = [
    "AppealLine",
    "answer_appeal",
    "appeal",
    "appeal_zip",
    "appeals",
    "release",
    "sign",
    "sign_settled",
    "withdraw_appeal",
]

REASON_LIMIT = 4000


@dataclass(frozen=True, slots=True)
class AppealLine:
    """An appeal as lists show it."""

    id: str
    piece_id: str
    sitting_id: str
    sitting_title: str
    code: str
    state: str
    reason: str
    answer: str | None
    made_at: datetime
    answered_at: datetime | None


def sign(store: Store, actor: Actor, piece_id: str) -> str:
    """Stand for a settled piece's mark; returns the signature's id.

    Who may: a lead of the site, or an examiner appointed to the sitting; never who cut the piece; in an exam never who examined it.

    Raises
    ------
    ConflictError
        If something about the piece is still to be decided, or it is signed.
    RightsError
        If this actor may not sign it.
    """
    with store.write() as tx:
        found, _ = seen(tx, actor, piece_id, lock=True)
        return _sign(tx, actor, found)


def sign_settled(store: Store, actor: Actor, sitting_id: str) -> int:
    """Sign every settled piece of a sitting that this actor may sign; returns how many, each with its own signature."""
    with store.write() as tx:
        sitting = tx.get(kept.Sitting, sitting_id, lock=True)
        if sitting is None:
            raise MissingError("there is no such sitting. Choose one of the list.")
        require(actor, "sign", sitting.site_id)
        found = [
            s for s in standings(tx, kept.Piece.sitting_id == sitting_id).values() if can_sign(tx, actor, s, sitting)
        ]
        for one in found:
            _sign(tx, actor, one)
        return len(found)


def release(store: Store, actor: Actor, sitting_id: str) -> str:
    """Show a sitting's signed marks to its learners; returns the release's id.

    Raises
    ------
    ConflictError
        If the sitting is open, or pieces of it are neither signed nor set aside; the sentence counts them.
    """
    with store.write() as tx:
        sitting = tx.get(kept.Sitting, sitting_id, lock=True)
        if sitting is None or not may(actor, "sitting.see", sitting.site_id):
            raise MissingError("there is no such sitting. Choose one of the list.")
        require(actor, "release", sitting.site_id)
        found = standings(tx, kept.Piece.sitting_id == sitting_id, kept.Piece.erased_at.is_(None))
        left = [s for s in found.values() if s.word not in ("signed", "set aside")]
        if sitting.state == "open":
            raise ConflictError("the sitting is open, expected it to be closed before release. Close it.")
        if left:
            words = ", ".join(f"{sum(s.word == w for s in left)} {w}" for w in sorted({s.word for s in left}))
            raise ConflictError(
                f"{len(left)} pieces are not signed ({words}), expected all of them to be. Settle and sign them first."
            )
        sitting.state = "released"
        signed = sum(s.word == "signed" for s in found.values())
        row = kept.Release(
            id=kept.new_id(), sitting_id=sitting_id, person_id=actor.person_id, pieces=signed, made_at=tx.now
        )
        tx.keep(row, actor=str(actor), action="released", about=f"sitting {sitting_id}", pieces=signed)
        return row.id


def appeal(store: Store, actor: Actor, piece_id: str, reason: str) -> str:
    """Ask for a mark to be looked at again, as its learner; returns the appeal's id.

    Raises
    ------
    ConflictError
        If the mark is not shown yet, or an appeal is open.
    """
    reason = reason.strip()
    if not reason or len(reason) > REASON_LIMIT:
        raise InputError(f"the reason is empty or longer than {REASON_LIMIT} characters. Write it.")
    with store.write() as tx:
        found, sight = seen(tx, actor, piece_id, lock=True)
        if sight.as_ != "learner":
            raise RightsError("only who cut a piece appeals against its mark.")
        if not sight.mark or found.signature is None:
            raise ConflictError(
                "the mark is not signed and shown yet, so there is nothing to appeal against. Wait for it."
            )
        if tx.all(kept.Appeal, kept.Appeal.piece_id == piece_id, kept.Appeal.state == "open"):
            raise ConflictError("an appeal against this mark is open already. Wait for its answer.")
        row = kept.Appeal(
            id=kept.new_id(),
            piece_id=piece_id,
            learner_id=found.piece.learner_id,
            reason=reason,
            state="open",
            made_at=tx.now,
        )
        tx.add(row)
        tx.say(str(actor), "appealed", f"piece {piece_id}", appeal=row.id, sha256=_digest(reason))
        return row.id


def withdraw_appeal(store: Store, actor: Actor, appeal_id: str) -> None:
    """Take one's own open appeal back."""
    with store.write() as tx:
        row = tx.get(kept.Appeal, appeal_id, lock=True)
        if row is None or row.learner_id != actor.person_id:
            raise MissingError("there is no such appeal of yours.")
        if row.state != "open":
            raise ConflictError(f"the appeal is {row.state} already. Nothing was changed.")
        row.state = "withdrawn"
        tx.say(str(actor), "appeal withdrawn", f"piece {row.piece_id}", appeal=row.id)


def answer_appeal(
    store: Store, actor: Actor, appeal_id: str, *, state: Literal["upheld", "rejected"], answer: str
) -> None:
    """Answer an appeal as a lead. Upheld: the piece is marked anew from its readings and goes to examiners and to signature again.

    What stood before stays, and stays signed by whom it was.
    """
    if state not in ("upheld", "rejected") or not answer.strip():
        raise InputError(
            f"the answer is '{printable(state)}', expected upheld or rejected, with words for the learner. Write them."
        )
    with store.write() as tx:
        row = tx.get(kept.Appeal, appeal_id, lock=True)
        piece = None if row is None else tx.get(kept.Piece, row.piece_id, lock=True)
        sitting = None if piece is None else tx.get(kept.Sitting, piece.sitting_id)
        if row is None or piece is None or sitting is None or not may(actor, "sitting.see", sitting.site_id):
            raise MissingError("there is no such appeal. Choose one of the list.")
        require(actor, "appeal.answer", sitting.site_id)
        if row.learner_id == actor.person_id:
            raise RightsError("nobody answers their own appeal, expected another lead.")
        if row.state != "open":
            raise ConflictError(f"the appeal is {row.state} already. Nothing was changed.")
        row.state, row.answer, row.answered_by, row.answered_at = state, answer.strip(), actor.person_id, tx.now
        tx.say(str(actor), f"appeal {state}", f"piece {row.piece_id}", appeal=row.id, sha256=_digest(row.answer))
        if state == "upheld":
            _mark_anew(tx, actor, standing(tx, piece))


def appeals(store: Store, actor: Actor, state: str | None = None) -> list[AppealLine]:
    """Appeals the actor may see, oldest first: their own, and those at sites where they answer them or see every piece."""
    query = (
        select(kept.Appeal, kept.Sitting, kept.Seat.code)
        .join(kept.Piece, kept.Piece.id == kept.Appeal.piece_id)
        .join(kept.Sitting, kept.Sitting.id == kept.Piece.sitting_id)
        .join(kept.Seat, kept.Seat.id == kept.Piece.seat_id)
        .order_by(kept.Appeal.made_at)
    )
    with store.read() as tx:
        return [
            AppealLine(a.id, a.piece_id, s.id, s.title, code, a.state, a.reason, a.answer, a.made_at, a.answered_at)
            for a, s, code in tx.rows(query)
            if state in (None, a.state)
            and (may(actor, "piece.see", s.site_id) or (actor.person_id == a.learner_id and actor.allows("read")))
        ]


def appeal_zip(store: Store, actor: Actor, piece_id: str) -> bytes:
    """Everything needed to make a piece's mark again, as one zip.

    The exercise, the files, readings, rulings, decisions, signatures, the audit entries, and a page that says how. For the piece's learner once the mark is shown (other people's names left out), and for who sees every piece at the site.
    """
    with store.read() as tx:
        found, sight = seen(tx, actor, piece_id)
        if not sight.mark or found.marked is None:
            raise ConflictError("the mark is not made and shown yet, so there is nothing to make again. Wait for it.")
        if sight.as_ == "examiner":
            raise RightsError("the bundle is for the learner and for who oversees the site. Ask the lead.")
        members = _members(tx, store, found, named=sight.as_ == "overseer")
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return packed.getvalue()


def _sign(tx: Transaction, actor: Actor, found: Standing) -> str:
    sitting = tx.get(kept.Sitting, found.piece.sitting_id)
    assert sitting is not None
    if not can_sign(tx, actor, found, sitting):
        raise _why_not(actor, found, sitting)
    assert found.marked is not None
    row = kept.Signature(
        id=kept.new_id(), piece_id=found.piece.id, marking_id=found.marked.id, person_id=actor.person_id,
        number=1 if found.signature is None else found.signature.number + 1, percent=found.percent, outcome=found.outcome,
        basis={
            "rule": found.rule,
            "examinations": [e.id for e in found.examined],
            "rulings": [r.ruling for r in found.rulings],
        },
        made_at=tx.now,
    )  # fmt: skip
    tx.keep(row, actor=str(actor), action="signed", about=f"piece {found.piece.id}", outcome=found.outcome)
    return row.id


def _why_not(actor: Actor, found: Standing, sitting: kept.Sitting) -> Exception:
    if found.word != "settled" or found.outcome == "refer":
        return ConflictError(
            f"this piece is '{found.word}', expected it to be settled and not signed. Nothing was signed."
        )
    if found.piece.learner_id == actor.person_id:
        return RightsError("nobody signs their own piece, expected another person.")
    if sitting.kind == "exam" and any(e.examiner_id == actor.person_id for e in found.examined):
        return RightsError("in an exam nobody signs a piece they examined, expected another person.")
    return RightsError("you may not sign here, expected a lead of the site or an examiner appointed to the sitting.")


def _mark_anew(tx: Transaction, actor: Actor, found: Standing) -> None:
    """The same readings under the same limits as a new marking, so that nobody's earlier decision counts on it."""
    if found.marked is None:
        return
    row = kept.Marking(
        id=kept.new_id(), piece_id=found.piece.id, assessment_id=found.marked.assessment_id, number=found.marked.number + 1,
        percent=found.marked.mark.percent, outcome=found.marked.mark.outcome, least_percent=None, most_percent=None,
        why="appeal upheld", made_at=tx.now,
    )  # fmt: skip
    old = tx.all(kept.Ruling, kept.Ruling.marking_id == found.marked.id, order=[kept.Ruling.criterion])
    parts = [
        kept.Ruling(
            marking_id=row.id, criterion=r.criterion, lower=r.lower, upper=r.upper, probability_inside=r.probability_inside,
            ruling=r.ruling,
        )
        for r in old
    ]  # fmt: skip
    tx.keep(row, *parts, actor=str(actor), action="marked anew", about=f"piece {found.piece.id}", why="appeal upheld")


def _members(tx: Transaction, store: Store, found: Standing, *, named: bool) -> dict[str, bytes]:
    """The bundle's files by name."""
    assert found.marked is not None
    row = found.piece
    exercise, assessment = (
        tx.get(kept.ExerciseVersion, row.exercise_version_id),
        tx.get(kept.Assessment, found.marked.assessment_id),
    )
    sitting = tx.get(kept.Sitting, row.sitting_id)
    assert exercise is not None
    assert assessment is not None
    assert sitting is not None
    suffix = "." + row.file_name.rpartition(".")[2].lower()
    members = {"exercise.zip": store.blobs.get(exercise.blob), f"piece{suffix}": store.blobs.get(row.blob)}
    members |= {f"{side}{suffix}": store.blobs.get(sha) for side, sha in row.neighbours.items()}
    if row.rig_blob is not None:
        members["rig.toml"] = store.blobs.get(row.rig_blob)
    if assessment.blob is not None:
        members["assessment.json"] = store.blobs.get(assessment.blob)
    mark = {
        "piece": {"id": row.id, "sha256": row.blob, "attempt": row.attempt, "received_at": row.received_at},
        "exercise": {"id": exercise.exercise, "version": exercise.version, "pass": exercise.definition["pass"]},
        "sitting": {"kind": sitting.kind, "second": sitting.second, "agree_percent": sitting.agree_percent, "limits": sitting.limits},
        "kerfmark": assessment.kerfmark,
        "readings": [
            {"criterion": r.criterion, "reading": r.reading, "where": r.where, "stat": r.stat, "unit": r.unit, "value": r.value,
             "u": r.u, "status": r.status, "reason": r.reason}
            for r in tx.all(kept.Reading, kept.Reading.assessment_id == assessment.id, order=[kept.Reading.position])
        ],
        "markings": [_marking(tx, m) for m in tx.all(kept.Marking, kept.Marking.piece_id == row.id, order=[kept.Marking.number])],
        "examinations": [_examination(tx, e, named=named) for e in tx.all(kept.Examination, kept.Examination.piece_id == row.id, order=[kept.Examination.made_at])],
        "signatures": [
            {"number": s.number, "by": _name(tx, s.person_id) if named else "a named person", "at": s.made_at, "percent": s.percent,
             "outcome": s.outcome, "basis": s.basis}
            for s in tx.all(kept.Signature, kept.Signature.piece_id == row.id, order=[kept.Signature.number])
        ],
        "now": {"percent": found.percent, "outcome": found.outcome, "rule": found.rule, "rulings": [r.ruling for r in found.rulings]},
    }  # fmt: skip
    audit = [
        {
            "seq": a.seq,
            "at": a.at,
            "action": a.action,
            "details": json.loads(a.details),
            "before": a.before,
            "hash": a.hash,
        }
        | ({"actor": a.actor} if named else {})
        for a in tx.all(kept.AuditEntry, kept.AuditEntry.about == f"piece {row.id}", order=[kept.AuditEntry.seq])
    ]
    members["mark.json"] = _json(mark)
    members["audit.json"] = _json(audit)
    members["README.txt"] = HOW.format(suffix=suffix, kerfmark=assessment.kerfmark).encode()
    return members


HOW = """How to make this mark again
---------------------------
1. Install Kerfmark {kerfmark} and run, in this folder:
       kerfmark assess exercise.zip piece{suffix} --json again.json
   (with --neighbour mesial=mesial{suffix} or distal=distal{suffix} where they are here, and --rig rig.toml).
2. The readings and rulings in again.json are those of assessment.json and of "readings" in mark.json.
3. "markings" holds the limits' rulings, each with its limits; "examinations" what examiners decided on top; "now" what it comes to:
   a criterion takes the examiners' word where there is one, the weights of the met ones over all weights are the percent, and
   two examiners are averaged where they lie within "agree_percent" and agree on the outcome, else a moderator decides.
4. "signatures" says who stood for it, audit.json what was written down when.
Files have the SHA-256 that mark.json gives. Exercises only: nothing here is for use on patients.
"""


def _marking(tx: Transaction, row: kept.Marking) -> dict[str, Any]:
    rulings = tx.all(kept.Ruling, kept.Ruling.marking_id == row.id, order=[kept.Ruling.criterion])
    return {
        "number": row.number, "why": row.why, "at": row.made_at, "percent": row.percent, "outcome": row.outcome,
        "rulings": [
            {"criterion": r.criterion, "limits": [r.lower, r.upper], "probability_inside": r.probability_inside, "ruling": r.ruling}
            for r in rulings
        ],
    }  # fmt: skip


def _examination(tx: Transaction, row: kept.Examination, *, named: bool) -> dict[str, Any]:
    criteria = tx.all(
        kept.ExaminedCriterion,
        kept.ExaminedCriterion.examination_id == row.id,
        order=[kept.ExaminedCriterion.criterion],
    )
    return {
        "id": row.id, "marking": row.round, "part": row.part, "at": row.made_at, "percent": row.percent, "grade": row.grade, "note": row.note,
        "rulings": [{"criterion": c.criterion, "ruling": c.ruling, "note": c.note} for c in criteria],
        **({"by": _name(tx, row.examiner_id)} if named else {}),
    }  # fmt: skip


def _name(tx: Transaction, person_id: str) -> str:
    row = tx.get(kept.Person, person_id)
    return "" if row is None else row.name


def _json(value: Any) -> bytes:
    return json.dumps(_plain(value), indent=1, ensure_ascii=False, allow_nan=False).encode()


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _plain(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(entry) for entry in value]
    if isinstance(value, datetime):
        return value.isoformat()
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
