"""A backup taken while the store is in use, and what comes back from it."""

import threading
import zipfile

import pytest

from kerfmark.errors import ConflictError, InputError, StoreError
from kerfmark.storage import backup, open_store, restore
from kerfmark.storage.audit import prove
from kerfmark.storage.schema import AuditEntry, Base, Blob, Site


def with_sites(store, names):
    for name in names:
        sha256, size = store.blobs.put(name.encode())
        with store.write() as tx:
            tx.note_blob(sha256, size)
            tx.add(Site(name=name, made_at=tx.now))
            tx.say("program", "site added", f"site {name}")


def rows_of(store):
    with store.engine.connect() as connection:
        return {
            table.name: [tuple(row) for row in connection.execute(table.select().order_by(*table.primary_key.columns))]
            for table in Base.metadata.sorted_tables
        }


@pytest.mark.parametrize("to", ["sqlite", "postgresql"])
def test_a_restored_store_holds_the_same_rows_and_files_on_either_database(store, to, tmp_path, request):
    with_sites(store, ["North", "South", "Østre"])
    contents = backup(store, tmp_path / "backup.zip")
    address = tmp_path / "again" if to == "sqlite" else request.getfixturevalue("postgresql")()
    again = open_store(address, tmp_path / "other files")
    assert restore(again, tmp_path / "backup.zip").head == contents.head
    assert rows_of(again) == rows_of(store)
    assert sorted(again.blobs.names()) == sorted(store.blobs.names())
    with again.read() as tx:
        assert prove(tx.session).holds
    again.close()


def test_nothing_is_restored_over_a_store_that_holds_anything(store, tmp_path):
    with_sites(store, ["North"])
    backup(store, tmp_path / "backup.zip")
    with pytest.raises(ConflictError, match="is not empty"):
        restore(store, tmp_path / "backup.zip")


def test_a_backup_holds_one_moment_while_others_write(store, tmp_path):
    with_sites(store, ["North"])
    stop = threading.Event()

    def write_on():
        number = 0
        while not stop.is_set():
            with_sites(store, [f"Site {number}"])
            number += 1

    writer = threading.Thread(target=write_on)
    writer.start()
    try:
        made = [backup(store, tmp_path / f"backup {number}.zip") for number in range(3)]
    finally:
        stop.set()
        writer.join()
    for number, contents in enumerate(made):
        again = open_store(tmp_path / f"again {number}")
        assert restore(again, tmp_path / f"backup {number}.zip").head == contents.head
        with again.read() as tx:
            files, sites, entries = (len(tx.all(table)) for table in (Blob, Site, AuditEntry))
        assert files == sites == entries
        again.close()


def test_a_damaged_backup_is_refused_and_leaves_the_store_empty(store, tmp_path):
    with_sites(store, ["North", "South"])
    backup(store, tmp_path / "backup.zip")
    with zipfile.ZipFile(tmp_path / "backup.zip") as source, zipfile.ZipFile(tmp_path / "bad.zip", "w") as target:
        for name in source.namelist():
            content = source.read(name)
            target.writestr(
                name, content.replace(b"site North", b"site Norte") if name == "tables/audit.jsonl" else content
            )
    again = open_store(tmp_path / "again")
    with pytest.raises(StoreError, match=r"does not prove .*entry 1 .* was changed"):
        restore(again, tmp_path / "bad.zip")
    assert not any(rows_of(again).values())
    again.close()


def test_a_backup_of_a_store_with_a_missing_file_is_not_written(store, tmp_path):
    with_sites(store, ["North"])
    store.blobs.erase(next(iter(store.blobs.names())))
    with pytest.raises(StoreError, match="is not there"):
        backup(store, tmp_path / "backup.zip")
    assert not (tmp_path / "backup.zip").exists()


@pytest.mark.parametrize("content", [b"no zip", b""])
def test_something_else_is_no_backup(tmp_path, content):
    (tmp_path / "thing.zip").write_bytes(content)
    with pytest.raises(InputError, match="cannot be read as a backup"):
        restore(open_store(tmp_path / "store"), tmp_path / "thing.zip")
