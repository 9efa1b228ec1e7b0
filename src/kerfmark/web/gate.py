"""From a request to who sent it, and from a form to what it says: what every page handler is given."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Final

from fastapi import Depends, HTTPException, Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException as AnyHTTPException

from kerfmark.errors import InputError, MissingError
from kerfmark.settings import Settings
from kerfmark.sittings.access import actor_of_sign_in
from kerfmark.sittings.people import person
from kerfmark.sittings.rights import Actor
from kerfmark.storage import Store
from kerfmark.web.benches import Benches
from kerfmark.web.imports import Imports
from kerfmark.web.live import Watch
from kerfmark.web.opened import Opened
from kerfmark.web.options import WebOptions
from kerfmark.web.running import RunningSessions
from kerfmark.web.scenes import Scenes
from kerfmark.web.security.forms import FIELD, is_form_token, new_secret
from kerfmark.web.security.rates import Rate
from kerfmark.web.unsent import Unsent, unsent_of
from kerfmark.web.visitor import SignedIn, Visitor
from kerfmark.web.words import chosen_language

__all__ = [
    "TOKEN_ONLY",
    "AnyVisitor",
    "Filled",
    "Form",
    "Here",
    "NotSignedInError",
    "Server",
    "Visit",
    "Visiting",
    "cookie_name",
    "form_data",
    "give_cookie",
    "page_before",
    "server_of",
]

LOOK: Final = "kerfmark-look"
FORM_FIELDS, FORM_FILES, FIELD_BYTES = 4000, 8, 2**20


@dataclass(frozen=True, slots=True, eq=False)
class Server:
    """What all requests share.

    Attributes
    ----------
    store : Store
    options : WebOptions
    settings : Settings
    sign_ins, submissions : Rate
        How often somebody tried.
    watch : Watch
        Tells open pages that something moved.
    scenes : Scenes
        Pieces ready to be cut by a plane.
    opened : Opened
        Exercises made ready.
    running : RunningSessions
        Sessions of rigs that are running now.
    wake : callable
        Called when a piece was handed in.
    benches : Benches
        Readings of whole cohorts while limits are dragged.
    imports : Imports
        Takes exercises in, in a process apart.
    """

    store: Store
    options: WebOptions
    settings: Settings
    sign_ins: Rate
    submissions: Rate
    watch: Watch
    running: RunningSessions
    scenes: Scenes
    opened: Opened
    wake: Callable[[], None]
    benches: Benches
    imports: Imports


class NotSignedInError(Exception):
    """A page was asked for that needs somebody signed in."""


def server_of(request: Request) -> Server:
    """What all requests share."""
    server: Server = request.app.state.server
    return server


Here = Annotated[Server, Depends(server_of)]


def cookie_name(kind: str, options: WebOptions) -> str:
    """A cookie's name: behind TLS one that browsers take only from us, for us, over TLS."""
    return f"__Host-kerfmark-{kind}" if options.behind_tls else f"kerfmark-{kind}"


def give_cookie(request: Request, name: str, value: str, *, seconds: int, hidden: bool = True) -> None:
    """Send a cookie with the answer; `seconds` 0 takes it away."""
    parts = [f"{name}={value}", "Path=/", "SameSite=Lax", f"Max-Age={seconds}"]
    parts += ["HttpOnly"] * hidden + ["Secure"] * server_of(request).options.behind_tls
    request.scope.setdefault("kerfmark.cookies", []).append("; ".join(parts))


def visitor_of(request: Request, server: Here) -> Visitor:
    """Who sent this, signed in or not."""
    secret = request.cookies.get(cookie_name("session", server.options), "")
    signed_in = _signed_in(server.store, secret) if secret else None
    language, scheme, keys = _look(request)
    return Visitor(
        person=signed_in,
        cookie=secret if signed_in else _visit_cookie(request, server),
        language=chosen_language(language, request.headers.get("accept-language", "")),
        scheme=scheme,
        single_keys_off=keys == "off",
        path=request.url.path,
        now=datetime.now(UTC),
        came_from=page_before(request) if request.method == "POST" else "",
    )


def page_before(request: Request) -> str:
    """The page of ours from which a request was sent; the first page where the browser does not say."""
    own = f"{request.url.scheme}://{request.url.netloc}/"
    before = request.headers.get("referer", "")
    return "/" + before.removeprefix(own) if before.startswith(own) else "/"


def _signed_in(store: Store, secret: str) -> SignedIn | None:
    actor = actor_of_sign_in(store, secret)
    if actor is None or actor.person_id is None:
        return None
    try:
        line = person(store, actor, actor.person_id)
    except MissingError:
        return None
    return SignedIn(actor.person_id, line.name, line.code, actor, frozenset(role for role, _ in actor.grants))


def _visit_cookie(request: Request, server: Server) -> str:
    """The secret of somebody not signed in; given with this answer where there is none yet."""
    name = cookie_name("visit", server.options)
    secret = request.cookies.get(name, "")
    if len(secret) < 20:
        secret = new_secret()
        give_cookie(request, name, secret, seconds=86_400)
    return secret


def _look(request: Request) -> tuple[str | None, str, str]:
    """Language, light or dark, and single keys, as the person set them: a cookie such as `de.dark.on`."""
    language, scheme, keys = ([*request.cookies.get(LOOK, "").split("."), "", "", ""])[:3]
    return language or None, scheme if scheme in ("light", "dark") else "", "off" if keys == "off" else "on"


AnyVisitor = Annotated[Visitor, Depends(visitor_of)]


@dataclass(frozen=True, slots=True, eq=False)
class Visit:
    """A request of somebody signed in."""

    server: Server
    visitor: Visitor
    person: SignedIn

    @property
    def store(self) -> Store:
        """The open store."""
        return self.server.store

    @property
    def actor(self) -> Actor:
        """Whoever is doing this, as the flows know them."""
        return self.person.actor


def visit_of(server: Here, visitor: AnyVisitor) -> Visit:
    """Somebody signed in, or a way to the sign-in page."""
    if visitor.person is None:
        raise NotSignedInError
    return Visit(server, visitor, visitor.person)


Visiting = Annotated[Visit, Depends(visit_of)]


class Form:
    """A form whose token was right: fields by name, read with what is taken."""

    def __init__(self, data: FormData, unsent: Unsent | None = None) -> None:
        self._data, self.unsent = data, unsent

    def text(self, name: str, *, most: int = 4000) -> str:
        """A field's text without blanks around it; empty where it was not sent."""
        value = self._data.get(name, "")
        if not isinstance(value, str):
            raise InputError(f"{name}: a file was sent, expected text. Send the form as it stands.")
        if len(value) > most:
            raise InputError(f"{name}: {len(value)} characters, expected at most {most}. Shorten it.")
        return value.strip()

    def needed(self, name: str, *, most: int = 4000) -> str:
        """As `text`, refused where empty."""
        text = self.text(name, most=most)
        if not text:
            raise InputError(f"{name}: nothing was given, expected an entry. Fill it in.")
        return text

    def number(self, name: str) -> float | None:
        """A number, with a point or a comma; None where the field is empty."""
        text = self.text(name, most=40).replace("−", "-").replace(",", ".")
        if not text:
            return None
        try:
            value = float(text)
        except ValueError as error:
            raise InputError(f"{name} is '{text}', expected a number. Correct it.") from error
        if value != value:
            raise InputError(f"{name} is '{text}', expected a number. Correct it.")
        return value

    def whole(self, name: str) -> int | None:
        """A whole number; None where the field is empty."""
        value = self.number(name)
        if value is not None and (abs(value) > 1e9 or value != int(value)):
            raise InputError(f"{name} is {value:g}, expected a whole number. Correct it.")
        return None if value is None else int(value)

    def ticked(self, name: str) -> bool:
        """Whether a box was ticked."""
        return bool(self.text(name, most=20))

    def many(self, name: str) -> list[str]:
        """Every value of a field that may come more than once."""
        return [value for value in self._data.getlist(name) if isinstance(value, str)]

    def file(self, name: str) -> UploadFile | None:
        """A file; None where none was chosen."""
        value = self._data.get(name)
        return value if isinstance(value, UploadFile) and value.filename else None

    def names(self) -> list[str]:
        """Every field's name, once."""
        return list(dict.fromkeys(self._data.keys()))


async def form_data(request: Request) -> FormData:
    """A form as it was sent, read once for each request."""
    try:
        return await request.form(max_fields=FORM_FIELDS, max_files=FORM_FILES, max_part_size=FIELD_BYTES)
    except AnyHTTPException as error:
        raise HTTPException(
            422, "The form could not be read, expected one of this server's own. Open the page again."
        ) from error


async def form_of(request: Request, server: Here) -> AsyncIterator[Form]:
    """A form with the right token; anything else is refused before it is looked at. Its files are closed with the request."""
    visitor = await run_in_threadpool(visitor_of, request, server)
    data = await form_data(request)
    request.state.unsent = unsent_of(request, data)
    try:
        request.state.stale = not is_form_token(data.get(FIELD), visitor.cookie)
        if request.state.stale:
            raise HTTPException(403, "The form is too old or not from here. Open the page again and send it once more.")
        yield Form(data, request.state.unsent)
    finally:
        await data.close()


Filled = Annotated[Form, Depends(form_of)]
TOKEN_ONLY: Final = [Depends(form_of)]
"""For routes that are asked by a form with nothing but its token."""
