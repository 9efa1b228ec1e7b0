"""What no database of ours keeps is refused on its way in, in the same words on both: SQLite would take some of it, PostgreSQL none."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from sqlalchemy import Engine, event
from sqlalchemy.exc import DatabaseError

from kerfmark.errors import InputError, printable

__all__ = ["check_given", "refuse_what_cannot_be_kept", "too_much"]

LARGEST: Final = 2**63 - 1
"""Of a whole number; SQLite's and PostgreSQL's bigint."""


def refuse_what_cannot_be_kept(engine: Engine) -> None:
    """Look through what every statement is given before it runs."""
    event.listen(engine, "before_cursor_execute", _before)


def check_given(values: Iterable[Any]) -> None:
    """Values for one statement.

    Raises
    ------
    InputError
        If a text holds the character U+0000, which PostgreSQL cannot keep, or a whole number has more than 63 bits.
    """
    for value in values:
        if isinstance(value, str) and "\x00" in value:
            raise InputError("a text holds the character U+0000, expected text that can be shown. Take it out.")
        if type(value) is int and abs(value) > LARGEST:
            raise InputError(f"a whole number has {len(str(abs(value)))} digits, expected fewer. Correct it.")


def too_much(error: DatabaseError) -> str | None:
    """What PostgreSQL says of a value that fits no column of its kind; None for any other failure.

    Notes
    -----
    Source: PostgreSQL manual, appendix A: class 22 of SQLSTATE, data exceptions.
    """
    said = error.orig.args[0] if error.orig is not None and error.orig.args else None
    if not (isinstance(said, dict) and str(said.get("C", "")).startswith("22")):
        return None
    return printable(said.get("M", ""), limit=120)


def _before(_connection: Any, _cursor: Any, _statement: str, parameters: Any, _context: Any, many: bool) -> None:
    for row in parameters if many else (parameters,):
        check_given(row.values() if isinstance(row, dict) else row or ())
