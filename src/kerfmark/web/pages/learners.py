"""Learners somebody teaches."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import Response

from kerfmark.reports.contents import Cell
from kerfmark.sittings.people import people
from kerfmark.sittings.rights import require_anywhere
from kerfmark.sittings.sites import sites
from kerfmark.web.gate import Visiting
from kerfmark.web.rendering import page

__all__ = ["router"]

router = APIRouter()
MOST = 500


@router.get("/learners")
def show(visit: Visiting, q: str = "") -> Response:
    """The list, by name."""
    require_anywhere(visit.actor, "people.see")
    words = visit.visitor.words
    lines = people(visit.store, visit.actor, role="learner", find=q.strip()[:80])
    named = {site.id: site.name for site in sites(visit.store)}
    cells = [Cell(words("learners"), str(len(lines)))]
    rows = [
        (
            line,
            ", ".join(
                sorted(
                    {named.get(site or "", words("all sites")) for _, role, site in line.grants if role == "learner"}
                )
            ),
        )
        for line in lines[:MOST]
    ]
    return page(visit.visitor, "learners.html", rows=rows, cells=cells, asked=q, further=max(0, len(lines) - MOST))
