"""Appeals: a learner asks for a mark to be looked at again, and a lead answers."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from kerfmark.errors import ConflictError, InputError, MissingError, RightsError, printable
from kerfmark.sittings.marks import UPHELD, Standing, standing
from kerfmark.sittings.rights import Actor, may, require, require_scope
from kerfmark.sittings.sight import seen
from kerfmark.storage import Store, Transaction, select
from kerfmark.storage import schema as kept

__all__ = ["AppealLine", "answer_appeal", "appeal", "appeals", "withdraw_appeal"]


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
        require_scope(actor, "submit", "appeal")
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
        require_scope(actor, "submit", "withdraw appeals")
        if row.state != "open":
            raise ConflictError(f"the appeal is {row.state} already. Nothing was changed.")
        row.state = "withdrawn"
        tx.say(str(actor), "appeal withdrawn", f"piece {row.piece_id}", appeal=row.id)


def answer_appeal(
    store: Store, actor: Actor, appeal_id: str, *, state: Literal["upheld", "rejected"], answer: str
) -> None:
    """Answer an appeal as a lead who did not examine the piece.

    Upheld: the piece is marked anew from its readings, goes to an examiner who did not see it before, and is signed again. What
    stood before stays, and stays signed by whom it was.

    Raises
    ------
    ConflictError
        If the appeal is answered already; or it is to be upheld, and nobody is appointed who has not examined the piece.
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
        found = standing(tx, piece)
        if actor.person_id is not None and actor.person_id in _examined_by(tx, piece):
            raise RightsError("nobody answers an appeal against what they decided, expected another lead.")
        if state == "upheld":
            _check_another(tx, piece)
        row.state, row.answer, row.answered_by, row.answered_at = state, answer.strip(), actor.person_id, tx.now
        tx.say(str(actor), f"appeal {state}", f"piece {row.piece_id}", appeal=row.id, sha256=_digest(row.answer))
        if state == "upheld":
            _mark_anew(tx, actor, found)


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


def _examined_by(tx: Transaction, piece: kept.Piece) -> set[str]:
    return {row.examiner_id for row in tx.all(kept.Examination, kept.Examination.piece_id == piece.id)}


def _check_another(tx: Transaction, piece: kept.Piece) -> None:
    """Refuse to send a piece to examiners where nobody is appointed who has not examined it."""
    appointed = tx.all(
        kept.Appointment,
        kept.Appointment.sitting_id == piece.sitting_id,
        kept.Appointment.part == "examiner",
        kept.Appointment.ended_at.is_(None),
    )
    if {row.person_id for row in appointed} <= _examined_by(tx, piece) | {piece.learner_id}:
        raise ConflictError(
            "everybody appointed to this sitting has examined the piece, expected an examiner who sees it for the first time. "
            "Appoint one, then answer."
        )


def _mark_anew(tx: Transaction, actor: Actor, found: Standing) -> None:
    """The same readings under the same limits as a new marking, so that nobody's earlier decision counts on it."""
    if found.marked is None:
        return
    row = kept.Marking(
        id=kept.new_id(), piece_id=found.piece.id, assessment_id=found.marked.assessment_id, number=found.marked.number + 1,
        percent=found.marked.mark.percent, outcome=found.marked.mark.outcome, least_percent=None, most_percent=None,
        why=UPHELD, made_at=tx.now,
    )  # fmt: skip
    old = tx.all(kept.Ruling, kept.Ruling.marking_id == found.marked.id, order=[kept.Ruling.criterion])
    parts = [
        kept.Ruling(
            marking_id=row.id, criterion=r.criterion, lower=r.lower, upper=r.upper, probability_inside=r.probability_inside,
            ruling=r.ruling,
        )
        for r in old
    ]  # fmt: skip
    tx.keep(row, *parts, actor=str(actor), action="marked anew", about=f"piece {found.piece.id}", why=UPHELD)


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
