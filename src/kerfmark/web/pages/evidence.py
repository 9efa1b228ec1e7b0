"""What may be said from the marks that are kept: every question of `evidence/`, asked of the store's own table and what stands beside it."""

from __future__ import annotations

import csv
import io
from typing import Any, Final, cast, get_args

from fastapi import APIRouter
from fastapi.responses import RedirectResponse, Response
from starlette.concurrency import run_in_threadpool

from kerfmark.errors import EvidenceError, InputError
from kerfmark.evidence.beside import ACTION_COLUMNS, PANEL_COLUMNS
from kerfmark.reports.board.contents import title_cells
from kerfmark.reports.board.page import board_body
from kerfmark.reports.contents import Cell
from kerfmark.sittings.board import PaperKind, add_paper, papers, withdraw_paper
from kerfmark.sittings.exercises import exercises
from kerfmark.sittings.rights import may_anywhere, require_anywhere
from kerfmark.sittings.table import holds_simulated
from kerfmark.web.answers import answers
from kerfmark.web.gate import Filled, Form, Visit, Visiting
from kerfmark.web.rendering import page
from kerfmark.web.unsent import Unsent

__all__ = ["router"]

router = APIRouter()
DONE: Final = {
    "panel": "The panel's judgements stand beside the marks.",
    "earlier": "The earlier cohort stands beside the marks.",
    "actions": "The action stands beside the marks.",
    "withdrawn": "It is taken back and asked of no more.",
}


@router.get("/evidence")
def show(visit: Visiting, exercise: str = "", ask: bool = False, done: str = "") -> Response:
    """Which marks to ask about, what stands beside them, and once asked the answers."""
    return _show(visit, exercise, ask=ask, said=visit.visitor.words(DONE.get(done, "")) or None)


@router.post("/evidence/papers/{kind}")
async def put_beside(visit: Visiting, form: Filled, kind: str) -> Response:
    """A panel's judgements or an earlier cohort as a CSV, or one action."""
    file = form.file("file")
    content = None if file is None else await file.read()
    return await run_in_threadpool(_put_beside, visit, form, kind, content)


@router.post("/evidence/take-back/{paper_id}")
def take_back(visit: Visiting, form: Filled, paper_id: str) -> Response:
    """Take back what stood beside the marks."""
    withdraw_paper(visit.store, visit.actor, paper_id)
    return _back(form.text("exercise", most=100), "withdrawn")


def _put_beside(visit: Visit, form: Form, kind: str, content: bytes | None) -> Response:
    require_anywhere(visit.actor, "evidence.sign")
    exercise = form.text("exercise", most=100)
    try:
        if kind not in get_args(PaperKind):
            raise InputError("kind is not known, expected panel, earlier or actions. Send the form as it stands.")
        text = _action(form) if kind == "actions" and content is None else _text(content)
        name = form.text("name", most=100) if kind == "earlier" else ""
        add_paper(visit.store, visit.actor, cast(PaperKind, kind), text, exercise=exercise, name=name)
    except InputError as failure:
        return _show(visit, exercise, wrong=str(failure), unsent=form.unsent)
    return _back(exercise, kind)


def _back(exercise: str, done: str) -> Response:
    known = exercise if exercise.replace("-", "").isalnum() else ""
    return RedirectResponse(f"/evidence?exercise={known}&done={done}", status_code=303)


def _text(content: bytes | None) -> str:
    if content is None:
        raise InputError("file: none was chosen, expected a CSV in UTF-8. Choose one.")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as why:
        raise InputError("file: not text in UTF-8, expected a CSV in UTF-8. Save it again as CSV.") from why


def _action(form: Form) -> str:
    """One action of the form's fields, as the CSV it would have come in."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(ACTION_COLUMNS)
    writer.writerow(" ".join(form.text(name, most=500).split()) for name in ACTION_COLUMNS)
    return out.getvalue()


def _show(
    visit: Visit,
    exercise: str,
    *,
    ask: bool = False,
    said: str | None = None,
    wrong: str | None = None,
    unsent: Unsent | None = None,
) -> Response:
    require_anywhere(visit.actor, "evidence.see")
    words = visit.visitor.words
    lines = {(line.exercise, line.title) for line in exercises(visit.store, visit.actor, hidden=True)}
    given: dict[str, Any] = {
        "names": sorted(lines), "exercise": exercise, "asked": ask, "body": None, "simulated": holds_simulated(visit.store),
        "title": next((title for name, title in lines if name == exercise), ""),
        "cells": [Cell(words("evidence"), words("of all marks that are kept"))],
        "beside": papers(visit.store, visit.actor, exercise=exercise), "may_sign": may_anywhere(visit.actor, "evidence.sign"),
        "panel_columns": ", ".join(PANEL_COLUMNS), "said": said, "wrong": wrong, "unsent": unsent,
    }  # fmt: skip
    if ask:
        try:
            found = answers(visit, exercise)
            given |= {"cells": [Cell(*cell) for cell in title_cells(found)], "body": board_body(found)}
        except EvidenceError as why:
            given["wrong"] = str(why)
    return page(visit.visitor, "evidence.html", status=422 if wrong else 200, **given)
