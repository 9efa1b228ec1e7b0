"""The whole store as one zip, taken while it is in use, and back into an empty store on either database."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Any

from sqlalchemy import Table, insert, select
from sqlalchemy.orm import Session

from kerfmark.errors import ConflictError, InputError, StoreError, printable
from kerfmark.outputs import Outputs
from kerfmark.storage import audit
from kerfmark.storage.migrate import HEAD
from kerfmark.storage.schema import AuditEntry, Base, Blob
from kerfmark.storage.schema.base import Utc
from kerfmark.storage.store import Store
from kerfmark.version import __version__

__all__ = ["BackupContents", "backup", "restore"]

FORMAT = 1
ABOUT = "backup.json"
BATCH = 500


@dataclass(frozen=True, slots=True)
class BackupContents:
    """What a backup holds. `head` is the hash of the last audit entry; `missing` files that were erased while it was taken."""

    rows: int
    files: int
    bytes: int
    entries: int
    head: str
    missing: int = 0


def backup(store: Store, target: Path, *, progress: Callable[[str], None] = lambda _: None) -> BackupContents:
    """Write the whole store into a zip, as it stands at one moment; others go on meanwhile.

    Rows are read in one transaction first, then the files they name, which were kept before their rows.

    Raises
    ------
    InputError
        If the zip cannot be written.
    StoreError
        If a file is damaged or missing: a backup that would not restore is not written.
    """
    with (
        Outputs() as outputs,
        zipfile.ZipFile(outputs.at(target), "w", zipfile.ZIP_DEFLATED, compresslevel=3) as archive,
    ):
        progress("writing the tables")
        rows, wanted, head = _write_tables(store, archive)
        progress(f"writing {len(wanted)} files")
        size, missing = _write_files(store, archive, wanted)
        contents = BackupContents(rows, len(wanted) - missing, size, head[0], head[1], missing)
        about = {
            "format": FORMAT, "kerfmark": __version__, "schema": HEAD, "at": store.clock().isoformat(),
            "rows": rows, "files": contents.files, "bytes": size, "entries": head[0], "head": head[1],
        }  # fmt: skip
        archive.writestr(ABOUT, json.dumps(about, indent=1))
    return contents


def restore(store: Store, source: Path, *, progress: Callable[[str], None] = lambda _: None) -> BackupContents:
    """Put a backup into an empty store, prove it, and only then let it stand.

    Raises
    ------
    ConflictError
        If the store holds anything: nothing is ever written over.
    InputError
        If the zip is no backup, or of another version.
    StoreError
        If what it holds is damaged.
    """
    try:
        with zipfile.ZipFile(source) as archive:
            about = _about(archive, source)
            _check_empty(store)
            progress(f"reading {about['files']} files")
            _read_files(store, archive)
            progress("reading the tables")
            return _read_tables(store, archive, about, source)
    except (OSError, zipfile.BadZipFile, EOFError) as error:
        raise InputError(
            f"{printable(source.name)}: cannot be read as a backup ({printable(error, limit=80)}), expected a zip that `kerfmark backup` wrote. "
            "Give that."
        ) from error


def _write_tables(store: Store, archive: zipfile.ZipFile) -> tuple[int, list[str], tuple[int, str]]:
    """Every row, the files they name, and the log's last entry."""
    rows, files, head = 0, list[str](), (0, audit.START)
    options = {"isolation_level": "REPEATABLE READ"} if store.engine.dialect.name == "postgresql" else {}
    with store.engine.execution_options(**options).connect() as connection:
        for table in Base.metadata.sorted_tables:
            with archive.open(f"tables/{table.name}.jsonl", "w", force_zip64=True) as stream:
                query = select(table).order_by(*table.primary_key.columns).execution_options(yield_per=BATCH)
                for row in connection.execute(query).mappings():
                    stream.write(json.dumps(_plain(row), ensure_ascii=False, allow_nan=False).encode() + b"\n")
                    rows += 1
                    if table.name == Blob.__tablename__ and row["erased_at"] is None:
                        files.append(row["sha256"])
                    if table.name == AuditEntry.__tablename__:
                        head = (row["seq"], row["hash"])
    return rows, files, head


def _write_files(store: Store, archive: zipfile.ZipFile, wanted: list[str]) -> tuple[int, int]:
    size, missing = 0, 0
    for sha256 in wanted:
        try:
            content = store.blobs.get(sha256)
        except StoreError:
            if not _erased_since(store, sha256):
                raise
            missing += 1
            continue
        archive.writestr(zipfile.ZipInfo(f"files/{sha256}"), content)  # stored as it is: scans hardly shrink
        size += len(content)
    return size, missing


def _erased_since(store: Store, sha256: str) -> bool:
    with store.read() as tx:
        row = tx.get(Blob, sha256)
        return row is not None and row.erased_at is not None


def _about(archive: zipfile.ZipFile, source: Path) -> Mapping[str, Any]:
    if ABOUT not in archive.namelist():
        raise InputError(
            f"{printable(source.name)}: a zip, but no backup: it holds no {ABOUT}. Give one that `kerfmark backup` wrote."
        )
    about: Mapping[str, Any] = json.loads(archive.read(ABOUT))
    if about.get("format") != FORMAT or about.get("schema") != HEAD:
        raise InputError(
            f"{printable(source.name)}: of Kerfmark {printable(about.get('kerfmark'))} (tables {printable(about.get('schema'))}), "
            f"expected tables {HEAD}. Restore it with that version, then open the store with this one."
        )
    return about


def _check_empty(store: Store) -> None:
    with store.engine.connect() as connection:
        for table in Base.metadata.sorted_tables:
            if connection.execute(select(*table.primary_key.columns).limit(1)).first() is not None:
                raise ConflictError(
                    f"the store {printable(store.address)} is not empty ({table.name} holds rows), expected an empty one: nothing is written over. "
                    "Name a new folder or database."
                )


def _read_files(store: Store, archive: zipfile.ZipFile) -> None:
    for name in archive.namelist():
        if name.startswith("files/"):
            with archive.open(name) as stream:
                sha256, _ = store.blobs.put(_as_binary(stream))
            if f"files/{sha256}" != name:
                raise StoreError(
                    f"the backup's file {name[6:18]} is not what was kept, expected bytes of that digest. Use another backup."
                )


def _read_tables(store: Store, archive: zipfile.ZipFile, about: Mapping[str, Any], source: Path) -> BackupContents:
    rows = 0
    with Session(store.engine.execution_options(kerfmark_writes=True)) as session:
        for table in Base.metadata.sorted_tables:
            with archive.open(f"tables/{table.name}.jsonl") as stream:
                for batch in _batches(stream, table):
                    session.execute(insert(table), batch)
                    rows += len(batch)
        proof = audit.prove(session)
        if not proof.holds or proof.head != about["head"] or rows != about["rows"]:
            what = proof.broken or "; ".join(proof.changed[:3]) or "rows are missing"
            raise StoreError(
                f"{printable(source.name)}: what it holds does not prove ({what}). Nothing was restored; use another backup."
            )
        session.commit()
    return BackupContents(rows, about["files"], about["bytes"], proof.entries, proof.head)


def _batches(stream: IO[bytes], table: Table) -> Iterator[list[dict[str, Any]]]:
    times = [column.name for column in table.columns if isinstance(column.type, Utc)]
    batch: list[dict[str, Any]] = []
    for line in stream:
        row = json.loads(line)
        for name in times:
            row[name] = None if row[name] is None else datetime.fromisoformat(row[name])
        batch.append(row)
        if len(batch) == BATCH:
            yield batch
            batch = []
    if batch:
        yield batch


def _plain(row: Mapping[Any, Any]) -> dict[str, Any]:
    return {str(key): value.isoformat() if isinstance(value, datetime) else value for key, value in row.items()}


def _as_binary(stream: IO[bytes]) -> Any:
    return stream
