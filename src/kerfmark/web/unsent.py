"""What somebody wrote in a form that was not taken: carried through the sign-in, or shown to them again. Nothing of it is kept here."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from typing import Final

from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request

from kerfmark.web.security.forms import FIELD

__all__ = ["HELD", "Unsent", "held_in", "unsent_of"]

HELD: Final = "held"
"""The field of the sign-in form that carries it."""
MOST: Final = 900_000
"""Characters that are carried, as JSON; the largest form there is, a roster typed in, has less than half."""
NEVER: Final = frozenset({FIELD, HELD, "password", "again", "old"})
VISITORS: Final = ("/sign-in", "/sign-out", "/setup/", "/link/", "/look", "/demo/")
"""Forms of somebody not signed in, and one that holds nothing."""
_ID = re.compile(r"[0-9a-f]{20}|[0-9a-f]{64}")


@dataclass(frozen=True, slots=True)
class Unsent:
    """A form: where it was going, what it said, and whether files were with it, which cannot be carried.

    Attributes
    ----------
    at : str
    fields : tuple of (str, str)
        In the order of the form; a name may come more than once. Passwords and tokens are left out.
    files : bool
    """

    at: str
    fields: tuple[tuple[str, str], ...]
    files: bool

    @property
    def written(self) -> list[tuple[str, str]]:
        """What a person can read and copy: no ids, no empty fields."""
        return [(name, value) for name, value in self.fields if value.strip() and not _ID.fullmatch(value)]

    @property
    def packed(self) -> str:
        """As text for one field of a form; empty where it is too much to carry."""
        text = json.dumps([self.at, self.fields, self.files], ensure_ascii=False)
        return text if len(text) <= MOST else ""


def unsent_of(request: Request, data: FormData) -> Unsent | None:
    """What a form says; None where there is nothing that somebody could miss."""
    path = request.url.path
    if path.startswith(VISITORS):
        return None
    fields = [(name, value) for name, value in data.multi_items() if isinstance(value, str) and name not in NEVER]
    files = any(isinstance(value, UploadFile) and value.filename for value in data.values())
    found = Unsent(path, tuple(fields), files)
    return found if found.written else None


def held_in(text: str) -> Unsent | None:
    """What `Unsent.packed` gave; None for anything else.

    Examples
    --------
    >>> held_in(Unsent("/pieces/x/notes", (("text", "A step."),), False).packed).fields
    (('text', 'A step.'),)
    >>> held_in('["//elsewhere.example", [], false]') is None, held_in("[") is None
    (True, True)
    """
    try:
        at, fields, files = json.loads(text)
        pairs = tuple((str(name), str(value)) for name, value in fields)
    except (ValueError, TypeError, RecursionError):
        return None
    own = isinstance(at, str) and re.fullmatch(r"/[A-Za-z0-9_./-]*", at) is not None and not at.startswith("//")
    return Unsent(at, pairs, bool(files)) if own and not at.startswith(VISITORS) else None
