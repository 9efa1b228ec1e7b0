"""Who calls the API: a person's token or a station's key, never a browser's cookie, so that no other site can call for somebody."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import datetime
from typing import Annotated, Any

from fastapi import Depends, HTTPException
from fastapi.responses import JSONResponse
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer

from kerfmark.sittings.access import actor_of_secret
from kerfmark.sittings.rights import Actor
from kerfmark.storage import Store
from kerfmark.web.gate import Here, Server

__all__ = ["PREFIX", "Call", "Calling", "answer", "plain"]

PREFIX = "/api/v1"
bearer = HTTPBearer(
    auto_error=False, description="A token made on the account's page (`kt_…`), or a station key (`ks_…`)."
)


class Call:
    """One call: the server and who asks."""

    def __init__(self, server: Server, actor: Actor) -> None:
        self.server, self.actor = server, actor

    @property
    def store(self) -> Store:
        """The open store."""
        return self.server.store


def call_of(server: Here, given: Annotated[HTTPAuthorizationCredentials | None, Depends(bearer)]) -> Call:
    """Whose token that is; 401 where it is nobody's."""
    actor = None if given is None else actor_of_secret(server.store, given.credentials)
    if actor is None:
        raise HTTPException(
            401,
            "no valid token was sent, expected the header Authorization: Bearer TOKEN. Make a token on your account's page.",
            headers={"www-authenticate": "Bearer"},
        )
    return Call(server, actor)


Calling = Annotated[Call, Depends(call_of)]


def answer(content: object, *, status: int = 200) -> JSONResponse:
    """A record as JSON: times in ISO 8601, an open limit null, no NaN."""
    return JSONResponse(plain(content), status_code=status)


def plain(value: Any) -> Any:
    """Plain values out of records.

    Examples
    --------
    >>> plain((float("-inf"), 0.05))
    [None, 0.05]
    """
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name.rstrip("_"): plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(entry) for entry in value]
    if isinstance(value, datetime):
        return value.isoformat()
    return None if isinstance(value, float) and not math.isfinite(value) else value
