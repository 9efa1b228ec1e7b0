"""One file per question a board asks of a set of marks; each answers in a sentence, tables and figures, or says why not."""

from __future__ import annotations

from kerfmark.evidence.answer import Action, Answer, Claim, Options, Panel
from kerfmark.evidence.beside import actions_of, panel_of, read_actions, read_panel
from kerfmark.evidence.content import ContentLine, content_of, read_content
from kerfmark.evidence.gather import Evidence, gather
from kerfmark.evidence.ownhistory import OwnHistory, own_history
from kerfmark.evidence.table import Table, read_table, table_from_text, table_of

__all__ = [
    "Action",
    "Answer",
    "Claim",
    "ContentLine",
    "Evidence",
    "Options",
    "OwnHistory",
    "Panel",
    "Table",
    "actions_of",
    "content_of",
    "gather",
    "own_history",
    "panel_of",
    "read_actions",
    "read_content",
    "read_panel",
    "read_table",
    "table_from_text",
    "table_of",
]
