"""Rigs and scanners: the keys they hand pieces in with. What keeps them true comes here later, and the page says so."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import RedirectResponse, Response

from kerfmark.reports.contents import Cell
from kerfmark.sittings import access
from kerfmark.sittings.people import sites
from kerfmark.sittings.rights import may, require_anywhere
from kerfmark.web.gate import TOKEN_ONLY, Filled, Visit, Visiting
from kerfmark.web.rendering import page

__all__ = ["router"]

router = APIRouter()


@router.get("/rigs")
def show(visit: Visiting, done: str = "") -> Response:
    """The list of station keys."""
    return _show(
        visit, said=visit.visitor.words("The key is stopped: that rig hands in no more.") if done == "stopped" else None
    )


@router.post("/rigs/keys")
def make_key(visit: Visiting, form: Filled) -> Response:
    """A key for a rig, shown this once."""
    _, secret = access.make_station_key(
        visit.store, visit.actor, site_id=form.needed("site", most=40), rig=form.needed("rig", most=100)
    )
    return _show(visit, secret=secret)


@router.post("/rigs/keys/{station_id}/stop", dependencies=TOKEN_ONLY)
def stop_key(visit: Visiting, station_id: str) -> Response:
    """Stop a key."""
    access.stop_station_key(visit.store, visit.actor, station_id)
    return RedirectResponse("/rigs?done=stopped", status_code=303)


def _show(visit: Visit, *, said: str | None = None, secret: str | None = None) -> Response:
    require_anywhere(visit.actor, "stations.manage")
    words = visit.visitor.words
    lines = access.stations(visit.store, visit.actor)
    every = sites(visit.store)
    cells = [Cell(words("rigs and scanners with a key"), str(sum(not line.stopped for line in lines)))]
    return page(
        visit.visitor, "rigs.html", said=said, secret=secret, lines=lines, cells=cells, named={s.id: s.name for s in every},
        sites=[s for s in every if not s.hidden and may(visit.actor, "stations.manage", s.id)],
    )  # fmt: skip
