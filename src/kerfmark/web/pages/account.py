"""What a person sets for themselves: language, light or dark, keys, password, tokens for the API."""

from __future__ import annotations

from typing import Final

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from kerfmark.errors import InputError
from kerfmark.sittings import access
from kerfmark.sittings.rights import SCOPES
from kerfmark.web.gate import LOOK, TOKEN_ONLY, AnyVisitor, Filled, Visiting, give_cookie
from kerfmark.web.pages.sign_in import own_address
from kerfmark.web.rendering import page
from kerfmark.web.security.passwords import check_password, hashed, is_password
from kerfmark.web.words import LANGUAGES

__all__ = ["router"]

router = APIRouter()
YEAR_S: Final = 31_536_000
KEYS: Final = (
    (
        "Everywhere",
        (
            (("/",), "find a piece, a learner or a sitting"),
            (("?",), "this list"),
            (("↑", "↓"), "the row above, the row below"),
            (("Enter",), "open"),
        ),
    ),
    (
        "A piece",
        (
            (("O", "B", "L", "M", "D"), "seen from occlusal, buccal, lingual, mesial, distal"),
            (("P",), "plain, or with deviation"),
            (("T",), "tissue"),
            (("[", "]"), "the section before, the section after"),
            (("N",), "pin a note"),
        ),
    ),
    (
        "Own view",
        (
            (("1", "2", "3"), "inside, outside, cannot tell"),
            (("Q", "W", "E"), "guess, fairly sure, sure (by their place on the keyboard)"),
            (("↑", "↓"), "the question before, the question after"),
        ),
    ),
    ("Deciding", ((("1", "2"), "met, not met; then the words"),)),
    ("Limits", ((("←", "→"), "move a limit one step"), (("Shift", "←", "→"), "five steps"), (("Esc",), "put it back"))),
)
"""Which keys do what, by page."""


@router.get("/keys")
def keys(visitor: AnyVisitor) -> Response:
    """Every key."""
    return page(visitor, "keys.html", groups=KEYS)


@router.get("/look")
def look(visitor: AnyVisitor, next: str = "/") -> Response:
    """The form for language and for light and dark."""
    return page(visitor, "look.html", languages=LANGUAGES.items(), next=own_address(next))


@router.post("/look")
def set_look(request: Request, visitor: AnyVisitor, form: Filled) -> Response:
    """Keep what was chosen in a cookie of this browser; what was not sent stays."""
    sent = form.names()
    language = form.text("language", most=8) if "language" in sent else visitor.language
    scheme = form.text("scheme", most=8) if "scheme" in sent else visitor.scheme
    keys = form.text("keys", most=8) if "keys" in sent else ("off" if visitor.single_keys_off else "on")
    if language not in LANGUAGES or scheme not in ("", "light", "dark") or keys not in ("on", "off"):
        raise InputError("language, light and dark, or keys hold something else than the form offers. Choose again.")
    give_cookie(request, LOOK, f"{language}.{scheme}.{keys}", seconds=YEAR_S)
    return RedirectResponse(own_address(form.text("next", most=400)), status_code=303)


@router.get("/account")
def account(visit: Visiting, done: str = "") -> Response:
    """One's own account."""
    return _account(
        visit,
        said=visit.visitor.words(
            {"password": "Your password is set.", "stopped": "The token is stopped."}.get(done, "")
        ),
    )


@router.post("/account/password")
def set_password(request: Request, visit: Visiting, form: Filled) -> Response:
    """Set one's own password; every browser is signed out, this one in again."""
    from kerfmark.web.pages.sign_in import let_in

    password = form.text("password", most=2000)
    held = access.account_by_login(visit.store, form.text("login", most=200).casefold())
    if held is None or held[0] != visit.person.id or not is_password(form.text("old", most=2000), held[1]):
        return _account(visit, wrong=visit.visitor.words("The password until now is not right."), status=422)
    try:
        check_password(password, name=visit.person.code)
    except InputError as failure:
        return _account(visit, wrong=str(failure), status=422)
    access.set_password(visit.store, visit.actor, hashed(password))
    let_in(request, visit.server, visit.person.id)
    return RedirectResponse("/account?done=password", status_code=303)


@router.post("/account/tokens")
def make_token(visit: Visiting, form: Filled) -> Response:
    """A token for the API, shown this once."""
    try:
        _, secret = access.make_token(
            visit.store, visit.actor, name=form.needed("name", most=100), scopes=form.many("scope")
        )
    except InputError as failure:
        return _account(visit, wrong=str(failure), status=422)
    return _account(visit, secret=secret)


@router.post("/account/tokens/{token_id}/stop", dependencies=TOKEN_ONLY)
def stop_token(visit: Visiting, token_id: str) -> Response:
    """Stop one of one's own tokens."""
    access.stop_token(visit.store, visit.actor, token_id)
    return RedirectResponse("/account?done=stopped", status_code=303)


def _account(
    visit: Visiting, *, said: str = "", wrong: str | None = None, secret: str | None = None, status: int = 200
) -> Response:
    from kerfmark.sittings.people import person

    line = person(visit.store, visit.actor, visit.person.id)
    return page(
        visit.visitor, "account.html", status=status, said=said or None, wrong=wrong, secret=secret, line=line,
        tokens=access.tokens(visit.store, visit.actor), scopes=SCOPES, languages=LANGUAGES.items(), next="/account",
    )  # fmt: skip
