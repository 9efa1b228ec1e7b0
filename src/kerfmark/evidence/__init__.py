"""One file per question a board asks of a set of marks; each answers in a sentence, tables and figures, or says why not."""

from __future__ import annotations

from kerfmark.evidence.answer import Answer, Claim, Options, Panel
from kerfmark.evidence.gather import Evidence, gather, read_panel
from kerfmark.evidence.ownview import OwnHistory, own_history
from kerfmark.evidence.table import Table, read_table, table_of

__all__ = [
    "Answer",
    "Claim",
    "Evidence",
    "Options",
    "OwnHistory",
    "Panel",
    "Table",
    "gather",
    "own_history",
    "read_panel",
    "read_table",
    "table_of",
]
