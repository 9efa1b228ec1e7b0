"""Own judgement first: a learner's view of their own piece, what they write after the reveal, and how their views have gone."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Literal, TypeAlias

import numpy as np

from kerfmark.errors import ConflictError, EvidenceError, InputError, MissingError, RightsError, printable
from kerfmark.sittings.belonging import released
from kerfmark.sittings.exercises import criteria_of
from kerfmark.sittings.rights import Actor, may, require_scope
from kerfmark.sittings.sight import seen
from kerfmark.statistics.clustered import clustered_mean
from kerfmark.statistics.estimates import Estimate
from kerfmark.storage import Store, Transaction, select
from kerfmark.storage.schema import (
    Criterion,
    ExerciseVersion,
    Marking,
    OwnView,
    OwnViewed,
    Piece,
    Reflection,
    Ruling,
    Sitting,
    new_id,
)

__all__ = ["CONFIDENCES", "CONFIDENCE_CHANCE", "VIEWS", "History", "Viewed", "give_own_view", "own_history", "reflect"]

View: TypeAlias = Literal["inside", "outside", "cannot tell"]
Confidence: TypeAlias = Literal["guess", "fairly sure", "sure"]
VIEWS = ("inside", "outside", "cannot tell")
CONFIDENCES = ("guess", "fairly sure", "sure")
CONFIDENCE_CHANCE = {"guess": 0.55, "fairly sure": 0.75, "sure": 0.95}
"""The chance of being right that evidence takes each word to mean [practice]; pages say so."""
LEAST_PIECES = 3
"""No bias is told from fewer pieces: one attempt says nothing about a habit."""


@dataclass(frozen=True, slots=True)
class Viewed:
    """One criterion of one piece: what the learner said, and what the limits said."""

    piece_id: str
    made_at: datetime
    exercise: str
    attempt: int
    criterion: int
    reading: str
    view: str
    confidence: str | None
    ruling: str


@dataclass(frozen=True, slots=True)
class History:
    """A learner's own views so far.

    Attributes
    ----------
    viewed : tuple of Viewed
        Oldest first; only of pieces whose measurement the learner may see.
    bias : Estimate or None
        Share of criteria said to be inside, minus the share that was met, over criteria where both are clear: above 0, work is seen
        as better than it is. With its interval over pieces; None below three pieces.
    pieces : int
    """

    viewed: tuple[Viewed, ...]
    bias: Estimate | None
    pieces: int


def give_own_view(
    store: Store, actor: Actor, piece_id: str, views: Mapping[int, tuple[View, Confidence | None]]
) -> None:
    """Keep a learner's own view of their piece, once, before anything is shown.

    Parameters
    ----------
    views : mapping of int to (view, confidence)
        For every criterion: `inside` or `outside` with `guess`, `fairly sure` or `sure`; `cannot tell` with None.

    Raises
    ------
    ConflictError
        If it was given already.
    RightsError
        If the piece is somebody else's.
    """
    with store.write() as tx:
        found, sight = seen(tx, actor, piece_id, lock=True)
        if sight.as_ != "learner":
            raise RightsError("only who cut a piece gives their own view of it. Write a note instead.")
        require_scope(actor, "submit", "give an own view")
        row = found.piece
        if tx.one(OwnView, OwnView.piece_id == piece_id) is not None:
            raise ConflictError("your own view of this piece was given already, and stays as it is.")
        _check_views(views, len(criteria_of(tx, row.exercise_version_id)))
        own = OwnView(id=new_id(), piece_id=piece_id, learner_id=row.learner_id, made_at=tx.now)
        parts = [
            OwnViewed(own_view_id=own.id, criterion=at, view=view, confidence=confidence)
            for at, (view, confidence) in sorted(views.items())
        ]
        tx.keep(own, *parts, actor=str(actor), action="own view given", about=f"piece {piece_id}")


def reflect(store: Store, actor: Actor, piece_id: str, answers: Mapping[str, str]) -> None:
    """Keep what the learner writes once the piece was revealed; a later one replaces it.

    Parameters
    ----------
    answers : mapping
        By the sitting's prompts; an empty prompt for free words.
    """
    with store.write() as tx:
        found, sight = seen(tx, actor, piece_id)
        if sight.as_ != "learner":
            raise RightsError("only who cut a piece reflects on it.")
        require_scope(actor, "submit", "reflect on a piece")
        if not sight.measured:
            raise ConflictError(
                "a reflection follows the reveal: give your own view first, and in an exam wait for the release."
            )
        sitting = tx.get(Sitting, found.piece.sitting_id)
        assert sitting is not None
        unknown = set(answers) - {*sitting.prompts, ""}
        if unknown or any(len(text) > 4000 for text in answers.values()):
            raise InputError(
                "an answer is too long (4000 characters) or belongs to no prompt of this sitting. Correct it."
            )
        text = {prompt: answer.strip() for prompt, answer in answers.items()}
        row = Reflection(
            id=new_id(), piece_id=piece_id, learner_id=found.piece.learner_id, answers=text, made_at=tx.now
        )
        tx.add(row)
        digest = hashlib.sha256(json.dumps(text, sort_keys=True).encode()).hexdigest()
        tx.say(str(actor), "reflection written", f"piece {piece_id}", reflection=row.id, sha256=digest)


def own_history(store: Store, actor: Actor, learner_id: str | None = None) -> History:
    """How a learner's own views have gone: one's own, or a learner's whose pieces the actor oversees."""
    wanted = learner_id or actor.person_id
    with store.read() as tx:
        rows = [row for row in _rows(tx, wanted) if _shown(tx, actor, row.sitting_id, wanted)]
    if learner_id not in (None, actor.person_id) and not rows:
        raise MissingError("there are no views of that learner to show.")
    viewed = tuple(
        Viewed(r.id, r.made_at, r.title, r.attempt, r.criterion, r.reading, r.view, r.confidence, r.ruling)
        for r in rows
    )
    return History(viewed, _bias(viewed), len({v.piece_id for v in viewed}))


def _rows(tx: Transaction, learner_id: str | None) -> list:  # type: ignore[type-arg]
    """Views beside the last marking's rulings, oldest first."""
    last = (
        select(Marking.id)
        .where(Marking.piece_id == Piece.id)
        .order_by(Marking.number.desc())
        .limit(1)
        .correlate(Piece)
        .scalar_subquery()
    )
    query = (
        select(
            Piece.id, Piece.sitting_id, Piece.attempt, OwnView.made_at, ExerciseVersion.title, OwnViewed.criterion, OwnViewed.view,
            OwnViewed.confidence, Criterion.reading, Ruling.ruling,
        )
        .join(OwnView, OwnView.piece_id == Piece.id)
        .join(OwnViewed, OwnViewed.own_view_id == OwnView.id)
        .join(ExerciseVersion, ExerciseVersion.id == Piece.exercise_version_id)
        .join(Criterion, (Criterion.exercise_version_id == Piece.exercise_version_id) & (Criterion.position == OwnViewed.criterion))
        .join(Ruling, (Ruling.marking_id == last) & (Ruling.criterion == OwnViewed.criterion))
        .where(Piece.learner_id == learner_id)
        .order_by(OwnView.made_at, Piece.id, OwnViewed.criterion)
    )  # fmt: skip
    return list(tx.rows(query))


def _shown(tx: Transaction, actor: Actor, sitting_id: str, learner_id: str | None) -> bool:
    sitting = tx.get(Sitting, sitting_id)
    assert sitting is not None
    if actor.program or (actor.person_id != learner_id and may(actor, "piece.see", sitting.site_id)):
        return True
    own = actor.person_id == learner_id and actor.allows("read")
    return own and (sitting.kind == "practice" or released(tx, sitting) is not None)


def _bias(viewed: tuple[Viewed, ...]) -> Estimate | None:
    """Said inside minus met, over criteria where the view and the ruling are both clear."""
    clear = [v for v in viewed if v.view in ("inside", "outside") and v.ruling in ("met", "not met")]
    pieces = [v.piece_id for v in clear]
    if len(set(pieces)) < LEAST_PIECES:
        return None
    over = np.array([float(v.view == "inside") - float(v.ruling == "met") for v in clear])
    try:
        return clustered_mean(over, np.unique(pieces, return_inverse=True)[1])
    except EvidenceError:
        return None


def _check_views(views: Mapping[int, tuple[View, Confidence | None]], criteria: int) -> None:
    if set(views) != set(range(criteria)):
        raise InputError(
            f"views are given of {len(views)} criteria, expected one of each of the {criteria}. Give the rest."
        )
    for at, (view, confidence) in views.items():
        if view not in VIEWS:
            raise InputError(
                f"criterion {at + 1}: view is '{printable(view)}', expected {', '.join(VIEWS)}. Choose one."
            )
        if (confidence is None) != (view == "cannot tell") or (
            confidence is not None and confidence not in CONFIDENCES
        ):
            raise InputError(
                f"criterion {at + 1}: confidence is '{printable(confidence)}', expected {', '.join(CONFIDENCES)}, and none where you cannot tell. "
                "Correct it."
            )
