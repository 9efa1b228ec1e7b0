"""Bring a database up to the tables of this version, step by step, each step whole."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, Engine, inspect, text

from kerfmark.errors import StoreError

__all__ = ["HEAD", "migrate"]

HEAD = "0002"
"""The newest step under `migrations/versions`; a test says so when it is not."""
FOLDER = Path(__file__).parent / "migrations"


def migrate(engine: Engine) -> None:
    """Apply every step that is missing; one process at a time.

    Raises
    ------
    StoreError
        If the database was made by a newer version.
    """
    with engine.connect() as connection:
        if _version(connection) == HEAD:
            return
    with engine.execution_options(kerfmark_writes=True).begin() as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(1802850918)"))
        found = _version(connection)
        if found != HEAD:
            _upgrade(connection, found)


def _version(connection: Connection) -> str | None:
    if not inspect(connection).has_table("alembic_version"):
        return None
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar()


def _upgrade(connection: Connection, found: str | None) -> None:
    from alembic import command
    from alembic.config import Config
    from alembic.util import CommandError

    config = Config()
    config.set_main_option("script_location", str(FOLDER).replace("%", "%%"))
    config.attributes["connection"] = connection
    try:
        command.upgrade(config, "head")
    except CommandError as error:
        raise StoreError(
            f"the database is of version {found}, expected at most {HEAD}: a newer Kerfmark made it. Use that version, or restore a backup."
        ) from error
