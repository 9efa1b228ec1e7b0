"""`kerfmark serve`: the application on a port of this machine, with what is said on the terminal when it starts."""

from __future__ import annotations

import ipaddress
from collections.abc import Callable
from urllib.parse import urlsplit

import uvicorn
from starlette.types import ASGIApp

from kerfmark.errors import InputError, printable
from kerfmark.sittings.access import begin_setup
from kerfmark.storage import Store
from kerfmark.web.options import LOOPBACK, WebOptions

__all__ = ["address_of", "check_address", "check_public_url", "run", "setup_line"]


def check_public_url(public_url: str | None) -> str | None:
    """The address people type, without its path; None where there is none.

    Raises
    ------
    InputError
        If it is no https address of a host.
    """
    if public_url is None:
        return None
    parts = urlsplit(public_url)
    if parts.scheme != "https" or not parts.hostname or parts.path.strip("/") or parts.query or parts.username:
        raise InputError(
            f"--public-url is '{printable(public_url, limit=80)}', expected https://HOST as people type it, without a path. Correct it."
        )
    return f"https://{parts.netloc}"


def check_address(host: str, options: WebOptions) -> None:
    """Refuse an address others can reach unless a TLS proxy stands in front.

    Raises
    ------
    InputError
        Passwords and marks would cross the network in the clear.
    """
    if options.behind_tls or host in LOOPBACK or _is_loopback(host):
        return
    raise InputError(
        f"--host {printable(host, limit=60)}: others could reach this address and would send passwords in the clear, expected 127.0.0.1, or a proxy that "
        "speaks TLS in front. Put one there and say so with --public-url https://HOST (KERFMARK_PUBLIC_URL)."
    )


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def address_of(host: str, port: int, options: WebOptions) -> str:
    """What to type into a browser."""
    if options.public_url:
        return options.public_url
    return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"


def setup_line(store: Store, address: str) -> str | None:
    """The line with the link that makes the first lead; None where there is a lead already."""
    secret = begin_setup(store)
    return None if secret is None else f"Set it up here, once, within a day: {address}/setup/{secret}"


def run(app: ASGIApp, *, host: str, port: int, options: WebOptions, started: Callable[[], None] = lambda: None) -> None:
    """Serve until stopped; a running request is finished first. `started` is called once requests are answered."""
    config = uvicorn.Config(
        app, host=host, port=port, log_level="warning", access_log=False, proxy_headers=options.behind_tls,
        forwarded_allow_ips="127.0.0.1" if options.behind_tls else None, server_header=False, timeout_graceful_shutdown=5,
    )  # fmt: skip
    server = _Server(config, started)
    server.run()


class _Server(uvicorn.Server):
    """Says when it is ready."""

    def __init__(self, config: uvicorn.Config, ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._ready = ready

    async def startup(self, sockets: object = None) -> None:
        """Listen, then say so."""
        await super().startup(sockets)  # type: ignore[arg-type]
        if self.started:
            self._ready()
