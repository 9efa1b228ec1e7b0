"""The chain of the audit log, and what it finds when somebody changes the database behind its back."""

import hashlib
import json
import re
import sqlite3
from datetime import UTC, datetime

import pytest
from sqlalchemy import text

from kerfmark.storage import open_store
from kerfmark.storage.audit import START, prove
from kerfmark.storage.schema import AuditEntry, Release, new_id


@pytest.fixture
def filled(tmp_path):
    """Three entries, the last of which kept a row; the guards taken off, as somebody with the file in hand would."""
    store = open_store(tmp_path)
    with store.write() as tx:
        tx.say("person a", "first", "thing 1", number=1)
    with store.write() as tx:
        tx.say("person b", "second", "thing 2", words=["å", None])
    with store.write() as tx:
        tx.say("person c", "third", "thing 3")
    with store.engine.begin() as connection:
        connection.execute(text("DROP TRIGGER audit_UPDATE"))
        connection.execute(text("DROP TRIGGER audit_DELETE"))
    yield store
    store.close()


def changed(store, statement):
    """The proof after a statement typed into the database by somebody who has its file in hand."""
    connection = sqlite3.connect(store.engine.url.database, isolation_level=None)
    connection.execute(statement)
    connection.close()
    with store.read() as tx:
        return prove(tx.session)


def test_each_hash_is_the_digest_of_the_one_before_and_the_entry(filled):
    # A second implementation, from the words of decision 12: JSON of the seven values, no blanks, SHA-256.
    with filled.read() as tx:
        entries = tx.all(AuditEntry, order=[AuditEntry.seq])
    before = START
    for e in entries:
        content = json.dumps([e.seq, e.at, e.actor, e.action, e.about, e.details, before], separators=(",", ":"))
        before = hashlib.sha256(content.encode("ascii")).hexdigest()
        assert e.hash == before
    with filled.read() as tx:
        assert prove(tx.session).head == before


@pytest.mark.parametrize(
    ("statement", "entries", "words"),
    [
        ("UPDATE audit SET actor = 'person z' WHERE seq = 2", 1, "entry 2 .* was changed"),
        ("UPDATE audit SET details = '{}' WHERE seq = 1", 0, "entry 1 .* was changed"),
        ("DELETE FROM audit WHERE seq = 2", 1, "entry 2 is missing"),
        ("DELETE FROM audit WHERE seq = 1", 0, "entry 1 is missing"),
        ("UPDATE audit SET before = hash WHERE seq = 3", 2, "entry 3 does not follow"),
    ],
)
def test_the_first_broken_link_is_named(filled, statement, entries, words):
    proof = changed(filled, statement)
    assert not proof.holds
    assert proof.entries == entries
    assert re.search(words, proof.broken)


def test_a_cut_off_end_shows_in_the_head(filled):
    with filled.read() as tx:
        whole = prove(tx.session)
    shorter = changed(filled, "DELETE FROM audit WHERE seq = 3")
    assert shorter.broken is None
    assert shorter.head != whole.head


def test_a_failed_transaction_says_nothing(store):
    def fail():
        with store.write() as tx:
            tx.say("person a", "tried", "thing")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail()
    with store.read() as tx:
        assert tx.all(AuditEntry) == []


def test_a_kept_row_nobody_wrote_down_is_found(filled):
    made = datetime(2026, 1, 1, tzinfo=UTC)
    values = f"'{new_id()}', 's', 'p', 1, '{made:%Y-%m-%d %H:%M:%S}'"
    proof = changed(filled, f"INSERT INTO releases (id, sitting_id, person_id, pieces, made_at) VALUES ({values})")
    assert Release.__tablename__ in proof.changed[0]
    assert "the log knows nothing of it" in proof.changed[0]
