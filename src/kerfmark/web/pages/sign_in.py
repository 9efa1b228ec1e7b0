"""Coming in and going out: sign-in, sign-out, the one-time links for the first lead and for passwords."""

from __future__ import annotations

from dataclasses import replace

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from kerfmark.errors import InputError
from kerfmark.sittings import access
from kerfmark.sittings.keeping import school_settings
from kerfmark.web.gate import (
    TOKEN_ONLY,
    AnyVisitor,
    Filled,
    Form,
    Here,
    Server,
    cookie_name,
    give_cookie,
    page_before,
    server_of,
    visitor_of,
)
from kerfmark.web.rendering import page
from kerfmark.web.security.passwords import check_password, hashed, is_password
from kerfmark.web.unsent import HELD, MOST, Unsent, held_in
from kerfmark.web.visitor import Visitor

__all__ = ["let_in", "own_address", "router", "sign_in_again"]

router = APIRouter()
OUT_BETWEEN = (
    "You were signed out before this could be kept. Sign in: what you wrote stands below and can be sent then."
)
WRONG = "Account name or password is not right. Try again, or ask your lead for a new link."


@router.get("/sign-in")
def show(visitor: AnyVisitor, server: Here, next: str = "/", done: str = "") -> Response:
    """The form."""
    if visitor.person is not None:
        return RedirectResponse(own_address(next), status_code=303)
    said = {"out": "You are signed out.", "password": "Your password is set. Sign in with it."}.get(done, "")
    return _form(visitor, server, next=next, said=visitor.words(said) or None)


@router.post("/sign-in")
def enter(request: Request, visitor: AnyVisitor, server: Here, form: Filled) -> Response:
    """Check name and password; too many failures of a name or an address have to wait."""
    login, next_ = form.text("login", most=200).casefold(), form.text("next", most=400)
    held = held_in(form.text(HELD, most=MOST))
    keys = (f"name {login}", f"address {request.client.host if request.client else ''}")
    wait_s = max(server.sign_ins.wait_s(key) for key in keys)
    if wait_s > 0.0:
        words = visitor.words.count(
            "Too many tries. Wait %(n)d minute and try again.",
            "Too many tries. Wait %(n)d minutes and try again.",
            max(1, round(wait_s / 60)),
        )
        return _form(visitor, server, next=next_, login=login, wrong=words, held=held, status=429)
    account = access.account_by_login(server.store, login) if login else None
    if not is_password(form.text("password", most=2000), account[1] if account else None) or account is None:
        for key in keys:
            server.sign_ins.add(key)
        return _form(visitor, server, next=next_, login=login, wrong=visitor.words(WRONG), held=held, status=401)
    server.sign_ins.forget(keys[0])
    secret = let_in(request, server, account[0])
    if held is not None:
        onwards = own_address(next_)
        seen_by = replace(visitor, cookie=secret, came_from=onwards)
        return page(seen_by, "resume.html", unsent=held, send_again=True, next=onwards)
    return RedirectResponse(own_address(next_), status_code=303)


def sign_in_again(request: Request, unsent: Unsent) -> Response:
    """The form for somebody whose session ended while they wrote: what they wrote goes along."""
    server = server_of(request)
    visitor = visitor_of(request, server)
    words = visitor.words
    return _form(visitor, server, next=page_before(request), held=unsent, wrong=words(OUT_BETWEEN), status=401)


@router.post("/sign-out", dependencies=TOKEN_ONLY)
def leave(request: Request, visitor: AnyVisitor, server: Here) -> Response:
    """End the session, here and in the store."""
    if visitor.person is not None:
        access.end_sign_in(server.store, visitor.cookie)
    give_cookie(request, cookie_name("session", server.options), "", seconds=0)
    return RedirectResponse("/sign-in?done=out", status_code=303)


@router.get("/setup/{secret}")
def show_setup(visitor: AnyVisitor, secret: str) -> Response:
    """The form of the first lead."""
    return page(visitor, "setup.html", secret=secret, name="", login="", site="")


@router.post("/setup/{secret}")
def set_up(visitor: AnyVisitor, server: Here, secret: str, form: Filled) -> Response:
    """Make the first lead and the first site."""
    given = {field: form.text(field, most=200) for field in ("name", "login", "site")}
    try:
        password = _new_password(form, name=given["login"])
        access.finish_setup(
            server.store,
            secret,
            name=form.needed("name", most=200),
            login=form.needed("login", most=60).casefold(),
            password_hash=hashed(password),
            site=form.needed("site", most=200),
        )
    except InputError as failure:
        return page(visitor, "setup.html", status=422, wrong=str(failure), secret=secret, **given)
    return RedirectResponse("/sign-in?done=password", status_code=303)


@router.get("/link/{secret}")
def show_link(visitor: AnyVisitor, secret: str) -> Response:
    """The form of a one-time link: a password to choose."""
    return page(visitor, "link.html", secret=secret)


@router.post("/link/{secret}")
def use_link(visitor: AnyVisitor, server: Here, secret: str, form: Filled) -> Response:
    """Set the password."""
    try:
        access.use_link(server.store, secret, password_hash=hashed(_new_password(form, name="")))
    except InputError as failure:
        return page(visitor, "link.html", status=422, wrong=str(failure), secret=secret)
    return RedirectResponse("/sign-in?done=password", status_code=303)


def let_in(request: Request, server: Server, person_id: str) -> str:
    """Sign a browser in, with a fresh secret; returns it."""
    secret = access.sign_in(server.store, person_id, hours=server.options.session_hours)
    give_cookie(request, cookie_name("session", server.options), secret, seconds=3600 * server.options.session_hours)
    return secret


def own_address(address: str) -> str:
    """An address of this server; anything else leads to the first page.

    Examples
    --------
    >>> own_address("/queue"), own_address("//elsewhere.example"), own_address("https://elsewhere.example")
    ('/queue', '/', '/')
    """
    plain = (
        address.startswith("/")
        and not address.startswith(("//", "/\\"))
        and address.isprintable()
        and "\\" not in address
    )
    return address if plain else "/"


def _new_password(form: Form, *, name: str) -> str:
    password = form.text("password", most=2000)
    check_password(password, name=name)
    if password != form.text("again", most=2000):
        raise InputError("again: the two passwords differ, expected the same twice. Type them once more.")
    return password


def _form(
    visitor: Visitor,
    server: Server,
    *,
    next: str,
    login: str = "",
    status: int = 200,
    wrong: str | None = None,
    said: str | None = None,
    held: Unsent | None = None,
) -> Response:
    oidc = server.options.oidc
    return page(
        visitor,
        "sign_in.html",
        status=status,
        local=True,
        oidc_name=oidc.name if oidc else "",
        next=own_address(next),
        login=login,
        held=held,
        wrong=wrong,
        said=said,
        school=school_settings(server.store).get("name", ""),
    )
