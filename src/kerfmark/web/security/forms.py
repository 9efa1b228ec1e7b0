"""The token every form carries: it can only be made by whoever can read the cookie, which scripts and other sites cannot."""

from __future__ import annotations

import hmac
import secrets
from hashlib import sha256

__all__ = ["FIELD", "form_token", "is_form_token", "new_secret"]

FIELD = "form_token"


def new_secret() -> str:
    """A fresh secret for a cookie: 32 random bytes as text."""
    return secrets.token_urlsafe(32)


def form_token(cookie: str) -> str:
    """The token of forms sent with this cookie.

    Notes
    -----
    Source: HMAC-SHA-256 (RFC 2104), keyed by the cookie's secret.

    Examples
    --------
    >>> form_token("a") == form_token("a"), form_token("a") == form_token("b")
    (True, False)
    """
    return hmac.new(cookie.encode(), b"form", sha256).hexdigest()


def is_form_token(token: object, cookie: str) -> bool:
    """True where the token is this cookie's; compared in constant time."""
    return bool(cookie) and isinstance(token, str) and hmac.compare_digest(token.encode(), form_token(cookie).encode())
