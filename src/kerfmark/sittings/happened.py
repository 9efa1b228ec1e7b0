"""The number of the last thing that happened, for pages that wait for news."""

from __future__ import annotations

from kerfmark.storage import Store, func, select
from kerfmark.storage.schema import AuditEntry

__all__ = ["last_audit_number"]


def last_audit_number(store: Store) -> int:
    """The number of the newest audit entry; it grows with everything that changes."""
    with store.read() as tx:
        return int(tx.rows(select(func.max(AuditEntry.seq)))[0][0] or 0)
