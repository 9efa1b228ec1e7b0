"""What may be said from the marks that are kept: every question of `evidence/`, asked of the store's own table."""

from __future__ import annotations

from collections import OrderedDict
from threading import Lock
from typing import Any, Final

from fastapi import APIRouter
from fastapi.responses import Response

from kerfmark.errors import EvidenceError
from kerfmark.evidence.answer import Options
from kerfmark.evidence.gather import gather
from kerfmark.reports.board.contents import title_cells
from kerfmark.reports.board.page import board_body
from kerfmark.reports.contents import Cell
from kerfmark.sittings.exercises import exercises
from kerfmark.sittings.happened import last_audit_number
from kerfmark.sittings.rights import require_anywhere
from kerfmark.sittings.table import evidence_content, evidence_table
from kerfmark.web.gate import Visit, Visiting
from kerfmark.web.rendering import page

__all__ = ["router"]

router = APIRouter()
DRAWS: Final = 400
"""Bootstrap draws of a page that somebody waits for; a report for a board draws more (`kerfmark evidence`)."""
KEPT: Final = 4

_answers: OrderedDict[tuple[Any, ...], dict[str, Any]] = OrderedDict()
_turn = Lock()


@router.get("/evidence")
def show(visit: Visiting, exercise: str = "", ask: bool = False) -> Response:
    """Which marks to ask about, and once asked the answers."""
    require_anywhere(visit.actor, "evidence.see")
    words = visit.visitor.words
    names = sorted({(line.exercise, line.title) for line in exercises(visit.store, visit.actor, hidden=True)})
    given: dict[str, Any] = {
        "names": names,
        "exercise": exercise,
        "asked": ask,
        "body": None,
        "cells": [Cell(words("evidence"), words("of all marks that are kept"))],
    }
    if ask:
        try:
            given |= _answered(visit, exercise)
        except EvidenceError as why:
            given["wrong"] = str(why)
    return page(visit.visitor, "evidence.html", **given)


def _answered(visit: Visit, exercise: str) -> dict[str, Any]:
    """The answers, kept until something more happens in the store; one is worked out at a time."""
    key = visit.store.address, last_audit_number(visit.store), exercise, visit.actor.sites("evidence.see")
    with _turn:
        if key not in _answers:
            table = evidence_table(visit.store, visit.actor, exercises=[exercise] if exercise else None)
            asked = evidence_content(visit.store, visit.actor, exercises=[exercise] if exercise else None)
            found = gather(table, content=asked, options=Options(draws=DRAWS, title=exercise or "All exercises"))
            cells = [Cell(label, figure, more) for label, figure, more in title_cells(found)]
            _answers[key] = {"cells": cells, "body": board_body(found)}
            while len(_answers) > KEPT:
                _answers.popitem(last=False)
        _answers.move_to_end(key)
        return _answers[key]
