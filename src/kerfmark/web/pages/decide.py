"""An examiner decides: a ruling with a note for each criterion that is open; a clear one may be seen otherwise, with a note."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from fastapi.responses import RedirectResponse, Response

from kerfmark.errors import ConflictError, InputError
from kerfmark.marking import DECIDED
from kerfmark.reports import symbols
from kerfmark.sittings import pieces
from kerfmark.sittings.appeals import answer_appeal
from kerfmark.sittings.examining import examine, queue
from kerfmark.sittings.pieces import PiecePage
from kerfmark.web.gate import Filled, Form, Visit, Visiting
from kerfmark.web.pages.piece import piece_cells, sheet_drawings, view_panel
from kerfmark.web.rendering import page
from kerfmark.web.sheets import painted, sheet_of

__all__ = ["router"]

router = APIRouter()
NEXT = "Your rulings on the piece before are kept. This is the next that waits."
GRADES = ((1, "clear fail"), (2, "borderline"), (3, "pass"), (4, "good"), (5, "excellent"))


@router.get("/pieces/{piece_id}/decide")
def show(visit: Visiting, piece_id: str, done: str = "") -> Response:
    """The piece with what is to be decided."""
    found = pieces.piece(visit.store, visit.actor, piece_id)
    if found.waits_for_me is None:
        return RedirectResponse(f"/pieces/{piece_id}", status_code=303)
    said = visit.visitor.words(NEXT) if done == "next" else None
    return _show(visit, found, {}, said=said)


@router.post("/pieces/{piece_id}/decide")
def decide(visit: Visiting, piece_id: str, form: Filled) -> Response:
    """Keep the rulings, then go on to the next piece that waits."""
    found = pieces.piece(visit.store, visit.actor, piece_id)
    given = _given(form, found)
    try:
        rulings: Any = {at: (word, note) for at, (word, note) in given.items() if word}
        examine(visit.store, visit.actor, piece_id, rulings, note=form.text("note"), grade=form.whole("grade"))
    except InputError as failure:
        if isinstance(failure, ConflictError):
            raise
        return _show(visit, found, given, note=form.text("note"), grade=form.whole("grade"), wrong=str(failure))
    if form.ticked("onwards") and (waiting := queue(visit.store, visit.actor)):
        return RedirectResponse(f"/pieces/{waiting[0].piece_id}/decide?done=next", status_code=303)
    return RedirectResponse(f"/pieces/{piece_id}?done=decided", status_code=303)


@router.post("/appeals/{appeal_id}")
def answer(visit: Visiting, appeal_id: str, form: Filled) -> Response:
    """Answer an appeal."""
    state: Any = form.text("state", most=20)
    answer_appeal(visit.store, visit.actor, appeal_id, state=state, answer=form.text("answer"))
    return RedirectResponse("/queue", status_code=303)


def _given(form: Form, found: PiecePage) -> dict[int, tuple[str, str]]:
    return {
        c.position: (form.text(f"word-{c.number}", most=20), form.text(f"note-{c.number}", most=4000))
        for c in found.criteria
    }


def _show(
    visit: Visit,
    found: PiecePage,
    given: dict[int, tuple[str, str]],
    *,
    note: str = "",
    grade: int | None = None,
    said: str | None = None,
    wrong: str | None = None,
) -> Response:
    words = visit.visitor.words
    drawn = sheet_drawings(visit, found)
    sheet = sheet_of(found, words, budgets=None if drawn is None else drawn.get("budgets"))
    open_now = [line for line in sheet.lines if line.ruling.ruling not in DECIDED]
    clear = [line for line in sheet.lines if line.ruling.ruling in DECIDED]
    return page(
        visit.visitor,
        "decide.html",
        status=422 if wrong else 200,
        said=said,
        wrong=wrong,
        piece=found,
        cells=piece_cells(found, words),
        view=view_panel(found, drawn, can_note=True),
        open_lines=open_now,
        clear_lines=clear,
        given={line.number: given.get(line.number - 1, ("", "")) for line in sheet.lines},
        note=note,
        grade=grade,
        grades=GRADES,
        contents=sheet,
        rows=sheet.rows,
        chosen=open_now[0].number if open_now else sheet.chosen,
        critical=painted(symbols.critical_svg()),
        simulated=found.simulated,
    )
