"""The first page leads to where a role's work is; finding leads to what was meant."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import RedirectResponse, Response

from kerfmark.sittings.examining import queue
from kerfmark.sittings.overview import sitting, sittings
from kerfmark.sittings.people import people
from kerfmark.sittings.rights import may_anywhere
from kerfmark.web.gate import Visit, Visiting
from kerfmark.web.rendering import page

__all__ = ["router"]

router = APIRouter()
FIRST = (
    ("lead", "/sittings"),
    ("teacher", "/sittings"),
    ("examiner", "/queue"),
    ("auditor", "/evidence"),
    ("technician", "/rigs"),
    ("learner", "/pieces"),
)
"""Whose first page stands where; of several roles the first of this list."""
MOST = 50


@router.get("/")
def first(visit: Visiting) -> Response:
    """Go to where the work is."""
    address = next((address for role, address in FIRST if role in visit.person.roles), "/account")
    return RedirectResponse(address, status_code=303)


@router.get("/find")
def find(visit: Visiting, q: str = "") -> Response:
    """Pieces by code, learners and sittings by name or code; a single find is opened at once."""
    asked = q.strip()[:80]
    found = [] if not asked else [*_sittings(visit, asked), *_seats(visit, asked), *_people(visit, asked)][:MOST]
    if len(found) == 1:
        return RedirectResponse(found[0][0], status_code=303)
    return page(visit.visitor, "find.html", asked=asked, found=found)


def _sittings(visit: Visit, asked: str) -> list[tuple[str, str, str]]:
    lines = sittings(visit.store, visit.actor)
    return [
        (f"/sittings/{s.id}", s.title, f"{s.site}, {s.opens_at:%Y-%m-%d}")
        for s in lines
        if asked.casefold() in s.title.casefold()
    ]


def _seats(visit: Visit, asked: str) -> list[tuple[str, str, str]]:
    """Pieces by the code of their seat: of the sittings seen, of one's own queue, one's own."""
    found: dict[str, tuple[str, str, str]] = {}
    for waiting in queue(visit.store, visit.actor):
        if asked.upper() == waiting.code:
            found[waiting.piece_id] = (f"/pieces/{waiting.piece_id}", waiting.code, waiting.sitting_title)
    for line in sittings(visit.store, visit.actor):
        for seat in sitting(visit.store, visit.actor, line.id).seats:
            if asked.upper() == seat.code:
                found.update({p[0]: (f"/pieces/{p[0]}", seat.code, line.title) for p in seat.pieces})
    return list(found.values())


def _people(visit: Visit, asked: str) -> list[tuple[str, str, str]]:
    if not may_anywhere(visit.actor, "people.see"):
        return []
    lines = people(visit.store, visit.actor, role="learner", find=asked)
    return [(f"/learners/{line.id}", line.name, line.code) for line in lines]
