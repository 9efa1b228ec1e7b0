"""Readings by their names instead of their keys, wherever a report of evidence shows one; files for programs keep the keys."""

from __future__ import annotations

import re
from dataclasses import fields, is_dataclass, replace
from typing import Any, Final, TypeVar

from kerfmark.evidence.gather import Evidence
from kerfmark.reports.wording import name_of, unit_sign

__all__ = ["named", "with_names"]

T = TypeVar("T")

_KEY: Final = re.compile(r"\b(?:crown|cavity|access|implant|line|block|surface|process)(?:\.[a-z0-9]+(?:_[a-z0-9]+)*)+")
_UNIT: Final = re.compile(r"_(deg|um|mm|mm2|mm3|s|n)$")


def named(text: str) -> str:
    """A text with every reading's key replaced by its name and unit.

    Examples
    --------
    >>> named("crown.finish_line_width_mm distal: 3 of 40")
    'Finish line width (mm) distal: 3 of 40'
    >>> named("margin width: 3 of 40")
    'margin width: 3 of 40'
    """
    return _KEY.sub(_name, text)


def _name(found: re.Match[str]) -> str:
    unit = _UNIT.search(found[0])
    return name_of(found[0], None, None, alone=True) + (f" ({unit_sign(unit[1])})" if unit else "")


def with_names(evidence: Evidence) -> Evidence:
    """The evidence as people read it."""
    return replace(evidence, answers={key: _named_within(answer) for key, answer in evidence.answers.items()})


def _named_within(value: T) -> T:
    """A value whose texts, however deep, carry names."""
    made: Any = value
    if isinstance(value, str):
        made = named(value)
    elif is_dataclass(value) and not isinstance(value, type):
        made = replace(value, **{f.name: _named_within(getattr(value, f.name)) for f in fields(value)})
    elif isinstance(value, dict):
        made = {key: _named_within(entry) for key, entry in value.items()}
    elif isinstance(value, tuple | list) and not _numbers(value):
        made = type(value)(_named_within(entry) for entry in value)
    return made  # type: ignore[no-any-return]


def _numbers(values: Any) -> bool:
    """Long lists of numbers are passed over whole."""
    return len(values) > 0 and isinstance(values[0], float)
