"""Own view first: a learner says where each criterion lies before anything measured is shown."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from fastapi.responses import RedirectResponse, Response

from kerfmark.errors import ConflictError, InputError, RightsError
from kerfmark.reports.contents import Cell
from kerfmark.sittings import judging, pieces
from kerfmark.sittings.judging import CONFIDENCES, VIEWS
from kerfmark.sittings.pieces import PiecePage
from kerfmark.web.gate import Filled, Form, Visit, Visiting
from kerfmark.web.pages.piece import DONE, sheet_drawings, view_panel
from kerfmark.web.rendering import page
from kerfmark.web.sheets import choosing_strip, criterion_names, thin_balloon

__all__ = ["router"]

router = APIRouter()


@router.get("/pieces/{piece_id}/judge")
def show(visit: Visiting, piece_id: str, done: str = "") -> Response:
    """The questions, beside the bare piece."""
    found = pieces.piece(visit.store, visit.actor, piece_id)
    if found.sight.as_ != "learner":
        raise RightsError("only who cut a piece gives their own view of it. Open the piece instead.")
    if not found.own_view_wanted:
        return RedirectResponse(f"/pieces/{piece_id}/reveal", status_code=303)
    return _show(visit, found, {}, said=visit.visitor.words(DONE.get(done, "")) or None)


@router.post("/pieces/{piece_id}/judge")
def give(visit: Visiting, piece_id: str, form: Filled) -> Response:
    """Keep the own view; what is missing is asked for again with everything that was said."""
    found = pieces.piece(visit.store, visit.actor, piece_id)
    given = _given(form, found)
    try:
        judging.give_own_view(visit.store, visit.actor, piece_id, _views(given, found))
    except InputError as failure:
        if isinstance(failure, ConflictError):
            raise
        return _show(visit, found, given, wrong=str(failure))
    return RedirectResponse(f"/pieces/{piece_id}/reveal?done=judged", status_code=303)


def _given(form: Form, found: PiecePage) -> dict[int, tuple[str, str]]:
    return {
        c.position: (form.text(f"view-{c.number}", most=20), form.text(f"sure-{c.number}", most=20))
        for c in found.criteria
    }


def _views(given: dict[int, tuple[str, str]], found: PiecePage) -> dict[int, Any]:
    """As the flow takes them; how sure is not asked of who cannot tell."""
    left = [
        str(c.number)
        for c in found.criteria
        if not given[c.position][0] or (given[c.position][0] != "cannot tell" and not given[c.position][1])
    ]
    if left:
        raise InputError(
            f"criterion {', '.join(left)}: no view, or not how sure, expected both of each. “Cannot tell” counts as a view and needs no more."
        )
    return {at: (view, None if view == "cannot tell" else sure) for at, (view, sure) in given.items()}


def _show(
    visit: Visit,
    found: PiecePage,
    given: dict[int, tuple[str, str]],
    *,
    said: str | None = None,
    wrong: str | None = None,
) -> Response:
    words = visit.visitor.words
    names = criterion_names(found.criteria, words)
    questions = [
        {
            "number": c.number,
            "name": names[c.number],
            "ask": c.ask or words("{name}: is it within its limits?").format(name=names[c.number]),
            "balloon": thin_balloon(c.number),
            "strip": choosing_strip(c, names[c.number]),
            "given": given.get(c.position, ("", "")),
        }
        for c in found.criteria
    ]
    cells = [
        Cell(words("exercise"), found.exercise_title),
        Cell(words("piece"), f"{found.code}-{found.attempt}"),
        Cell(words("step"), words("2 of 3"), words("cut, judge, see")),
    ]
    return page(
        visit.visitor,
        "judge.html",
        status=422 if wrong else 200,
        said=said,
        wrong=wrong,
        piece=found,
        cells=cells,
        questions=questions,
        view=view_panel(found, sheet_drawings(visit, found), can_note=False),
        chosen=0,
        views=VIEWS,
        confidences=CONFIDENCES,
        simulated=found.simulated,
    )
