"""Exercises and sittings."""

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

__all__ = ["Appointment", "Criterion", "ExerciseVersion", "Seat", "Sitting"]


class ExerciseVersion(Base):
    """An exercise as it stood: its zip as a blob, its definition, and what proving it found."""

    __tablename__ = "exercise_versions"
    id: Mapped[str] = own_id()
    exercise: Mapped[str] = mapped_column(index=True)
    version: Mapped[str] = mapped_column(unique=True)
    title: Mapped[str]
    family: Mapped[str] = mapped_column(String(20))
    tooth: Mapped[int | None]
    builtin: Mapped[bool]
    blob: Mapped[str] = pointer("blobs.sha256", index=False)
    definition: Mapped[dict[str, Any]]
    proof: Mapped[dict[str, Any] | None]
    can_be_cut: Mapped[bool | None]
    can_be_marked: Mapped[bool | None]
    imported_by: Mapped[str | None] = pointer("people.id", index=False, nullable=True)
    imported_at: Mapped[datetime]
    hidden_at: Mapped[datetime | None]


class Criterion(Base):
    """A criterion of an exercise version, by its place in the list (its balloon is `position` + 1). Open limits are None."""

    __tablename__ = "criteria"
    exercise_version_id: Mapped[str] = mapped_column(ForeignKey("exercise_versions.id"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    reading: Mapped[str]
    where: Mapped[str | None] = mapped_column("place")
    stat: Mapped[str | None]
    unit: Mapped[str]
    lower: Mapped[float | None]
    upper: Mapped[float | None]
    weight: Mapped[float]
    critical: Mapped[bool]
    ask: Mapped[str | None]


class Sitting(Base):
    """An exercise put before some learners, for practice or as an exam.

    `state` is `open`, `closed` or `released`. `attempts` None: as many as they like. `blind`: examiners see codes only.
    `second` says which pieces two examiners see (`none`, `all`, `unsure`: those too close to call or near the pass line,
    `part`: a share `second_share` drawn by code), `agree_percent` how far two marks may lie apart and still be averaged.
    `prompts` are asked in the learner's reflection. `limits` in force, where they are not the exercise's own.
    """

    __tablename__ = "sittings"
    id: Mapped[str] = own_id()
    title: Mapped[str]
    site_id: Mapped[str] = pointer("sites.id")
    exercise_version_id: Mapped[str] = pointer("exercise_versions.id")
    kind: Mapped[str] = mapped_column(String(10))
    state: Mapped[str] = mapped_column(String(10))
    opens_at: Mapped[datetime]
    closes_at: Mapped[datetime | None]
    attempts: Mapped[int | None]
    blind: Mapped[bool]
    own_view: Mapped[bool]
    second: Mapped[str] = mapped_column(String(10))
    second_share: Mapped[float]
    agree_percent: Mapped[float]
    prompts: Mapped[list[Any]]
    limits: Mapped[list[Any] | None]
    simulated: Mapped[bool]
    opened_by: Mapped[str | None] = pointer("people.id", index=False, nullable=True)
    made_at: Mapped[datetime]
    closed_at: Mapped[datetime | None]


class Seat(Base):
    """A learner's place in a sitting, with the code examiners know them by."""

    __tablename__ = "seats"
    __table_args__ = (UniqueConstraint("sitting_id", "learner_id"), UniqueConstraint("sitting_id", "code"))
    id: Mapped[str] = own_id()
    sitting_id: Mapped[str] = pointer("sittings.id")
    learner_id: Mapped[str] = pointer("people.id")
    code: Mapped[str]
    place: Mapped[str | None]
    made_at: Mapped[datetime]


class Appointment(Base):
    """Who examines, moderates or signs a sitting: `part` is `examiner` or `moderator`."""

    __tablename__ = "appointments"
    __table_args__ = (UniqueConstraint("sitting_id", "person_id", "part"),)
    id: Mapped[str] = own_id()
    sitting_id: Mapped[str] = pointer("sittings.id")
    person_id: Mapped[str] = pointer("people.id")
    part: Mapped[str] = mapped_column(String(10))
    made_at: Mapped[datetime]
    ended_at: Mapped[datetime | None]
