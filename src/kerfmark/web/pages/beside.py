"""Which piece to lay over this one: pieces of the same exercise whose readings this person may see."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import Response

from kerfmark.sittings import pieces
from kerfmark.sittings.beside import pieces_beside
from kerfmark.web.drawn import SCENE
from kerfmark.web.gate import Visiting
from kerfmark.web.pages.piece import piece_cells
from kerfmark.web.rendering import page

__all__ = ["router"]

router = APIRouter()


@router.get("/pieces/{piece_id}/beside")
def show(visit: Visiting, piece_id: str, q: str = "", after: str = "") -> Response:
    """The list, a page at a time; `q` finds by a part of a code, a title or a name."""
    found = pieces.piece(visit.store, visit.actor, piece_id)
    find = q.strip()[:80]
    listed = pieces_beside(visit.store, visit.actor, piece_id, kind=SCENE, find=find, after=after[:40])
    return page(
        visit.visitor, "beside.html", piece=found, lines=listed.lines, older=listed.after, asked=find, later=bool(after), cells=piece_cells(found, visit.visitor.words), simulated=found.simulated,
        named=any(line.learner_name for line in listed.lines) and found.sight.as_ != "learner",
    )  # fmt: skip
