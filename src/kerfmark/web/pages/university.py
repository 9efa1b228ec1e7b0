"""There and back: signing in with a university's account."""

from __future__ import annotations

from secrets import compare_digest

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from kerfmark.errors import InputError, MissingError
from kerfmark.sittings import access
from kerfmark.web.gate import Here, Server, cookie_name, give_cookie
from kerfmark.web.pages.sign_in import let_in, own_address
from kerfmark.web.security.university import Claimed, Started, University

__all__ = ["router"]

router = APIRouter()
MINUTES_S = 600


@router.get("/oidc/start")
def start(request: Request, server: Here, next: str = "/") -> Response:
    """Send the browser to the provider."""
    address, started = _university(server).start(redirect_uri=_back(request, server), next=own_address(next))
    give_cookie(request, cookie_name("university", server.options), started.as_cookie(), seconds=MINUTES_S)
    return RedirectResponse(address, status_code=303)


@router.get("/oidc/callback")
def come_back(request: Request, server: Here, code: str = "", state: str = "") -> Response:
    """The provider sent the browser back: check, find the person, let them in."""
    name = cookie_name("university", server.options)
    started = Started.of_cookie(request.cookies.get(name, ""))
    give_cookie(request, name, "", seconds=0)
    if started is None or not code or not compare_digest(started.state.encode(), state.encode()):
        raise InputError(
            "This sign-in was not begun here or has run out, expected the answer to one begun in this browser. Begin again."
        )
    claimed = _university(server).finish(started, code=code, redirect_uri=_back(request, server))
    let_in(request, server, _person_id(server, claimed))
    return RedirectResponse(own_address(started.next), status_code=303)


def _person_id(server: Server, claimed: Claimed) -> str:
    """Who that is here: tied already, or to be tied by a verified e-mail address."""
    found = access.account_by_subject(server.store, claimed.issuer, claimed.subject)
    if found is None and claimed.email:
        found = access.link_subject(server.store, claimed.issuer, claimed.subject, email=claimed.email)
    if found is None:
        raise MissingError(
            "Your university knows you, this server does not yet. Ask your lead to add you with the e-mail address your university has."
        )
    return found


def _university(server: Server) -> University:
    if server.options.oidc is None:
        raise MissingError("There is no such page.")
    return University(server.options.oidc)


def _back(request: Request, server: Server) -> str:
    base = server.options.public_url or str(request.base_url)
    return f"{base.rstrip('/')}/oidc/callback"
