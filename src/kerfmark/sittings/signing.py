"""Signing and release: a named person stands for each mark, and then its learner reads it."""

from __future__ import annotations

from kerfmark.errors import ConflictError, MissingError, RightsError
from kerfmark.sittings.marks import Standing, standings
from kerfmark.sittings.rights import Actor, may, require
from kerfmark.sittings.sight import can_sign, seen
from kerfmark.storage import Store, Transaction
from kerfmark.storage import schema as kept

__all__ = ["release", "sign", "sign_settled"]


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
        If the sitting is open or its marks were released already, or pieces of it are neither signed nor set aside; the sentence counts them.
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
        if sitting.state == "released":
            raise ConflictError("the marks were released already. Nothing was changed.")
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
