"""People, and how they come in."""

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

__all__ = ["Grant", "OneTimeLink", "Person", "SignIn", "Site", "StationKey", "Token", "Trait"]


class Site(Base):
    """A place where pieces are cut. `hidden_at`: no longer offered."""

    __tablename__ = "sites"
    id: Mapped[str] = own_id()
    name: Mapped[str] = mapped_column(unique=True)
    made_at: Mapped[datetime]
    hidden_at: Mapped[datetime | None]


class Person(Base):
    """Somebody: the only table with names. `code` is what rosters, stations and evidence call them; never a name.

    `login` and `password` (a hash) are the local account's; `issuer` and `subject` name the account of a university's
    provider. Erased: every one of these is emptied, `code` becomes `erased-…`.
    """

    __tablename__ = "people"
    __table_args__ = (UniqueConstraint("issuer", "subject"),)
    id: Mapped[str] = own_id()
    code: Mapped[str] = mapped_column(unique=True)
    name: Mapped[str]
    email: Mapped[str | None]
    login: Mapped[str | None] = mapped_column(unique=True)
    password: Mapped[str | None]
    issuer: Mapped[str | None]
    subject: Mapped[str | None]
    language: Mapped[str | None]
    made_at: Mapped[datetime]
    stopped_at: Mapped[datetime | None]
    erased_at: Mapped[datetime | None]


class Trait(Base):
    """What fairness is asked about (`hand`, `group`), apart from people and only with their consent."""

    __tablename__ = "traits"
    person_id: Mapped[str] = mapped_column(ForeignKey("people.id"), primary_key=True)
    name: Mapped[str] = mapped_column(String(40), primary_key=True)
    value: Mapped[str]
    consented_at: Mapped[datetime]


class Grant(Base):
    """A role held at one site, or at all where `site_id` is None, until it is ended."""

    __tablename__ = "grants"
    id: Mapped[str] = own_id()
    person_id: Mapped[str] = pointer("people.id")
    role: Mapped[str] = mapped_column(String(20))
    site_id: Mapped[str | None] = pointer("sites.id", nullable=True)
    made_at: Mapped[datetime]
    ended_at: Mapped[datetime | None]


class SignIn(Base):
    """A browser that is signed in, by the SHA-256 of its secret."""

    __tablename__ = "sign_ins"
    secret_sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    person_id: Mapped[str] = pointer("people.id")
    made_at: Mapped[datetime]
    seen_at: Mapped[datetime]
    ends_at: Mapped[datetime]


class OneTimeLink(Base):
    """A link that works once: the first lead's set-up, an invitation, a new password. By the SHA-256 of its secret."""

    __tablename__ = "one_time_links"
    secret_sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    purpose: Mapped[str] = mapped_column(String(20))
    person_id: Mapped[str | None] = pointer("people.id", nullable=True)
    made_at: Mapped[datetime]
    ends_at: Mapped[datetime]
    used_at: Mapped[datetime | None]


class Token(Base):
    """A person's key to the API, for some scopes, by the SHA-256 of its secret."""

    __tablename__ = "tokens"
    id: Mapped[str] = own_id()
    secret_sha256: Mapped[str] = mapped_column(String(64), unique=True)
    person_id: Mapped[str] = pointer("people.id")
    name: Mapped[str]
    scopes: Mapped[list[Any]]
    made_at: Mapped[datetime]
    ends_at: Mapped[datetime | None]
    used_at: Mapped[datetime | None]
    stopped_at: Mapped[datetime | None]


class StationKey(Base):
    """What a rig or a scanner's computer hands pieces in with; `rig` is what evidence calls it."""

    __tablename__ = "station_keys"
    id: Mapped[str] = own_id()
    secret_sha256: Mapped[str] = mapped_column(String(64), unique=True)
    site_id: Mapped[str] = pointer("sites.id")
    rig: Mapped[str]
    made_at: Mapped[datetime]
    used_at: Mapped[datetime | None]
    stopped_at: Mapped[datetime | None]
