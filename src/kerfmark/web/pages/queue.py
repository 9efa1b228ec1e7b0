"""What waits for this examiner, what is too close to call first; and what waits for a signature."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import Response

from kerfmark.reports.contents import Cell
from kerfmark.sittings import pieces
from kerfmark.sittings.appeals import appeals
from kerfmark.sittings.examining import QueueLine, queue, queue_to_sign
from kerfmark.web.gate import Visit, Visiting
from kerfmark.web.rendering import page
from kerfmark.web.sheets import close_balloon, criterion_names

__all__ = ["router"]

router = APIRouter()
MOST_SHOWN = 60


@router.get("/queue")
def show(visit: Visiting) -> Response:
    """The page."""
    words = visit.visitor.words
    lines = queue(visit.store, visit.actor)
    to_sign = queue_to_sign(visit.store, visit.actor)
    open_appeals = appeals(visit.store, visit.actor, state="open")
    shown = lines[:MOST_SHOWN]
    names = _names(visit, shown)
    waited = max(((visit.visitor.now - line.received_at).total_seconds() / 60 for line in lines), default=0.0)
    cells = [
        Cell(
            words("wait for you"),
            str(len(lines)),
            words("longest {time}").format(time=_minutes(waited)) if lines else "",
        ),
        Cell(words("to sign"), str(len(to_sign))),
        Cell(words("appeals"), str(len(open_appeals))),
    ]
    return page(
        visit.visitor,
        "queue.html",
        cells=cells,
        lines=[
            (line, _balloons(line, names), _minutes((visit.visitor.now - line.received_at).total_seconds() / 60))
            for line in shown
        ],
        further=len(lines) - len(shown),
        to_sign=[pieces.piece(visit.store, visit.actor, piece_id) for piece_id in to_sign[:MOST_SHOWN]],
        further_to_sign=max(0, len(to_sign) - MOST_SHOWN),
        appeals=open_appeals,
        simulated=any(line.simulated for line in lines),
    )


def _names(visit: Visit, lines: list[QueueLine]) -> dict[str, dict[int, str]]:
    """What criteria are called, by sitting: one look a sitting."""
    found: dict[str, dict[int, str]] = {}
    for line in lines:
        if line.sitting_id not in found:
            criteria = pieces.piece(visit.store, visit.actor, line.piece_id).criteria
            found[line.sitting_id] = criterion_names(criteria, visit.visitor.words)
    return found


def _balloons(line: QueueLine, names: dict[str, dict[int, str]]) -> list[tuple[str, str]]:
    return [(close_balloon(at + 1), f"{at + 1} {names[line.sitting_id].get(at + 1, '')}") for at in line.open]


def _minutes(minutes: float) -> str:
    """A waiting time in words that fit a column.

    Examples
    --------
    >>> _minutes(34.2), _minutes(150.0), _minutes(4000.0)
    ('34 min', '2 h 30', '2 d 18 h')
    """
    if minutes < 60:
        return f"{minutes:.0f} min"
    if minutes < 2880:
        return f"{minutes // 60:.0f} h {minutes % 60:02.0f}"
    return f"{minutes // 1440:.0f} d {minutes % 1440 // 60:.0f} h"
