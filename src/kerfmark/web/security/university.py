"""Signing in at a university's provider: OpenID Connect, authorization code with PKCE.

Source: OpenID Connect Core 1.0, 3.1; RFC 7636 (PKCE); RFC 9700 (best practice). The ID token's signature, issuer, audience, times and nonce are checked.
"""

from __future__ import annotations

import json
from base64 import urlsafe_b64decode, urlsafe_b64encode
from binascii import Error as NotBase64
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final
from urllib.parse import urlsplit

from authlib.integrations.base_client import OAuthError
from authlib.integrations.httpx_client import OAuth2Client
from httpx2 import Client, HTTPError
from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import KeySet

from kerfmark.errors import InputError
from kerfmark.web.options import LOOPBACK, OidcOptions
from kerfmark.web.security.forms import new_secret

__all__ = ["Claimed", "Started", "University"]

ALGORITHMS: Final = ["RS256", "RS384", "RS512", "PS256", "PS384", "PS512", "ES256", "ES384", "ES512"]
"""Signatures taken on an ID token; `none` and shared-key ones are not among them."""
PATIENCE_S: Final = 10.0
LEEWAY_S: Final = 60


@dataclass(frozen=True, slots=True)
class Started:
    """What has to come back unchanged: kept in a cookie of the browser that started."""

    state: str
    nonce: str
    verifier: str
    next: str

    def as_cookie(self) -> str:
        """As a cookie's value."""
        return urlsafe_b64encode(json.dumps(asdict(self)).encode()).decode()

    @classmethod
    def of_cookie(cls, value: str) -> Started | None:
        """Back from a cookie's value; None where it is none of ours."""
        try:
            return cls(**json.loads(urlsafe_b64decode(value.encode())))
        except (NotBase64, ValueError, TypeError):
            return None


@dataclass(frozen=True, slots=True)
class Claimed:
    """What the provider says of a person. `email` is empty unless the provider verified it."""

    issuer: str
    subject: str
    email: str


class University:
    """A provider, asked for its addresses and keys when they are first needed.

    Parameters
    ----------
    options : OidcOptions
    """

    def __init__(self, options: OidcOptions) -> None:
        self._options = options
        self._about: Mapping[str, Any] | None = None

    def start(self, *, redirect_uri: str, next: str) -> tuple[str, Started]:
        """Where to send the browser, and what to remember."""
        started = Started(new_secret(), new_secret(), new_secret(), next)
        with self._client(redirect_uri) as client:
            address, _ = client.create_authorization_url(
                self._address("authorization_endpoint"),
                state=started.state,
                nonce=started.nonce,
                code_verifier=started.verifier,
            )
        return str(address), started

    def finish(self, started: Started, *, code: str, redirect_uri: str) -> Claimed:
        """Exchange the code and check what comes back.

        Raises
        ------
        InputError
            If the provider refuses, does not answer, or what it says does not hold.
        """
        try:
            with self._client(redirect_uri) as client:
                token = client.fetch_token(self._address("token_endpoint"), code=code, code_verifier=started.verifier)
            return self._checked(token.get("id_token", ""), started.nonce)
        except (OAuthError, HTTPError, JoseError, ValueError, KeyError, TypeError) as error:
            raise _refused(f"its answer does not hold ({type(error).__name__})") from error

    def _checked(self, id_token: str, nonce: str) -> Claimed:
        with Client(timeout=PATIENCE_S) as client:
            keys = KeySet.import_key_set(client.get(self._address("jwks_uri")).raise_for_status().json())
        claims = jwt.decode(id_token, keys, algorithms=ALGORITHMS).claims
        registry = jwt.JWTClaimsRegistry(
            leeway=LEEWAY_S,
            iss={"essential": True, "value": self._discovered()["issuer"]},
            aud={"essential": True, "value": self._options.client_id},
            nonce={"essential": True, "value": nonce},
            exp={"essential": True},
            iat={"essential": True},
            sub={"essential": True},
        )
        registry.validate(claims)
        return Claimed(
            claims["iss"],
            str(claims["sub"]),
            str(claims.get("email", "")) if claims.get("email_verified") is True else "",
        )

    def _client(self, redirect_uri: str) -> OAuth2Client:
        return OAuth2Client(
            self._options.client_id, self._options.client_secret, scope="openid email profile", redirect_uri=redirect_uri,
            code_challenge_method="S256", timeout=PATIENCE_S,
        )  # fmt: skip

    def _discovered(self) -> Mapping[str, Any]:
        if self._about is None:
            issuer = self._options.issuer.rstrip("/")
            try:
                with Client(timeout=PATIENCE_S) as client:
                    about = client.get(f"{issuer}/.well-known/openid-configuration").raise_for_status().json()
            except (HTTPError, ValueError) as error:
                raise _refused("it does not answer") from error
            if not isinstance(about, dict) or str(about.get("issuer", "")).rstrip("/") != issuer:
                raise _refused("it calls itself something else than its address")
            self._about = about
        return self._about

    def _address(self, name: str) -> str:
        address = str(self._discovered().get(name, ""))
        parts = urlsplit(address)
        if parts.scheme != "https" and parts.hostname not in LOOPBACK:
            raise _refused(f"its {name} is not an https address")
        return address


def _refused(why: str) -> InputError:
    return InputError(
        f"The university's sign-in did not go through: {why}, expected a signed answer for this server. Try again, or tell whoever runs it."
    )
