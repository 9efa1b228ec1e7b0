"""The store: the only door to the database, its migrations and the places files are kept.

`open_store` opens one; `Store.read` and `Store.write` give transactions. `select`, `func`, `or_` and their kind are handed on for
the queries of the flows above.
"""

from sqlalchemy import and_, exists, func, or_, select
from sqlalchemy.exc import IntegrityError

from kerfmark.storage.audit import AuditProof, prove
from kerfmark.storage.backup import BackupContents, backup, restore
from kerfmark.storage.blobs import Blobs, open_blobs, sha256_of
from kerfmark.storage.schema import new_id
from kerfmark.storage.store import Store, Transaction, Where, is_store, open_store

__all__ = [
    "AuditProof",
    "BackupContents",
    "Blobs",
    "IntegrityError",
    "Store",
    "Transaction",
    "Where",
    "and_",
    "backup",
    "exists",
    "func",
    "is_store",
    "new_id",
    "open_blobs",
    "open_store",
    "or_",
    "prove",
    "restore",
    "select",
    "sha256_of",
]
