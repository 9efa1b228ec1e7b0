"""What people say about a piece, and what they decide."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import (
    ForeignKey,
    String,
    UniqueConstraint,
)
from sqlalchemy.orm import Mapped, mapped_column

from kerfmark.storage.schema.base import Base, own_id, pointer

__all__ = [
    "Appeal",
    "Examination",
    "ExaminedCriterion",
    "Note",
    "OwnView",
    "OwnViewed",
    "Reflection",
    "Release",
    "Signature",
]


class OwnView(Base):
    """A learner's own view of a piece, given before anything was shown, *kept*."""

    __tablename__ = "own_views"
    id: Mapped[str] = own_id()
    piece_id: Mapped[str] = mapped_column(ForeignKey("pieces.id"), unique=True)
    learner_id: Mapped[str] = pointer("people.id")
    made_at: Mapped[datetime]


class OwnViewed(Base):
    """One criterion of an own view: `inside`, `outside` or `cannot tell`; `guess`, `fairly sure` or `sure`."""

    __tablename__ = "own_views_criteria"
    own_view_id: Mapped[str] = mapped_column(ForeignKey("own_views.id"), primary_key=True)
    criterion: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    view: Mapped[str] = mapped_column(String(12))
    confidence: Mapped[str | None] = mapped_column(String(12))


class Reflection(Base):
    """What a learner wrote after the reveal; the last one of a piece counts. `answers` by prompt."""

    __tablename__ = "reflections"
    id: Mapped[str] = own_id()
    piece_id: Mapped[str] = pointer("pieces.id")
    learner_id: Mapped[str] = pointer("people.id")
    answers: Mapped[dict[str, Any]]
    made_at: Mapped[datetime]


class Examination(Base):
    """What one examiner decided about one piece, *kept*. `part` is `first`, `second` or `moderator`."""

    __tablename__ = "examinations"
    __table_args__ = (UniqueConstraint("piece_id", "part", "round"),)
    id: Mapped[str] = own_id()
    piece_id: Mapped[str] = pointer("pieces.id")
    marking_id: Mapped[str] = pointer("markings.id", index=False)
    examiner_id: Mapped[str] = pointer("people.id")
    part: Mapped[str] = mapped_column(String(10))
    round: Mapped[int]
    percent: Mapped[float | None]
    grade: Mapped[int | None]
    note: Mapped[str]
    made_at: Mapped[datetime]


class ExaminedCriterion(Base):
    """One criterion an examiner decided: `met` or `not met`, with the words the learner will read."""

    __tablename__ = "examinations_criteria"
    examination_id: Mapped[str] = mapped_column(ForeignKey("examinations.id"), primary_key=True)
    criterion: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    ruling: Mapped[str] = mapped_column(String(20))
    note: Mapped[str]


class Signature(Base):
    """A named person stands for a piece's mark, *kept*. `basis` holds what it was made of; a later one replaces it."""

    __tablename__ = "signatures"
    __table_args__ = (UniqueConstraint("piece_id", "number"),)
    id: Mapped[str] = own_id()
    piece_id: Mapped[str] = pointer("pieces.id")
    marking_id: Mapped[str] = pointer("markings.id", index=False)
    person_id: Mapped[str] = pointer("people.id")
    number: Mapped[int]
    percent: Mapped[float | None]
    outcome: Mapped[str] = mapped_column(String(10))
    basis: Mapped[dict[str, Any]]
    made_at: Mapped[datetime]


class Release(Base):
    """A sitting's marks shown to its learners, *kept*. `pieces` is how many were signed by then."""

    __tablename__ = "releases"
    id: Mapped[str] = own_id()
    sitting_id: Mapped[str] = pointer("sittings.id")
    person_id: Mapped[str] = pointer("people.id")
    pieces: Mapped[int]
    made_at: Mapped[datetime]


class Appeal(Base):
    """A learner asks for a mark to be looked at again. `state` is `open`, `upheld`, `rejected` or `withdrawn`."""

    __tablename__ = "appeals"
    id: Mapped[str] = own_id()
    piece_id: Mapped[str] = pointer("pieces.id")
    learner_id: Mapped[str] = pointer("people.id")
    reason: Mapped[str]
    state: Mapped[str] = mapped_column(String(10))
    answer: Mapped[str | None]
    answered_by: Mapped[str | None] = pointer("people.id", index=False, nullable=True)
    made_at: Mapped[datetime]
    answered_at: Mapped[datetime | None]


class Note(Base):
    """Words about a piece, pinned to a surface point (tooth frame, mm) or to a criterion. Withdrawn: no longer shown."""

    __tablename__ = "notes"
    id: Mapped[str] = own_id()
    piece_id: Mapped[str] = pointer("pieces.id")
    author_id: Mapped[str] = pointer("people.id", index=False)
    part: Mapped[str] = mapped_column(String(10))
    text: Mapped[str]
    criterion: Mapped[int | None]
    x_mm: Mapped[float | None]
    y_mm: Mapped[float | None]
    z_mm: Mapped[float | None]
    made_at: Mapped[datetime]
    withdrawn_at: Mapped[datetime | None]
