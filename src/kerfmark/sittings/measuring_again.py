"""Pieces that were set aside are measured once more, as after a limit was raised or a fault was mended."""

from __future__ import annotations

from kerfmark.errors import ConflictError, MissingError
from kerfmark.sittings.belonging import sitting_of
from kerfmark.sittings.rights import Actor, may, require
from kerfmark.storage import Store, Transaction, func, select
from kerfmark.storage.schema import Blob, Job, Piece, Sitting, new_id

__all__ = ["may_measure_again", "measure_again", "measure_set_aside"]


def measure_again(store: Store, actor: Actor, piece_id: str) -> None:
    """Let a piece that was set aside wait to be measured once more; its file, attempt and own view stay as they are.

    Raises
    ------
    ConflictError
        If it is not set aside, its file was let go, or the learner has used the attempt for another piece meanwhile.
    MissingError
        If there is no such piece at a site of the actor's.
    """
    with store.write() as tx:
        row = tx.get(Piece, piece_id, lock=True)
        sitting = None if row is None else sitting_of(tx, row)
        if row is None or sitting is None or not may(actor, "sitting.see", sitting.site_id):
            raise MissingError("there is no such piece. Choose one of the list.")
        require(actor, "piece.hand_in", sitting.site_id)
        why_not = _why_not(tx, row, sitting)
        if why_not is not None:
            raise ConflictError(why_not)
        _let_wait(tx, actor, row)


def measure_set_aside(store: Store, actor: Actor, sitting_id: str) -> int:
    """As `measure_again`, of every piece of a sitting that was set aside and may be measured; returns how many."""
    with store.write() as tx:
        sitting = tx.get(Sitting, sitting_id)
        if sitting is None or not may(actor, "sitting.see", sitting.site_id):
            raise MissingError("there is no such sitting. Choose one of the list.")
        require(actor, "piece.hand_in", sitting.site_id)
        rows = tx.all(Piece, Piece.sitting_id == sitting_id, Piece.state == "set aside", order=[Piece.received_at])
        again = 0
        for row in rows:
            if _why_not(tx, row, sitting) is None:
                _let_wait(tx, actor, row)
                again += 1
        return again


def may_measure_again(actor: Actor, site_id: str) -> bool:
    """Whether an actor may have pieces of a site measured once more."""
    return may(actor, "sitting.see", site_id) and may(actor, "piece.hand_in", site_id)


def _why_not(tx: Transaction, row: Piece, sitting: Sitting) -> str | None:
    file = tx.get(Blob, row.blob)
    if row.state != "set aside":
        return f"the piece is {row.state}, expected one that was set aside. Nothing was changed."
    if row.erased_at is not None or file is None or file.erased_at is not None:
        return "the piece's file was let go, so it cannot be measured any more. Have it handed in again."
    query = select(func.count()).select_from(Piece).where(Piece.seat_id == row.seat_id, Piece.state != "set aside")
    if sitting.attempts is not None and tx.rows(query)[0][0] >= sitting.attempts:
        return f"all attempts are used ({sitting.attempts}) by pieces handed in since, so this one would be one too many. Nothing was changed."
    return None


def _let_wait(tx: Transaction, actor: Actor, row: Piece) -> None:
    row.state, row.reason = "received", None
    tx.add(Job(id=new_id(), piece_id=row.id, state="queued", tries=0, made_at=tx.now))
    tx.say(str(actor), "to be measured again", f"piece {row.id}")
