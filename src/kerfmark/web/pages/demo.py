"""Where to look first in an invented term, as whom; only where `kerfmark demo` serves one."""

from __future__ import annotations

from typing import Any, Final

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response, StreamingResponse

from kerfmark.errors import MissingError
from kerfmark.sittings import access
from kerfmark.web.gate import AnyVisitor, Filled, Here, Server
from kerfmark.web.options import Demonstration
from kerfmark.web.pages.sign_in import let_in, own_address
from kerfmark.web.rendering import page, part

__all__ = ["router"]

router = APIRouter()
WAYS: Final = (
    (
        "learner01",
        "/pieces",
        "A learner",
        "judges their own work before anything is shown, then sees it beside the readings",
    ),
    ("examiner1", "/queue", "An examiner", "decides what is too close to call, blind, with words the learner reads"),
    (
        "lead",
        "/sittings",
        "The lead",
        "sees what adds up, signs, releases, tries limits on every piece, reads the evidence",
    ),
    ("teacher", "/sittings", "A teacher", "opens sittings, seats a roster, imports exercises"),
    ("technician", "/rigs", "A technician", "gives rigs their keys"),
    ("auditor", "/evidence", "An auditor", "reads evidence and the audit log, and changes nothing"),
)
"""Account, first page, who that is, what there is to see."""


@router.get("/demo")
def show(visitor: AnyVisitor, server: Here) -> Response:
    """The page."""
    return page(visitor, "demo.html", **_content(_shown(server)))


@router.get("/demo/live")
def show_live(visitor: AnyVisitor, server: Here) -> Response:
    """What has been made so far."""
    return part(visitor, "demo_live.html", **_content(_shown(server)))


@router.get("/demo/events")
def events(server: Here) -> Response:
    """Server-sent events while the term grows."""
    _shown(server)
    return StreamingResponse(server.watch.events(), media_type="text/event-stream")


@router.post("/demo/enter")
def enter(request: Request, server: Here, form: Filled) -> Response:
    """Go on as one of the invented people, without a password."""
    _shown(server)
    login = form.text("login", most=60)
    account = access.account_by_login(server.store, login)
    if account is None:
        raise MissingError("this person is not there yet. Wait a second and try again.")
    let_in(request, server, account[0])
    return RedirectResponse(own_address(form.text("next", most=200)), status_code=303)


def _shown(server: Server) -> Demonstration:
    if server.options.demonstration is None or server.options.behind_tls:
        raise MissingError("There is no such page.")
    return server.options.demonstration


def _content(shown: Demonstration) -> dict[str, Any]:
    return {"lines": list(shown.said), "ready": shown.ready.is_set(), "ways": WAYS, "simulated": True}
