"""`kerfmark serve`: the application on a port of this machine, with what is said on the terminal when it starts."""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Callable
from dataclasses import replace
from urllib.parse import urlsplit

import uvicorn
from starlette.types import ASGIApp

from kerfmark.errors import InputError, printable
from kerfmark.settings import Serving, Settings
from kerfmark.sittings.access import begin_setup
from kerfmark.sittings.work import Workforce
from kerfmark.storage import Store, open_store
from kerfmark.web.app import create_app
from kerfmark.web.drawn import draw_for_pages
from kerfmark.web.options import LOOPBACK, Demonstration, OidcOptions, WebOptions

__all__ = ["address_of", "check_address", "check_public_url", "options_of", "run", "serve_store", "setup_line"]


def serve_store(
    settings: Settings,
    serving: Serving,
    *,
    store_at: str | None = None,
    files_at: str | None = None,
    host: str = "127.0.0.1",
    port: int = 8750,
    workers: int | None = None,
    demonstration: Demonstration | None = None,
    say: Callable[[str], None],
) -> None:
    """Open a store and serve it, with processes that measure what is handed in, until stopped.

    Parameters
    ----------
    settings : Settings
    serving : Serving
    store_at, files_at : str, optional
        The settings' own where left out.
    host, port
        Where to listen.
    workers : int, optional
        Processes that measure; half the processors where left out.
    demonstration : Demonstration, optional
        The store holds an invented term that anybody on this machine may look at.
    say : callable
        Called with each line for the person.

    Raises
    ------
    InputError
        If the address may not be listened at, or is taken.
    """
    options = replace(options_of(serving, settings), demonstration=demonstration)
    check_address(host, options)
    listening = _socket(host, port)
    store = open_store(store_at or settings.store, files_at or settings.files)
    limits = settings.limits
    force = Workforce(
        store, settings, workers=max(1, settings.threads // 2) if workers is None else workers, memory_mib=limits.worker_mib,
        seconds=float(limits.worker_s), draw=draw_for_pages,
    )  # fmt: skip
    address = address_of(host, listening.getsockname()[1], options)
    try:
        force.start()
        app = create_app(store, options=options, settings=settings, wake=force.wake)
        run(
            app,
            listening,
            options=options,
            started=lambda: _say_where(store, address, say, invented=demonstration is not None),
        )
    finally:
        force.stop()
        store.close()
        listening.close()


def options_of(serving: Serving, settings: Settings) -> WebOptions:
    """The application's options out of the settings."""
    oidc = None
    if serving.oidc_issuer and serving.oidc_client_id and serving.oidc_client_secret:
        named = {} if serving.oidc_name is None else {"name": serving.oidc_name}
        oidc = OidcOptions(serving.oidc_issuer, serving.oidc_client_id, serving.oidc_client_secret, **named)
    return WebOptions(
        public_url=check_public_url(serving.public_url),
        upload_mib=settings.limits.file_mib,
        oidc=oidc,
        proxies=serving.proxies,
    )


def _say_where(store: Store, address: str, say: Callable[[str], None], *, invented: bool) -> None:
    say(f"Kerfmark serves at {address} (Ctrl-C stops it)")
    if invented:
        say(f"Look first at {address}/demo")
        return
    line = setup_line(store, address)
    if line is not None:
        say(line)


def _socket(host: str, port: int) -> socket.socket:
    """A socket that listens, or a sentence that says why not."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, port))
        listening.listen(2048)
    except OSError as error:
        listening.close()
        raise InputError(
            f"{printable(host, limit=60)}, port {port}: cannot be listened at ({printable(error.strerror or error, limit=80)}), expected a free port of this machine. "
            "Name another with --port."
        ) from error
    return listening


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


def run(
    app: ASGIApp, listening: socket.socket, *, options: WebOptions, started: Callable[[], None] = lambda: None
) -> None:
    """Serve until stopped; a running request is finished first. `started` is called once requests are answered."""
    config = uvicorn.Config(
        app, log_level="warning", access_log=False, proxy_headers=options.behind_tls, server_header=False,
        forwarded_allow_ips=options.proxies if options.behind_tls else None, timeout_graceful_shutdown=5,
    )  # fmt: skip
    _Server(config, started).run(sockets=[listening])


class _Server(uvicorn.Server):
    """Says when it is ready."""

    def __init__(self, config: uvicorn.Config, ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._ready = ready

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Listen, then say so."""
        await super().startup(sockets)
        if self.started:
            self._ready()
