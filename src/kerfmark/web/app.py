"""The application: pages, API and files, behind one guard."""

from __future__ import annotations

from collections.abc import Callable
from importlib.resources import as_file, files
from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, RedirectResponse, Response
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException as AnyHTTPException
from starlette.staticfiles import StaticFiles

from kerfmark.errors import ConflictError, InputError, KerfmarkError, MissingError, RightsError, StoreError
from kerfmark.settings import Settings
from kerfmark.sittings.happened import last_audit_number
from kerfmark.storage import Store
from kerfmark.version import __version__
from kerfmark.web.api import ROUTERS as API_ROUTERS
from kerfmark.web.benches import Benches
from kerfmark.web.gate import NotSignedInError, Server, form_data, page_before, visitor_of
from kerfmark.web.imports import Imports
from kerfmark.web.live import Watch
from kerfmark.web.opened import Opened
from kerfmark.web.options import WebOptions
from kerfmark.web.pages import ROUTERS
from kerfmark.web.pages.sign_in import sign_in_again
from kerfmark.web.rendering import asset_bytes, page
from kerfmark.web.running import RunningSessions
from kerfmark.web.scenes import Scenes
from kerfmark.web.security.policy import GuardedApp
from kerfmark.web.security.rates import Rate
from kerfmark.web.unsent import unsent_of

__all__ = ["create_app", "status_of"]

FOR_GOOD = "public, max-age=31536000, immutable"
_STATUSES: dict[type[KerfmarkError], int] = {
    RightsError: 403,
    MissingError: 404,
    ConflictError: 409,
    StoreError: 503,
    InputError: 422,
}
API_WORDS = "The same actions as the pages, for scripts and rigs. Exercises only: nothing here is for use on patients."
UNREAD = (
    "The body of the request could not be read, expected JSON in UTF-8 or a form, whole. Correct it and send it again."
)
_HEADINGS = {
    400: "Not readable",
    401: "Not signed in",
    403: "You may not do that",
    404: "Not found",
    409: "It stands differently now",
    413: "Too large",
    422: "Not taken",
    429: "Too many tries",
    503: "The store does not answer",
}


def create_app(
    store: Store, *, options: WebOptions, settings: Settings, wake: Callable[[], None] = lambda: None
) -> FastAPI:
    """The whole server as an ASGI application.

    Parameters
    ----------
    store : Store
        Open; whoever opened it closes it.
    options : WebOptions
    settings : Settings
        Limits on what is read.
    wake : callable
        Called when a piece was handed in, so that a worker looks at once.
    """
    app = FastAPI(
        title="Kerfmark", version=__version__, description=API_WORDS, docs_url=None, redoc_url=None, openapi_url=None
    )
    opened = Opened(settings)
    running = RunningSessions()
    app.state.server = Server(
        store,
        options,
        settings,
        sign_ins=Rate(options.sign_in_tries, 60.0 * options.sign_in_minutes),
        submissions=Rate(options.submissions_a_minute, 60.0),
        watch=Watch(lambda: last_audit_number(store) + running.changes),
        running=running,
        scenes=Scenes(opened),
        opened=opened,
        wake=wake,
        benches=Benches(),
        imports=Imports(store, settings),
    )
    _serve_files(app)
    for router in ROUTERS:
        app.include_router(router, include_in_schema=False)
    for router in API_ROUTERS:
        app.include_router(router)
    _answer_failures(app)
    app.add_middleware(GuardedApp, options=options)
    return app


def status_of(failure: KerfmarkError) -> int:
    """The HTTP status of a failure: 403 rights, 404 missing, 409 conflict, 422 input, 503 store."""
    return next((status for kind, status in _STATUSES.items() if isinstance(failure, kind)), 422)


def _serve_files(app: FastAPI) -> None:
    """The stylesheet and scripts that are put together here, then the packaged folders."""
    for name, kind in (
        ("kerfmark.css", "text/css"),
        ("board.css", "text/css"),
        ("piece.js", "text/javascript"),
        ("charts.js", "text/javascript"),
    ):
        app.add_api_route(f"/static/{name}", _made(name, kind), include_in_schema=False)
    for place, package, folder in (
        ("/static/fonts", "kerfmark.reports", "fonts"),
        ("/static/view", "kerfmark.web", "view"),
        ("/static", "kerfmark.web", "static"),
    ):
        with as_file(files(package) / folder) as path:
            app.mount(place, _KeptFiles(directory=path, check_dir=False))


def _made(name: str, kind: str):  # type: ignore[no-untyped-def]
    def made() -> Response:
        return Response(asset_bytes(name), media_type=kind, headers={"cache-control": FOR_GOOD})

    return made


class _KeptFiles(StaticFiles):
    """Packaged files; asked for with their digest they may be kept for good."""

    def file_response(self, *args, **kwargs):  # type: ignore[no-untyped-def]
        """A file with how long it may be kept."""
        answer = super().file_response(*args, **kwargs)
        scope = args[2] if len(args) > 2 else kwargs["scope"]
        answer.headers["cache-control"] = FOR_GOOD if scope.get("query_string") else "public, max-age=3600"
        return answer


def _answer_failures(app: FastAPI) -> None:
    @app.exception_handler(NotSignedInError)
    async def to_sign_in(request: Request, _failure: NotSignedInError) -> Response:
        """Where to sign in, and where to go then; what was written in a form is carried along."""
        if request.headers.get("hx-request"):
            return Response(status_code=401, headers={"hx-redirect": "/sign-in"})
        if request.url.path == "/" and request.app.state.server.options.demonstration is not None:
            return RedirectResponse("/demo", status_code=303)
        if request.method == "POST" and (unsent := unsent_of(request, await form_data(request))) is not None:
            return await run_in_threadpool(sign_in_again, request, unsent)
        wanted = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        asked = f"?next={quote(wanted)}" if request.method == "GET" and wanted != "/" else ""
        return RedirectResponse(f"/sign-in{asked}", status_code=303)

    @app.exception_handler(KerfmarkError)
    def ours(request: Request, failure: KerfmarkError) -> Response:
        """A failure with a sentence of its own."""
        return _said(request, status_of(failure), str(failure))

    @app.exception_handler(AnyHTTPException)
    def theirs(request: Request, failure: AnyHTTPException) -> Response:
        """A failure of the framework, such as an address that is not there or a body that cannot be read."""
        said = UNREAD if failure.status_code == 400 else str(failure.detail)
        answer = _said(request, failure.status_code, said)
        answer.headers.update(failure.headers or {})
        return answer

    @app.exception_handler(RequestValidationError)
    def unfit(request: Request, failure: RequestValidationError) -> Response:
        """A request that does not fit what is described: where, and what is taken."""
        told = [f"{'.'.join(str(part) for part in e['loc'][1:] or e['loc'])}: {e['msg']}" for e in failure.errors()[:5]]
        return _said(request, 422, "; ".join(told) + ". Correct it and send it again.")

    app.add_exception_handler(404, lambda request, _: _said(request, 404, "There is no such page."))
    app.add_exception_handler(405, lambda request, _: _said(request, 405, "That cannot be done at this address."))


def _said(request: Request, status: int, sentence: str) -> Response:
    if request.url.path.startswith("/api/"):
        problem = {
            "type": "about:blank",
            "title": _HEADINGS.get(status, "Failed"),
            "status": status,
            "detail": sentence,
        }
        return JSONResponse(problem, status_code=status, media_type="application/problem+json")
    visitor = visitor_of(request, request.app.state.server)
    heading = visitor.words(_HEADINGS.get(status, "That did not go through"))
    return page(
        visitor, "wrong.html", status=status, heading=heading, sentence=visitor.words(sentence), back=page_before(request),
        unsent=getattr(request.state, "unsent", None), send_again=_may_help(request, status),
    )  # fmt: skip


def _may_help(request: Request, status: int) -> bool:
    """Whether the same form may be sent once more: a stale token of our own page, or a store that was away."""
    own = (
        request.headers.get("sec-fetch-site") == "same-origin" or "origin" in request.headers
    )  # others were refused before
    return status == 503 or (status == 403 and own and getattr(request.state, "stale", False))
