"""Headers on every answer, and what is refused before anything reads it: strange hosts, other sites' forms, bodies too large."""

from __future__ import annotations

from typing import Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from kerfmark.web.options import WebOptions

__all__ = ["CONTENT_SECURITY_POLICY", "GuardedApp"]

CONTENT_SECURITY_POLICY: Final = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data: blob:",
        "font-src 'self'",
        "connect-src 'self'",
        "worker-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
"""No inline script, style element or style attribute anywhere; nothing from elsewhere."""

_HEADERS: Final = {
    "content-security-policy": CONTENT_SECURITY_POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=(), xr-spatial-tracking=(self)",
}
_SAFE: Final = frozenset({"GET", "HEAD", "OPTIONS"})


_PAGE: Final = (
    '<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">'
    '<title>Refused, kerfmark</title><link rel="stylesheet" href="/static/kerfmark.css"></head><body><main id="sheet" class="small-sheet">'
    '<h1>Refused</h1><div class="wrong" role="alert">{sentence}</div><p class="prose"><a class="button" href="/">To the first page</a></p>'
    "</main></body></html>"
)


class _TooLargeError(Exception):
    """The body went past its limit while it was being read."""


class _HeadSentError(Exception):
    """The head of an answer is sent and nobody asked for more of it."""


class GuardedApp:
    """An ASGI application behind the checks that need no session. A HEAD request is answered as a GET whose body is left out (RFC 9110, 9.3.2)."""

    def __init__(self, app: ASGIApp, *, options: WebOptions) -> None:
        self._app, self._options = app, options

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or refuse it."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        send = self._with_headers(send, scope)
        refusal = self._refusal(scope["method"], headers)
        if refusal is not None:
            await _refused(headers, *refusal)(scope, receive, send)
            return
        if scope["method"] == "HEAD":
            scope, send = {**scope, "method": "GET"}, _head_only(send)
        try:
            await self._app(scope, self._counted(receive), send)
        except _TooLargeError:
            await _refused(headers, *_too_large(self._options))(scope, receive, send)
        except _HeadSentError:
            pass

    def _refusal(self, method: str, headers: Headers) -> tuple[int, str] | None:
        host = _host_of(headers.get("host", ""))
        if host not in self._options.known_hosts:
            return 421, "This server does not answer to that name."
        if method not in _SAFE and _from_elsewhere(headers):
            return 403, "This came from another site and was refused. Open the page here and send it again."
        length = headers.get("content-length", "0")
        if not (length.isascii() and length.isdigit()) or int(length) > self._options.upload_mib * 2**20:
            return _too_large(self._options)
        return None

    def _counted(self, receive: Receive) -> Receive:
        """Reading that stops once more than the limit has come, whatever length was claimed."""
        left = self._options.upload_mib * 2**20

        async def counted() -> Message:
            nonlocal left
            message = await receive()
            left -= len(message.get("body", b""))
            if left < 0:
                raise _TooLargeError
            return message

        return counted

    def _with_headers(self, send: Send, scope: Scope) -> Send:
        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers.setdefault(name, value)
                if self._options.behind_tls:
                    headers.setdefault("strict-transport-security", "max-age=31536000")
                for cookie in scope.get("kerfmark.cookies", ()):
                    headers.append("set-cookie", cookie)
                if not scope["path"].startswith("/static/"):
                    headers.setdefault("cache-control", "no-store")
            await send(message)

        return with_headers


def _head_only(send: Send) -> Send:
    """Sends the head, then an empty body, and stops whatever would have written more: a stream may have no end."""

    async def head_only(message: Message) -> None:
        await send(message if message["type"] != "http.response.body" else {"type": "http.response.body"})
        if message["type"] == "http.response.body":
            raise _HeadSentError

    return head_only


def _host_of(host: str) -> str:
    """The name without its port; the brackets of an IPv6 address go, too."""
    return (urlsplit(f"//{host}").hostname or "") if host.count("[") <= 1 else ""


def _from_elsewhere(headers: Headers) -> bool:
    """True where the browser says that another site sent this."""
    fetched = headers.get("sec-fetch-site")
    if fetched is not None:
        return fetched not in ("same-origin", "none")
    origin = headers.get("origin")
    return origin is not None and (urlsplit(origin).netloc or "null") != headers.get("host")


def _too_large(options: WebOptions) -> tuple[int, str]:
    limit = f"{options.upload_mib} MiB (KERFMARK_LIMIT_FILE_MIB)"
    return 413, f"The upload is larger than {limit}. Send a smaller file or have the limit raised."


def _refused(headers: Headers, status: int, sentence: str) -> Response:
    """A sentence: for a browser on a page of its own, since nothing of the request may be looked at here, else as plain text."""
    if "text/html" in headers.get("accept", ""):
        return HTMLResponse(_PAGE.format(sentence=sentence), status_code=status)
    return PlainTextResponse(sentence, status_code=status)
