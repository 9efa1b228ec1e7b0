"""What all tables share: random ids, times in UTC, how constraints are called."""

from __future__ import annotations

import secrets
from datetime import UTC, datetime
from typing import Any, ClassVar

from sqlalchemy import (
    JSON,
    DateTime,
    Float,
    ForeignKey,
    LargeBinary,
    MetaData,
    String,
    Text,
)
from sqlalchemy.engine import Dialect
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column
from sqlalchemy.types import TypeDecorator

__all__ = ["Base", "Key", "Utc", "new_id", "own_id", "pointer"]


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


def own_id() -> Mapped[str]:
    """A row's own random id."""
    return mapped_column(Key, primary_key=True, default=new_id)


def pointer(target: str, *, index: bool = True, nullable: bool = False) -> Any:
    """A pointer to a row of another table."""
    return mapped_column(ForeignKey(target), index=index, nullable=nullable)
