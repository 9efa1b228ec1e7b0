"""The API: the same actions as the pages, for scripts and rigs, each calling one flow. `ROUTERS` lists its parts."""

from kerfmark.web.api import documents, examining, handing_in, pieces, running, sittings, stock

__all__ = ["ROUTERS"]

ROUTERS = (
    handing_in.router,
    running.router,
    pieces.router,
    examining.router,
    sittings.router,
    stock.router,
    documents.router,
)
