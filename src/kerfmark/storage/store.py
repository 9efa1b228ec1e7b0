"""The store: one database and one place for files, opened by one address; everything is read and written in transactions."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import URL, ColumnElement, Engine, Executable, create_engine, event, make_url, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import ArgumentError, DatabaseError, InterfaceError, OperationalError
from sqlalchemy.orm import Session

from kerfmark.errors import InputError, StoreError, printable
from kerfmark.storage import audit
from kerfmark.storage.blobs import Blobs, open_blobs
from kerfmark.storage.given import refuse_what_cannot_be_kept, too_much
from kerfmark.storage.migrate import migrate
from kerfmark.storage.schema import Base, Blob

__all__ = ["Store", "Transaction", "is_store", "open_store"]

BUSY_MS = 30_000
CONNECTIONS = 20
DATABASE, FILES = "kerfmark.db", "files"
Row = TypeVar("Row", bound=Base)
Where = ColumnElement[bool]


def utc_now() -> datetime:
    """The time, in UTC."""
    return datetime.now(UTC)


@dataclass(frozen=True, slots=True)
class Store:
    """An open store. `at` gives the same store with another clock."""

    address: str
    engine: Engine
    blobs: Blobs
    clock: Callable[[], datetime] = utc_now
    turn: threading.Lock = field(default_factory=threading.Lock)

    @contextmanager
    def read(self) -> Iterator[Transaction]:
        """A transaction that sees one state of everything and changes nothing."""
        with _answering(), Session(self.engine, expire_on_commit=False, autoflush=False) as session:
            yield Transaction(session, self.clock(), writes=False)

    @contextmanager
    def write(self) -> Iterator[Transaction]:
        """A transaction that changes all it says together with its audit entries, or nothing."""
        if self.engine.dialect.name != "sqlite":
            with self._writing() as tx:
                yield tx
            return
        with self.turn, self._writing() as tx:
            yield tx

    @contextmanager
    def _writing(self) -> Iterator[Transaction]:
        writer = self.engine.execution_options(kerfmark_writes=True)
        with _answering(), Session(writer, expire_on_commit=False) as session:
            tx = Transaction(session, self.clock(), writes=True)
            yield tx
            audit.append(session, tx.said, tx.now)
            session.commit()

    def at(self, clock: Callable[[], datetime]) -> Store:
        """The same store with another clock, as when a term is made up."""
        return replace(self, clock=clock)

    def close(self) -> None:
        """Let go of every connection."""
        self.engine.dispose()


class Transaction:
    """What may be asked and changed within one transaction. `now` is its time."""

    def __init__(self, session: Session, now: datetime, *, writes: bool) -> None:
        self.session, self.now, self.writes = session, now, writes
        self.said: list[audit.Said] = []

    def get(self, table: type[Row], key: Any, *, lock: bool = False) -> Row | None:
        """A row by its primary key; `lock` lets nobody else change it until this transaction ends."""
        return self.session.get(table, key, with_for_update=lock or None)

    def one(self, table: type[Row], *where: Where) -> Row | None:
        """The only row that fits, or None."""
        return self.session.scalars(select(table).where(*where)).one_or_none()

    def all(self, table: type[Row], *where: Where, order: Sequence[Any] = (), limit: int | None = None) -> list[Row]:
        """Every row that fits, in an order."""
        return list(self.session.scalars(select(table).where(*where).order_by(*order).limit(limit)))

    def next(self, table: type[Row], *where: Where, order: Sequence[Any] = ()) -> Row | None:
        """The first row that fits and that nobody else is changing, kept from others until this transaction ends."""
        query = select(table).where(*where).order_by(*order).limit(1).with_for_update(skip_locked=True)
        return self.session.scalars(query).first()

    def rows(self, query: Executable) -> Sequence[Any]:
        """What a query gives, as named tuples."""
        return self.session.execute(query).all()

    def add(self, *rows: Base) -> None:
        """Add rows."""
        self.session.add_all(rows)
        self.session.flush()

    def remove(self, *rows: Base) -> None:
        """Take rows away."""
        for row in rows:
            self.session.delete(row)
        self.session.flush()

    def keep(self, row: Base, *parts: Base, actor: str, action: str, about: str, **details: Any) -> None:
        """Add a row of a kept table with what belongs to it, and write its digest into the audit log."""
        self.add(row)
        self.add(*parts)
        name, key = row.__tablename__, str(row.id)  # type: ignore[attr-defined]
        self.say(actor, action, about, row=name, id=key, sha256=audit.digest_of(row, parts), **details)

    def say(self, actor: str, action: str, about: str, **details: Any) -> None:
        """Write into the audit log, at the end of this transaction. Ids, words and digests only: no names, no free text."""
        assert self.writes, "nothing is said where nothing is changed"
        self.said.append(audit.Said(actor, action, about, details))

    def note_blob(self, sha256: str, size: int) -> None:
        """Note that a file is kept; once only, whoever else notes it at the same time."""
        insert = postgresql.insert if self.session.get_bind().dialect.name == "postgresql" else sqlite.insert
        row = insert(Blob).values(sha256=sha256, bytes=size, made_at=self.now, erased_at=None)
        self.session.execute(row.on_conflict_do_update(index_elements=["sha256"], set_={"erased_at": None}))


def open_store(
    address: str | Path, blobs: str | Path | None = None, *, clock: Callable[[], datetime] = utc_now
) -> Store:
    """Open a store; what is not there yet is made, what is of an older version is brought up to date.

    Parameters
    ----------
    address : str or path
        A folder (the database and the files stand in it), `sqlite:///FILE`, or `postgresql://USER@HOST/NAME`.
    blobs : str or path, optional
        Where files are kept: a folder or an fsspec address. Left out: beside the database; needed for PostgreSQL.
    clock : callable
        Gives the time in UTC.

    Raises
    ------
    InputError
        If the address cannot be understood.
    StoreError
        If the database cannot be reached, or is of a newer version.
    """
    url, beside = _url_of(str(address))
    if blobs is None and beside is None:
        raise InputError(
            f"{printable(address)}: a database alone, expected also a place for files. Give one with --files or KERFMARK_FILES."
        )
    engine = _engine(url)
    refuse_what_cannot_be_kept(engine)
    try:
        migrate(engine)
    except (DatabaseError, InterfaceError) as error:
        reason = printable(str(error.orig).splitlines()[0], limit=120)
        raise StoreError(
            f"{printable(url.render_as_string())}: the database cannot be used ({reason}), expected one that answers and may be written to. "
            "Check its address, that it runs, and the rights there."
        ) from error
    return Store(str(address), engine, open_blobs(blobs if blobs is not None else beside or ""), clock)


@contextmanager
def _answering() -> Iterator[None]:
    """Say in a sentence that a database is gone, locked or damaged; who asked may ask again later."""
    try:
        yield
    except (OperationalError, InterfaceError) as error:
        reason = printable(str(error.orig).splitlines()[0], limit=120)
        raise StoreError(f"the database does not answer ({reason}), expected it to. Try again in a moment.") from error
    except DatabaseError as error:
        if (said := too_much(error)) is None:
            raise
        raise InputError(f"something given cannot be kept ({said}), expected less of it. Correct it.") from error


def is_store(address: str | Path) -> bool:
    """Whether a folder or file holds a store; of a server's database only opening it tells, so True."""
    url, _ = _url_of(str(address))
    return url.get_backend_name() != "sqlite" or Path(url.database or "").is_file()


def _url_of(address: str) -> tuple[URL, Path | None]:
    """The database's address for the engine, and the folder for files beside it."""
    if "://" not in address:
        folder = Path(address)
        return URL.create("sqlite", database=str(folder / DATABASE)), folder / FILES
    try:
        url = make_url(address)
    except ArgumentError as error:
        raise _not_an_address(address) from error
    if url.get_backend_name() == "sqlite" and url.database:
        return url.set(drivername="sqlite"), Path(url.database).with_name(FILES)
    if url.get_backend_name() in ("postgresql", "postgres"):
        return url.set(drivername="postgresql+pg8000"), None
    raise _not_an_address(address)


def _not_an_address(address: str) -> InputError:
    return InputError(
        f"{printable(address)} is no store, expected a folder, sqlite:///FILE or postgresql://USER@HOST/NAME. Correct the address."
    )


def _engine(url: URL) -> Engine:
    if url.get_backend_name() == "sqlite":
        return _sqlite(url)
    socket = url.query.get("host")
    if isinstance(socket, str) and socket.startswith("/"):
        file = f"{socket}/.s.PGSQL.{url.port or 5432}"
        url = url.set(query={k: v for k, v in url.query.items() if k != "host"})
        return create_engine(url, pool_size=CONNECTIONS, pool_pre_ping=True, connect_args={"unix_sock": file})
    return create_engine(url, pool_size=CONNECTIONS, pool_pre_ping=True)


def _sqlite(url: URL) -> Engine:
    folder = Path(url.database or "").parent
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"{printable(folder)}: cannot be made ({printable(error.strerror or error, limit=80)}), expected a folder for the store. Name another."
        ) from error
    engine = create_engine(
        url, pool_size=CONNECTIONS, max_overflow=CONNECTIONS, connect_args={"timeout": BUSY_MS / 1000}
    )
    event.listen(engine, "connect", _as_we_want_it)
    event.listen(engine, "begin", _begin)
    return engine


def _as_we_want_it(connection: Any, _record: Any) -> None:
    """Write-ahead log, foreign keys, every commit on the disk, and no transaction opened behind our back."""
    connection.isolation_level = None
    for pragma in ("journal_mode=WAL", "foreign_keys=ON", "synchronous=FULL", f"busy_timeout={BUSY_MS}"):
        connection.execute(f"PRAGMA {pragma}")


def _begin(connection: Any) -> None:
    """A transaction that will write takes its turn at once, so that it never fails half way."""
    writes = connection.get_execution_options().get("kerfmark_writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
