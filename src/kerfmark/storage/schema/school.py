"""What the school has chosen, what a board says, and what happened."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import (
    String,
)
from sqlalchemy.orm import Mapped, mapped_column

from kerfmark.storage.schema.base import Base, own_id, pointer

__all__ = ["AuditEntry", "BoardPaper", "ChosenLine", "SchoolSetting"]


class BoardPaper(Base):
    """What stands beside the marks when evidence is asked of them: `kind` is `panel`, `earlier` or `actions`.

    `content` is the paper's text, a CSV of docs/evidence/data.md. `exercise` empty: of all; `sites`: the ids of the sites it
    is about, empty for all of them. Withdrawn: asked of no more.
    """

    __tablename__ = "board_papers"
    id: Mapped[str] = own_id()
    kind: Mapped[str] = mapped_column(String(10))
    exercise: Mapped[str] = mapped_column(index=True)
    sites: Mapped[str]
    name: Mapped[str]
    content: Mapped[str]
    made_by: Mapped[str | None] = pointer("people.id", index=False, nullable=True)
    made_at: Mapped[datetime]
    withdrawn_at: Mapped[datetime | None]


class ChosenLine(Base):
    """A pass line a named person stands for, with the reason, *kept*; a later one replaces it.

    `basis` holds what it was chosen from: every line there was, the table's digest, draws and seed.
    """

    __tablename__ = "chosen_lines"
    id: Mapped[str] = own_id()
    exercise: Mapped[str] = mapped_column(index=True)
    sites: Mapped[str]
    method: Mapped[str]
    percent: Mapped[float]
    se: Mapped[float | None]
    reason: Mapped[str]
    person_id: Mapped[str | None] = pointer("people.id", nullable=True)
    basis: Mapped[dict[str, Any]]
    made_at: Mapped[datetime]


class SchoolSetting(Base):
    """One thing the school has chosen: its name, how long files are kept."""

    __tablename__ = "school_settings"
    name: Mapped[str] = mapped_column(String(60), primary_key=True)
    value: Mapped[str]
    changed_at: Mapped[datetime]


class AuditEntry(Base):
    """One thing that happened. Never changed: the database refuses it, and each entry's hash holds the one before."""

    __tablename__ = "audit"
    seq: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    at: Mapped[str] = mapped_column(String(40))
    actor: Mapped[str]
    action: Mapped[str] = mapped_column(String(60), index=True)
    about: Mapped[str] = mapped_column(index=True)
    details: Mapped[str]
    before: Mapped[str] = mapped_column(String(64))
    hash: Mapped[str] = mapped_column(String(64), unique=True)
