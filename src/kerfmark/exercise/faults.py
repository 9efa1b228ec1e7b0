"""Faults of an exercise, said in words: where it is, what was found, what is accepted, what to do."""

from __future__ import annotations

import datetime
import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from kerfmark.errors import InputError, printable

__all__ = ["Fault", "as_error", "nearest", "nearest_phrase", "shown", "toml_place"]

SHOWN_FAULTS = 2
"""How many faults are written out when there are more than three."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong: `where` in the file's own terms, what was `found`, what is `expected`, what to `do`."""

    where: str
    found: str
    expected: str
    do: str

    def sentence(self) -> str:
        """The fault as one line."""
        return f"{self.where} {self.found}, expected {self.expected}. {self.do}"


def as_error(faults: Sequence[Fault], *, name: str, total: int | None = None) -> InputError:
    """All faults of one file as one error of three lines at most: the first few written out, the rest counted.

    Parameters
    ----------
    faults : sequence of Fault
        At least one.
    name : str
        The file, as the person knows it.
    total : int, optional
        How many there are, where `faults` holds only the first few of them.
    """
    total = len(faults) if total is None else total
    lines = [f"{printable(name, limit=80)}: {fault.sentence()}" for fault in faults[: SHOWN_FAULTS + 1]]
    if total > SHOWN_FAULTS + 1:
        rest = total - SHOWN_FAULTS
        next_place = faults[SHOWN_FAULTS].where
        lines = [
            *lines[:SHOWN_FAULTS],
            f"{printable(name, limit=80)}: {rest} more faults, the next in {next_place}. Correct these first.",
        ]
    return InputError("\n".join(lines))


def shown(value: object, *, limit: int = 60) -> str:
    """A value from a file, safe to print and short: text in quotes, numbers as they are, containers by kind."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value) if abs(value) < 10**18 else f"a whole number of {value.bit_length()} bits"
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, str):
        return f"'{printable(value, limit=limit)}'"
    if isinstance(value, list | tuple):
        return _shown_list(value, limit=limit)
    return _kind(value)


def _shown_list(values: Sequence[object], *, limit: int) -> str:
    flat = all(isinstance(value, str | int | float) for value in values[:8])
    if len(values) > 8 or not flat:
        return f"a list of {len(values)} entries"
    return printable("[" + ", ".join(shown(value, limit=20) for value in values) + "]", limit=limit)


def _kind(value: object) -> str:
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, datetime.date | datetime.time):
        return f"the date or time {value.isoformat()}"
    return printable(type(value).__name__, limit=40)


def nearest(word: str, known: Iterable[str], *, count: int = 1) -> list[str]:
    """The known words most like `word`, best first; none where nothing is near."""
    return difflib.get_close_matches(word[:200], list(known), n=count, cutoff=0.5)


def nearest_phrase(word: str, known: Iterable[str], *, count: int = 1, most: int = 6) -> str:
    """What to write instead: the nearest known words, or the whole list where it is short.

    Examples
    --------
    >>> nearest_phrase("mesail", ["mesial", "distal"])
    "'mesial' is the nearest known one"
    """
    words = list(known)
    found = nearest(word, words, count=count)
    if found:
        verb = "is the nearest known one" if len(found) == 1 else "are the nearest known ones"
        return ", ".join(f"'{printable(near, limit=60)}'" for near in found) + f" {verb}"
    return "known are " + listed(words, most=most) if words else "none is known here"


def listed(words: Iterable[str], *, most: int = 8) -> str:
    """Words in a row, cut after `most` with a count of the rest."""
    every = list(words)
    rest = f" and {len(every) - most} more" if len(every) > most else ""
    return ", ".join(printable(word, limit=60) for word in every[:most]) + rest


_ARRAYS_OF_TABLES = ("abutments", "criteria", "sites", "instruments")
_TABLES = ("subject", "frame", "target", "structures", "permitted", "source", "pass")


def toml_place(loc: Sequence[int | str]) -> str:
    """A place in the file, as its author sees it.

    Examples
    --------
    >>> toml_place(("criteria", 2, "limits", 0)), toml_place(("subject", "layers", "enamel"))
    ('[[criteria]] 3, limits, entry 1', '[subject] layers.enamel')
    """
    parts = list(loc)
    if not parts:
        return "the file"
    if parts[0] in _ARRAYS_OF_TABLES and len(parts) > 1 and isinstance(parts[1], int):
        head, rest = f"[[{parts[0]}]] {parts[1] + 1}", parts[2:]
        return f"{head}, {_key_path(rest)}" if rest else head
    if parts[0] in _TABLES:
        return f"[{parts[0]}] {_key_path(parts[1:])}".strip()
    return _key_path(parts)


def _key_path(parts: Sequence[int | str]) -> str:
    text = ""
    for part in parts:
        if isinstance(part, int):
            text += f", entry {part + 1}"
        else:
            text += ("." if text else "") + printable(part, limit=60)
    return text
