"""What PostgreSQL cannot keep is refused on both databases, in one sentence, and before it reaches them."""

import pytest

from kerfmark.errors import InputError
from kerfmark.storage import select
from kerfmark.storage.schema import AuditEntry, Site


def test_a_text_with_the_character_nought_is_neither_kept_nor_asked_for(store):
    """Source: PostgreSQL manual, 8.3: the character with the code zero cannot be stored."""
    with pytest.raises(InputError, match=r"U\+0000"), store.write() as tx:
        tx.add(Site(id="s", name="North\x00Quay", made_at=tx.now))
    with store.read() as tx:
        assert tx.all(Site) == []
        with pytest.raises(InputError, match=r"U\+0000"):
            tx.rows(select(Site).where(Site.name == "a\x00"))


def test_a_number_with_more_than_63_bits_is_refused(store):
    """Source: SQLite, 'Datatypes In SQLite', 2: an integer has at most 8 bytes."""
    with store.read() as tx, pytest.raises(InputError, match="20 digits"):
        tx.rows(select(AuditEntry).where(AuditEntry.seq < 99999999999999999999))


def test_a_number_that_fits_no_column_on_postgresql_is_told_as_such(store):
    """SQLite keeps it: its integers have 8 bytes whatever the column (ibid.)."""
    if store.engine.dialect.name == "sqlite":
        with store.read() as tx:
            assert tx.rows(select(AuditEntry).where(AuditEntry.seq > 2**40)) == []
        return
    with pytest.raises(InputError, match="out of range"), store.read() as tx:
        tx.rows(select(AuditEntry).where(AuditEntry.seq > 2**40))
