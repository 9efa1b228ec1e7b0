"""Pieces, their files, and what was measured on them."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    ForeignKey,
    Index,
    String,
    UniqueConstraint,
)
from sqlalchemy.orm import Mapped, mapped_column

from kerfmark.storage.schema.base import Base, own_id, pointer

__all__ = [
    "Assessment",
    "Blob",
    "Calibration",
    "Drawing",
    "Job",
    "Marking",
    "Piece",
    "Reading",
    "Rereading",
    "RereadingValue",
    "Ruling",
]


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
    id: Mapped[str] = own_id()
    sitting_id: Mapped[str] = pointer("sittings.id")
    seat_id: Mapped[str] = pointer("seats.id")
    learner_id: Mapped[str] = pointer("people.id")
    exercise_version_id: Mapped[str] = pointer("exercise_versions.id")
    attempt: Mapped[int]
    idempotency_key: Mapped[str] = mapped_column(String(64), unique=True)
    blob: Mapped[str] = pointer("blobs.sha256")
    file_name: Mapped[str]
    unit: Mapped[str | None] = mapped_column(String(4))
    neighbours: Mapped[dict[str, Any]]
    rig_blob: Mapped[str | None] = mapped_column(ForeignKey("blobs.sha256"))
    kind: Mapped[str | None] = mapped_column(String(10))
    state: Mapped[str] = mapped_column(String(12))
    reason: Mapped[str | None]
    station_id: Mapped[str | None] = pointer("station_keys.id", index=False, nullable=True)
    handed_in_by: Mapped[str | None] = pointer("people.id", index=False, nullable=True)
    received_at: Mapped[datetime]
    simulated: Mapped[bool]
    erased_at: Mapped[datetime | None]


class Job(Base):
    """A piece waiting to be assessed, being assessed or done. A claim ends by itself at `claimed_until`.

    `again` is not None where the piece is to be read once more: the file, the device and who sent it; once it failed, why.
    """

    __tablename__ = "jobs"
    id: Mapped[str] = own_id()
    piece_id: Mapped[str] = pointer("pieces.id")
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
    id: Mapped[str] = own_id()
    piece_id: Mapped[str] = pointer("pieces.id")
    exercise_version_id: Mapped[str] = pointer("exercise_versions.id")
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
    id: Mapped[str] = own_id()
    piece_id: Mapped[str] = pointer("pieces.id")
    device: Mapped[str]
    number: Mapped[int]
    blob: Mapped[str | None] = mapped_column(ForeignKey("blobs.sha256"))
    kerfmark: Mapped[str]
    rms_um: Mapped[float]
    overlap: Mapped[float]
    modelled: Mapped[bool]
    read_by: Mapped[str | None] = pointer("people.id", index=False, nullable=True)
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
    id: Mapped[str] = own_id()
    site_id: Mapped[str] = pointer("sites.id")
    device: Mapped[str]
    done_at: Mapped[datetime]
    note: Mapped[str]
    made_by: Mapped[str | None] = pointer("people.id", index=False, nullable=True)
    made_at: Mapped[datetime]
    withdrawn_at: Mapped[datetime | None]


class Drawing(Base):
    """A file made from an assessment to be shown quickly (a mesh for the view, a section); it can be made again."""

    __tablename__ = "drawings"
    assessment_id: Mapped[str] = mapped_column(ForeignKey("assessments.id"), primary_key=True)
    kind: Mapped[str] = mapped_column(String(40), primary_key=True)
    blob: Mapped[str] = pointer("blobs.sha256", index=False)
    made_at: Mapped[datetime]


class Marking(Base):
    """A mark made from an assessment's readings under the limits of its time, *kept*. The last one of a piece counts."""

    __tablename__ = "markings"
    __table_args__ = (UniqueConstraint("piece_id", "number"),)
    id: Mapped[str] = own_id()
    piece_id: Mapped[str] = pointer("pieces.id")
    assessment_id: Mapped[str] = pointer("assessments.id")
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
