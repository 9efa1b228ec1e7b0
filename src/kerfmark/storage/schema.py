"""Every table of the store, one class a table. Times are UTC; ids are random words, so that none can be guessed or counted.

A table marked *kept* is only ever added to: what is added is digested into the audit log (`storage.audit`), so that a row
changed behind the program's back is found. People are named in `people` alone; everything else points to them.
"""

from __future__ import annotations

import secrets
from datetime import UTC, datetime
from typing import Any, ClassVar

from sqlalchemy import (
    JSON,
    BigInteger,
    DateTime,
    Float,
    ForeignKey,
    Index,
    LargeBinary,
    MetaData,
    String,
    Text,
    UniqueConstraint,
)
from sqlalchemy.engine import Dialect
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column
from sqlalchemy.types import TypeDecorator

__all__ = [
    "KEPT",
    "Appeal",
    "Appointment",
    "Assessment",
    "AuditEntry",
    "Base",
    "Blob",
    "BoardPaper",
    "Calibration",
    "ChosenLine",
    "Criterion",
    "Drawing",
    "Examination",
    "ExaminedCriterion",
    "ExerciseVersion",
    "Grant",
    "Job",
    "Marking",
    "Note",
    "OneTimeLink",
    "OwnView",
    "OwnViewed",
    "Person",
    "Piece",
    "Reading",
    "Reflection",
    "Release",
    "Rereading",
    "RereadingValue",
    "Ruling",
    "SchoolSetting",
    "Seat",
    "SignIn",
    "Signature",
    "Site",
    "Sitting",
    "StationKey",
    "Token",
    "Trait",
    "new_id",
]

ID_BYTES = 10


def new_id() -> str:
    """A random id of 20 hexadecimal digits."""
    return secrets.token_hex(ID_BYTES)


class Utc(TypeDecorator[datetime]):
    """A time in UTC, on databases that keep time zones and on those that do not."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Only times that know their zone are taken."""
        if value is None:
            return None
        assert value.tzinfo is not None, "a time without a zone"
        utc = value.astimezone(UTC)
        return utc.replace(tzinfo=None) if dialect.name == "sqlite" else utc

    def process_result_value(self, value: datetime | None, _dialect: Dialect) -> datetime | None:
        """The zone is put back where the database dropped it."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Base(DeclarativeBase):
    """What all tables share."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map: ClassVar[dict[Any, Any]] = {
        datetime: Utc,
        str: Text,
        bytes: LargeBinary,
        float: Float(53),
        dict[str, Any]: JSON,
        list[Any]: JSON,
    }


Key = String(20)


def _id() -> Mapped[str]:
    return mapped_column(Key, primary_key=True, default=new_id)


def _to(target: str, *, index: bool = True, nullable: bool = False) -> Any:
    return mapped_column(ForeignKey(target), index=index, nullable=nullable)


# People and how they come in


class Site(Base):
    """A place where pieces are cut. `hidden_at`: no longer offered."""

    __tablename__ = "sites"
    id: Mapped[str] = _id()
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
    id: Mapped[str] = _id()
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
    id: Mapped[str] = _id()
    person_id: Mapped[str] = _to("people.id")
    role: Mapped[str] = mapped_column(String(20))
    site_id: Mapped[str | None] = _to("sites.id", nullable=True)
    made_at: Mapped[datetime]
    ended_at: Mapped[datetime | None]


class SignIn(Base):
    """A browser that is signed in, by the SHA-256 of its secret."""

    __tablename__ = "sign_ins"
    secret_sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    person_id: Mapped[str] = _to("people.id")
    made_at: Mapped[datetime]
    seen_at: Mapped[datetime]
    ends_at: Mapped[datetime]


class OneTimeLink(Base):
    """A link that works once: the first lead's set-up, an invitation, a new password. By the SHA-256 of its secret."""

    __tablename__ = "one_time_links"
    secret_sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    purpose: Mapped[str] = mapped_column(String(20))
    person_id: Mapped[str | None] = _to("people.id", nullable=True)
    made_at: Mapped[datetime]
    ends_at: Mapped[datetime]
    used_at: Mapped[datetime | None]


class Token(Base):
    """A person's key to the API, for some scopes, by the SHA-256 of its secret."""

    __tablename__ = "tokens"
    id: Mapped[str] = _id()
    secret_sha256: Mapped[str] = mapped_column(String(64), unique=True)
    person_id: Mapped[str] = _to("people.id")
    name: Mapped[str]
    scopes: Mapped[list[Any]]
    made_at: Mapped[datetime]
    ends_at: Mapped[datetime | None]
    used_at: Mapped[datetime | None]
    stopped_at: Mapped[datetime | None]


class StationKey(Base):
    """What a rig or a scanner's computer hands pieces in with; `rig` is what evidence calls it."""

    __tablename__ = "station_keys"
    id: Mapped[str] = _id()
    secret_sha256: Mapped[str] = mapped_column(String(64), unique=True)
    site_id: Mapped[str] = _to("sites.id")
    rig: Mapped[str]
    made_at: Mapped[datetime]
    used_at: Mapped[datetime | None]
    stopped_at: Mapped[datetime | None]


# Exercises and sittings


class ExerciseVersion(Base):
    """An exercise as it stood: its zip as a blob, its definition, and what proving it found."""

    __tablename__ = "exercise_versions"
    id: Mapped[str] = _id()
    exercise: Mapped[str] = mapped_column(index=True)
    version: Mapped[str] = mapped_column(unique=True)
    title: Mapped[str]
    family: Mapped[str] = mapped_column(String(20))
    tooth: Mapped[int | None]
    builtin: Mapped[bool]
    blob: Mapped[str] = _to("blobs.sha256", index=False)
    definition: Mapped[dict[str, Any]]
    proof: Mapped[dict[str, Any] | None]
    can_be_cut: Mapped[bool | None]
    can_be_marked: Mapped[bool | None]
    imported_by: Mapped[str | None] = _to("people.id", index=False, nullable=True)
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
    id: Mapped[str] = _id()
    title: Mapped[str]
    site_id: Mapped[str] = _to("sites.id")
    exercise_version_id: Mapped[str] = _to("exercise_versions.id")
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
    opened_by: Mapped[str | None] = _to("people.id", index=False, nullable=True)
    made_at: Mapped[datetime]
    closed_at: Mapped[datetime | None]


class Seat(Base):
    """A learner's place in a sitting, with the code examiners know them by."""

    __tablename__ = "seats"
    __table_args__ = (UniqueConstraint("sitting_id", "learner_id"), UniqueConstraint("sitting_id", "code"))
    id: Mapped[str] = _id()
    sitting_id: Mapped[str] = _to("sittings.id")
    learner_id: Mapped[str] = _to("people.id")
    code: Mapped[str]
    place: Mapped[str | None]
    made_at: Mapped[datetime]


class Appointment(Base):
    """Who examines, moderates or signs a sitting: `part` is `examiner` or `moderator`."""

    __tablename__ = "appointments"
    __table_args__ = (UniqueConstraint("sitting_id", "person_id", "part"),)
    id: Mapped[str] = _id()
    sitting_id: Mapped[str] = _to("sittings.id")
    person_id: Mapped[str] = _to("people.id")
    part: Mapped[str] = mapped_column(String(10))
    made_at: Mapped[datetime]
    ended_at: Mapped[datetime | None]


# Pieces and what was measured on them


class Blob(Base):
    """A file that is kept, by the SHA-256 of its bytes. Erased: the bytes are gone, the row says when."""

    __tablename__ = "blobs"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    bytes: Mapped[int] = mapped_column(BigInteger)
    made_at: Mapped[datetime]
    erased_at: Mapped[datetime | None]


class Piece(Base):
    """A piece handed in.

    `state` is `received`, `assessed` or `set aside` (`reason` says why it could not be measured). `neighbours` holds blobs
    by side. `rig_blob` is the `rig.toml` of a motion. Erased: the files, readings and views are gone, the row stays.
    """

    __tablename__ = "pieces"
    __table_args__ = (UniqueConstraint("seat_id", "attempt"), Index("pieces_by_state", "sitting_id", "state"))
    id: Mapped[str] = _id()
    sitting_id: Mapped[str] = _to("sittings.id")
    seat_id: Mapped[str] = _to("seats.id")
    learner_id: Mapped[str] = _to("people.id")
    exercise_version_id: Mapped[str] = _to("exercise_versions.id")
    attempt: Mapped[int]
    idempotency_key: Mapped[str] = mapped_column(String(64), unique=True)
    blob: Mapped[str] = _to("blobs.sha256")
    file_name: Mapped[str]
    unit: Mapped[str | None] = mapped_column(String(4))
    neighbours: Mapped[dict[str, Any]]
    rig_blob: Mapped[str | None] = mapped_column(ForeignKey("blobs.sha256"))
    kind: Mapped[str | None] = mapped_column(String(10))
    state: Mapped[str] = mapped_column(String(12))
    reason: Mapped[str | None]
    station_id: Mapped[str | None] = _to("station_keys.id", index=False, nullable=True)
    handed_in_by: Mapped[str | None] = _to("people.id", index=False, nullable=True)
    received_at: Mapped[datetime]
    simulated: Mapped[bool]
    erased_at: Mapped[datetime | None]


class Job(Base):
    """A piece waiting to be assessed, being assessed or done. A claim ends by itself at `claimed_until`.

    `again` is not None where the piece is to be read once more: the file, the device and who sent it; once it failed, why.
    """

    __tablename__ = "jobs"
    id: Mapped[str] = _id()
    piece_id: Mapped[str] = _to("pieces.id")
    state: Mapped[str] = mapped_column(String(10), index=True)
    tries: Mapped[int]
    claimed_by: Mapped[str | None]
    claimed_until: Mapped[datetime | None]
    made_at: Mapped[datetime]
    ended_at: Mapped[datetime | None]
    again: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))


class Assessment(Base):
    """A piece measured once, *kept*: what measured it, how it was aligned; the whole of it as JSON in a blob."""

    __tablename__ = "assessments"
    id: Mapped[str] = _id()
    piece_id: Mapped[str] = _to("pieces.id")
    exercise_version_id: Mapped[str] = _to("exercise_versions.id")
    blob: Mapped[str | None] = mapped_column(ForeignKey("blobs.sha256"))
    kerfmark: Mapped[str]
    kind: Mapped[str] = mapped_column(String(10))
    rms_um: Mapped[float]
    overlap: Mapped[float]
    modelled: Mapped[bool]
    made_at: Mapped[datetime]


class Reading(Base):
    """One reading of an assessment, in plain columns; `criterion` is the place of the criterion that asks for it."""

    __tablename__ = "readings"
    assessment_id: Mapped[str] = mapped_column(ForeignKey("assessments.id"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    criterion: Mapped[int | None]
    reading: Mapped[str]
    where: Mapped[str | None] = mapped_column("place")
    stat: Mapped[str | None]
    unit: Mapped[str]
    value: Mapped[float | None]
    u: Mapped[float | None]
    status: Mapped[str] = mapped_column(String(16))
    reason: Mapped[str | None]


class Rereading(Base):
    """A piece read once more, on the same device or another, *kept*; it never touches the piece's mark.

    `number` counts the readings of this piece on this device, its first one included where that was the same device.
    """

    __tablename__ = "rereadings"
    __table_args__ = (UniqueConstraint("piece_id", "device", "number"),)
    id: Mapped[str] = _id()
    piece_id: Mapped[str] = _to("pieces.id")
    device: Mapped[str]
    number: Mapped[int]
    blob: Mapped[str | None] = mapped_column(ForeignKey("blobs.sha256"))
    kerfmark: Mapped[str]
    rms_um: Mapped[float]
    overlap: Mapped[float]
    modelled: Mapped[bool]
    read_by: Mapped[str | None] = _to("people.id", index=False, nullable=True)
    made_at: Mapped[datetime]


class RereadingValue(Base):
    """What a criterion read, as part of a rereading."""

    __tablename__ = "rereadings_values"
    rereading_id: Mapped[str] = mapped_column(ForeignKey("rereadings.id"), primary_key=True)
    criterion: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    value: Mapped[float | None]
    u: Mapped[float | None]


class Calibration(Base):
    """A scanner or rig was calibrated. `device` is what evidence calls it. Withdrawn: it was entered by mistake."""

    __tablename__ = "calibrations"
    id: Mapped[str] = _id()
    site_id: Mapped[str] = _to("sites.id")
    device: Mapped[str]
    done_at: Mapped[datetime]
    note: Mapped[str]
    made_by: Mapped[str | None] = _to("people.id", index=False, nullable=True)
    made_at: Mapped[datetime]
    withdrawn_at: Mapped[datetime | None]


class Drawing(Base):
    """A file made from an assessment to be shown quickly (a mesh for the view, a section); it can be made again."""

    __tablename__ = "drawings"
    assessment_id: Mapped[str] = mapped_column(ForeignKey("assessments.id"), primary_key=True)
    kind: Mapped[str] = mapped_column(String(40), primary_key=True)
    blob: Mapped[str] = _to("blobs.sha256", index=False)
    made_at: Mapped[datetime]


class Marking(Base):
    """A mark made from an assessment's readings under the limits of its time, *kept*. The last one of a piece counts."""

    __tablename__ = "markings"
    __table_args__ = (UniqueConstraint("piece_id", "number"),)
    id: Mapped[str] = _id()
    piece_id: Mapped[str] = _to("pieces.id")
    assessment_id: Mapped[str] = _to("assessments.id")
    number: Mapped[int]
    percent: Mapped[float | None]
    outcome: Mapped[str] = mapped_column(String(10))
    least_percent: Mapped[float | None]
    most_percent: Mapped[float | None]
    why: Mapped[str]
    made_at: Mapped[datetime]


class Ruling(Base):
    """One criterion decided by the limits, as part of a marking. Open limits are None."""

    __tablename__ = "rulings"
    marking_id: Mapped[str] = mapped_column(ForeignKey("markings.id"), primary_key=True)
    criterion: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    lower: Mapped[float | None]
    upper: Mapped[float | None]
    probability_inside: Mapped[float | None]
    ruling: Mapped[str] = mapped_column(String(20))


# What people say


class OwnView(Base):
    """A learner's own view of a piece, given before anything was shown, *kept*."""

    __tablename__ = "own_views"
    id: Mapped[str] = _id()
    piece_id: Mapped[str] = mapped_column(ForeignKey("pieces.id"), unique=True)
    learner_id: Mapped[str] = _to("people.id")
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
    id: Mapped[str] = _id()
    piece_id: Mapped[str] = _to("pieces.id")
    learner_id: Mapped[str] = _to("people.id")
    answers: Mapped[dict[str, Any]]
    made_at: Mapped[datetime]


class Examination(Base):
    """What one examiner decided about one piece, *kept*. `part` is `first`, `second` or `moderator`."""

    __tablename__ = "examinations"
    __table_args__ = (UniqueConstraint("piece_id", "part", "round"),)
    id: Mapped[str] = _id()
    piece_id: Mapped[str] = _to("pieces.id")
    marking_id: Mapped[str] = _to("markings.id", index=False)
    examiner_id: Mapped[str] = _to("people.id")
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
    id: Mapped[str] = _id()
    piece_id: Mapped[str] = _to("pieces.id")
    marking_id: Mapped[str] = _to("markings.id", index=False)
    person_id: Mapped[str] = _to("people.id")
    number: Mapped[int]
    percent: Mapped[float | None]
    outcome: Mapped[str] = mapped_column(String(10))
    basis: Mapped[dict[str, Any]]
    made_at: Mapped[datetime]


class Release(Base):
    """A sitting's marks shown to its learners, *kept*. `pieces` is how many were signed by then."""

    __tablename__ = "releases"
    id: Mapped[str] = _id()
    sitting_id: Mapped[str] = _to("sittings.id")
    person_id: Mapped[str] = _to("people.id")
    pieces: Mapped[int]
    made_at: Mapped[datetime]


class Appeal(Base):
    """A learner asks for a mark to be looked at again. `state` is `open`, `upheld`, `rejected` or `withdrawn`."""

    __tablename__ = "appeals"
    id: Mapped[str] = _id()
    piece_id: Mapped[str] = _to("pieces.id")
    learner_id: Mapped[str] = _to("people.id")
    reason: Mapped[str]
    state: Mapped[str] = mapped_column(String(10))
    answer: Mapped[str | None]
    answered_by: Mapped[str | None] = _to("people.id", index=False, nullable=True)
    made_at: Mapped[datetime]
    answered_at: Mapped[datetime | None]


class Note(Base):
    """Words about a piece, pinned to a surface point (tooth frame, mm) or to a criterion. Withdrawn: no longer shown."""

    __tablename__ = "notes"
    id: Mapped[str] = _id()
    piece_id: Mapped[str] = _to("pieces.id")
    author_id: Mapped[str] = _to("people.id", index=False)
    part: Mapped[str] = mapped_column(String(10))
    text: Mapped[str]
    criterion: Mapped[int | None]
    x_mm: Mapped[float | None]
    y_mm: Mapped[float | None]
    z_mm: Mapped[float | None]
    made_at: Mapped[datetime]
    withdrawn_at: Mapped[datetime | None]


# What a board says


class BoardPaper(Base):
    """What stands beside the marks when evidence is asked of them: `kind` is `panel`, `earlier` or `actions`.

    `content` is the paper's text, a CSV of docs/evidence/data.md. `exercise` empty: of all; `sites`: the ids of the sites it
    is about, empty for all of them. Withdrawn: asked of no more.
    """

    __tablename__ = "board_papers"
    id: Mapped[str] = _id()
    kind: Mapped[str] = mapped_column(String(10))
    exercise: Mapped[str] = mapped_column(index=True)
    sites: Mapped[str]
    name: Mapped[str]
    content: Mapped[str]
    made_by: Mapped[str | None] = _to("people.id", index=False, nullable=True)
    made_at: Mapped[datetime]
    withdrawn_at: Mapped[datetime | None]


class ChosenLine(Base):
    """A pass line a named person stands for, with the reason, *kept*; a later one replaces it.

    `basis` holds what it was chosen from: every line there was, the table's digest, draws and seed.
    """

    __tablename__ = "chosen_lines"
    id: Mapped[str] = _id()
    exercise: Mapped[str] = mapped_column(index=True)
    sites: Mapped[str]
    method: Mapped[str]
    percent: Mapped[float]
    se: Mapped[float | None]
    reason: Mapped[str]
    person_id: Mapped[str | None] = _to("people.id", nullable=True)
    basis: Mapped[dict[str, Any]]
    made_at: Mapped[datetime]


# The school, and what happened


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


KEPT: tuple[type[Base], ...] = (Assessment, Marking, OwnView, Examination, Signature, Release, Rereading, ChosenLine)
"""Tables whose rows are added once and never changed; each row's digest stands in the audit log."""
