"""One learner: their pieces, and how their own views have run; a learner's own page of progress is the same."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import Response

from kerfmark.errors import MissingError
from kerfmark.reports.contents import Cell
from kerfmark.sittings.judging import History, own_history
from kerfmark.sittings.people import person
from kerfmark.sittings.pieces import pieces
from kerfmark.sittings.record import learner_record
from kerfmark.sittings.rights import may
from kerfmark.web.drawings.history import bias_svg, confidence_svg
from kerfmark.web.drawings.progress import progress_svg
from kerfmark.web.gate import Visit, Visiting
from kerfmark.web.rendering import page
from kerfmark.web.sheets import for_both_widths

__all__ = ["router"]

router = APIRouter()


@router.get("/progress")
def show_own(visit: Visiting) -> Response:
    """One's own progress."""
    return _show(visit, visit.person.id)


@router.get("/learners/{learner_id}")
def show(visit: Visiting, learner_id: str) -> Response:
    """A learner somebody teaches."""
    return _show(visit, learner_id)


@router.get("/learners/{learner_id}/record.zip")
def record(visit: Visiting, learner_id: str) -> Response:
    """The learner's whole record, as one zip."""
    content = learner_record(visit.store, visit.actor, learner_id)
    return Response(
        content,
        media_type="application/zip",
        headers={"content-disposition": f'attachment; filename="record-{learner_id}.zip"'},
    )


def _show(visit: Visit, learner_id: str) -> Response:
    words = visit.visitor.words
    line = person(visit.store, visit.actor, learner_id)
    own = learner_id == visit.person.id
    lines = pieces(visit.store, visit.actor, learner_id)
    history = _history(visit, learner_id)
    marked = [p for p in reversed(lines) if p.percent is not None]
    cells = [
        Cell(words("learner"), line.name, line.code),
        Cell(words("pieces"), str(len(lines))),
        Cell(words("marked"), str(len(marked))),
    ]
    return page(
        visit.visitor,
        "learner.html",
        cells=cells,
        line=line,
        own=own,
        lines=lines,
        history=history,
        bias=for_both_widths(lambda width: bias_svg(history, words, width=width), wide=560.0, narrow=360.0),
        confidence=confidence_svg(history, words),
        progress=progress_svg(marked),
        may_record=own or may(visit.actor, "record.erase", None),
        simulated=any(p.simulated for p in lines),
    )


def _history(visit: Visit, learner_id: str) -> History:
    try:
        return own_history(visit.store, visit.actor, learner_id)
    except MissingError:
        return History((), None, 0)
