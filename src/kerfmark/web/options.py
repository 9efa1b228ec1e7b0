"""How a server is set up: passed on as plain values, never read from the environment here."""

from __future__ import annotations

from dataclasses import dataclass, field
from threading import Event
from urllib.parse import urlsplit

__all__ = ["LOOPBACK", "Demonstration", "OidcOptions", "WebOptions"]

LOOPBACK = ("127.0.0.1", "localhost", "::1")


@dataclass(frozen=True, slots=True)
class OidcOptions:
    """A university's sign-in (OpenID Connect): where it is, who we are to it, what it calls its people.

    Attributes
    ----------
    issuer : str
        Its address; `/.well-known/openid-configuration` is read below it.
    client_id, client_secret : str
    name : str
        What the button says.
    """

    issuer: str
    client_id: str
    client_secret: str = field(repr=False)
    name: str = "university account"


@dataclass(frozen=True, slots=True, eq=False)
class Demonstration:
    """An invented term that is shown: anybody on this machine may look at it as any of its people.

    Attributes
    ----------
    said : list of str
        What has been made so far, a line a step.
    ready : Event
        Set once all of it stands.
    """

    said: list[str] = field(default_factory=list)
    ready: Event = field(default_factory=Event)


@dataclass(frozen=True, slots=True)
class WebOptions:
    """Everything that differs between one server and another.

    Attributes
    ----------
    public_url : str or None
        `https://…` as people type it, where a TLS proxy stands in front; None for this machine alone.
    hosts : tuple of str
        Further host names that are answered to.
    session_hours : int
        After so long a session ends whatever happens.
    upload_mib : int
        Largest request body, MiB.
    sign_in_tries, sign_in_minutes : int
        So many failed tries for one name and for one address in so many minutes.
    submissions_a_minute : int
        So many from one person or station.
    oidc : OidcOptions or None
    proxies : str
        Addresses, comma between, whose word on who asks is believed.
    demonstration : Demonstration or None
        Only ever on this machine alone.
    """

    public_url: str | None = None
    hosts: tuple[str, ...] = ()
    session_hours: int = 12
    upload_mib: int = 512
    sign_in_tries: int = 8
    sign_in_minutes: int = 10
    submissions_a_minute: int = 120
    oidc: OidcOptions | None = None
    proxies: str = "127.0.0.1"
    demonstration: Demonstration | None = None

    @property
    def behind_tls(self) -> bool:
        """True where every request came through TLS, so that cookies may insist on it."""
        return self.public_url is not None

    @property
    def known_hosts(self) -> frozenset[str]:
        """Names a request may give as its host."""
        public = urlsplit(self.public_url).hostname if self.public_url else None
        return frozenset((*LOOPBACK, *self.hosts, *([public] if public else ())))
