"""Sittings opened, closed and opened again."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Literal, TypeAlias

from kerfmark.errors import ConflictError, InputError, MissingError, printable
from kerfmark.sittings.belonging import to_change
from kerfmark.sittings.rights import Actor, require
from kerfmark.storage import Store, Transaction
from kerfmark.storage.schema import (
    ExerciseVersion,
    Site,
    Sitting,
    new_id,
)

__all__ = ["close_sitting", "open_sitting", "reopen_sitting"]


Kind: TypeAlias = Literal["practice", "exam"]

Second: TypeAlias = Literal["none", "all", "unsure", "part"]


def open_sitting(
    store: Store,
    actor: Actor,
    *,
    title: str,
    site_id: str,
    exercise_id: str,
    kind: Kind = "practice",
    opens_at: datetime | None = None,
    closes_at: datetime | None = None,
    attempts: int | None = None,
    blind: bool | None = None,
    own_view: bool = True,
    second: Second = "none",
    second_share: float = 0.1,
    agree_percent: float = 10.0,
    prompts: Sequence[str] = (),
    simulated: bool = False,
) -> str:
    """Open a sitting; returns its id.

    Parameters
    ----------
    kind : str
        `practice`: the reveal follows the own view. `exam`: blind unless said otherwise, signed, shown after release; the
        exercise must have been proved to be markable.
    opens_at, closes_at : datetime, optional
        Pieces are taken in between; now, and until closed, where left out.
    attempts : int, optional
        Most pieces a learner may hand in; an exam's default is 1, practice has no limit. Pieces set aside do not count.
    second, second_share, agree_percent
        See `storage.schema.Sitting`.
    prompts : sequence of str
        Asked in the learner's reflection after the reveal.

    Raises
    ------
    ConflictError
        If an exam's exercise was not proved, or proved not to be markable.
    """
    require(actor, "sitting.open", site_id)
    _check(title, kind, second, attempts=attempts, second_share=second_share, agree_percent=agree_percent)
    exam = kind == "exam"
    with store.write() as tx:
        _check_place(tx, site_id, exercise_id, exam=exam)
        row = Sitting(
            id=new_id(), title=" ".join(title.split()), site_id=site_id, exercise_version_id=exercise_id, kind=kind, state="open",
            opens_at=opens_at or tx.now, closes_at=closes_at, attempts=attempts if attempts is not None else 1 if exam else None,
            blind=exam if blind is None else blind, own_view=own_view, second=second, second_share=second_share,
            agree_percent=agree_percent, prompts=[p.strip()[:500] for p in prompts if p.strip()], limits=None,
            simulated=simulated, opened_by=actor.person_id, made_at=tx.now,
        )  # fmt: skip
        if row.closes_at is not None and row.closes_at <= row.opens_at:
            raise InputError("the sitting closes before it opens, expected a later time. Correct the times.")
        tx.add(row)
        tx.say(str(actor), "sitting opened", f"sitting {row.id}", kind=kind, exercise=exercise_id)
        return row.id


def close_sitting(store: Store, actor: Actor, sitting_id: str) -> None:
    """Take in no more pieces."""
    _turn(store, actor, sitting_id, "open", "closed", "sitting closed")


def reopen_sitting(store: Store, actor: Actor, sitting_id: str) -> None:
    """Take in pieces again; not after release."""
    _turn(store, actor, sitting_id, "closed", "open", "sitting reopened")


def _turn(store: Store, actor: Actor, sitting_id: str, before: str, after: str, words: str) -> None:
    with store.write() as tx:
        row = to_change(tx, actor, sitting_id)
        if row.state != before:
            raise ConflictError(f"the sitting is {row.state}, expected it to be {before}. Nothing was changed.")
        row.state = after
        row.closed_at = tx.now if after == "closed" else None
        tx.say(str(actor), words, f"sitting {sitting_id}")


def _check(
    title: str, kind: str, second: str, *, attempts: int | None, second_share: float, agree_percent: float
) -> None:
    if not title.strip() or len(title) > 200:
        raise InputError("title is empty or too long, expected 1 to 200 characters. Give one.")
    if kind not in ("practice", "exam"):
        raise InputError(f"kind is '{printable(kind)}', expected practice or exam. Choose one.")
    if second not in ("none", "all", "unsure", "part"):
        raise InputError(f"second is '{printable(second)}', expected none, all, unsure or part. Choose one.")
    if attempts is not None and attempts < 1:
        raise InputError(f"attempts is {attempts}, expected at least 1, or none for no limit. Correct it.")
    if not 0.0 <= second_share <= 1.0 or not 0.0 <= agree_percent <= 100.0:
        raise InputError("second_share is a share from 0 to 1 and agree_percent from 0 to 100. Correct them.")


def _check_place(tx: Transaction, site_id: str, exercise_id: str, *, exam: bool) -> None:
    site, version = tx.get(Site, site_id), tx.get(ExerciseVersion, exercise_id)
    if site is None or site.hidden_at is not None:
        raise MissingError("there is no such site. Choose one of the list.")
    if version is None or version.hidden_at is not None:
        raise MissingError("there is no such exercise. Choose one of the list.")
    if exam and not version.can_be_marked:
        found = "was not proved yet" if version.can_be_marked is None else "cannot be marked by its source"
        raise ConflictError(
            f"the exercise {found}, expected a proof that it can be marked. Prove it, or correct it and import it again."
        )
