"""The columns of the table every question is asked of, and what may stand in their cells (docs/evidence/data.md)."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import InputError, printable

__all__ = ["NO_MARK", "NUMBERS", "RULINGS", "STATUSES", "TEXTS", "Column", "check_cells", "check_header", "numbers_of"]

TEXTS: Final = (
    "learner",
    "exercise",
    "criterion",
    "by",
    "examiner",
    "device",
    "ruling",
    "site",
    "rig",
    "hand",
    "group",
    "status",
    "reason",
    "date",
    "calibrated",
)
NUMBERS: Final = ("attempt", "repeat", "value", "u", "lower", "upper", "score", "grade", "confidence")
RULINGS: Final = ("met", "not met", "too close to call")
SPEAKERS: Final = ("measured", "examiner", "own", "moderated")
NO_MARK: Final = ("absent", "void", "set aside")
"""Statuses of a piece that has no mark."""
STATUSES: Final = (*NO_MARK, "appeal")
REASON_MOST: Final = 200
_DATE: Final = re.compile(r"\d{4}-\d{2}-\d{2}")
_KEY: Final = ("learner", "exercise", "attempt", "criterion", "by", "examiner", "device", "repeat")
_RANGES: Final = {
    "score": (0.0, 100.0),
    "confidence": (0.0, 1.0),
    "u": (0.0, np.inf),
    "attempt": (1, np.inf),
    "repeat": (1, np.inf),
}

Column: TypeAlias = NDArray[np.generic]


def check_header(header: Sequence[str], name: str) -> None:
    """Refuse columns that are unknown, missing or there twice."""
    known = (*TEXTS, *NUMBERS)
    unknown = [h for h in header if h not in known and not h.startswith("x_")]
    if unknown:
        raise InputError(
            f"{name}: column '{printable(unknown[0], limit=40)}' is not known, expected {', '.join(known)}. "
            "Rename it, or begin its name with x_ to have it passed over."
        )
    missing = [h for h in ("learner", "by") if h not in header]
    if missing:
        raise InputError(
            f"{name}: column '{missing[0]}' is missing. Add it: learner says whose piece, by says who speaks."
        )
    twice = [h for h in set(header) if list(header).count(h) > 1]
    if twice:
        raise InputError(f"{name}: column '{printable(twice[0], limit=40)}' stands twice. Keep one.")


def numbers_of(cells: Sequence[str], column: str, name: str) -> NDArray[np.float64]:
    """A column of numbers from its cells; NaN where nothing was said."""
    try:
        made = np.array([float(cell) if cell and not cell.isspace() else np.nan for cell in cells])
    except ValueError:
        made = np.full(len(cells), np.inf)
    said = np.array([bool(cell and not cell.isspace()) for cell in cells])
    if np.any(said & ~np.isfinite(made)):
        at = next(n for n, cell in enumerate(cells) if said[n] and not _is_number(cell))
        raise InputError(
            f"{name}, row {at + 2}: {column} is '{printable(cells[at].strip(), limit=40)}', expected a number with a point, or nothing. Correct it."
        )
    low, high = _RANGES.get(column, (-np.inf, np.inf))
    outside = np.flatnonzero((made < low) | (made > high))
    if len(outside):
        raise InputError(
            f"{name}, row {outside[0] + 2}: {column} is {made[outside[0]]:g}, expected {low:g} to {high:g}. Correct it."
        )
    return made


def _is_date(cell: str) -> bool:
    try:
        datetime.fromisoformat(cell)
    except ValueError:
        return False
    return _DATE.match(cell) is not None


def _is_number(cell: str) -> bool:
    try:
        return math.isfinite(float(cell))
    except ValueError:
        return False


def check_cells(table: Mapping[str, Column], name: str) -> None:
    """Refuse the first cell that is not what its column holds, and anything said twice; the sentence names the row."""

    def refuse(bad: NDArray[np.bool_], column: str, expected: str) -> None:
        if bad.any():
            at = int(np.argmax(bad))
            found = printable(str(table[column][at]), limit=40)
            raise InputError(f"{name}, row {at + 2}: {column} is '{found}', expected {expected}. Correct it.")

    refuse(table["learner"] == "", "learner", "a code")
    refuse(~np.isin(table["by"], SPEAKERS), "by", "measured, examiner, own or moderated")
    refuse(~np.isin(table["ruling"], ("", *RULINGS)), "ruling", ", ".join(RULINGS) + " or nothing")
    person = np.isin(table["by"], ("examiner", "moderated"))
    refuse(person & (table["examiner"] == ""), "examiner", "the examiner's code where by is examiner or moderated")
    _check_statuses(table, refuse)
    grade = _number(table, "grade")
    refuse(~np.isnan(grade) & ((grade < 0) | (grade != np.round(grade))), "grade", "a whole number from 0, or nothing")
    attempt = _number(table, "attempt")
    refuse(attempt != np.round(attempt), "attempt", "a whole number from 1")
    _check_said_once(table, name)


def _number(table: Mapping[str, Column], name: str) -> NDArray[np.float64]:
    return np.asarray(table[name], dtype=np.float64)


def _check_said_once(table: Mapping[str, Column], name: str) -> None:
    """Nobody says the same thing of a piece twice, and moderation has one result."""
    if (twice := _twice(_joint_codes([table[column] for column in _KEY]))) is not None:
        raise InputError(
            f"{name}, row {twice[1] + 2}: says the same thing again as row {twice[0] + 2} ({', '.join(_KEY)}). "
            "Delete one, or number repeats in the column repeat."
        )
    moderated = np.flatnonzero(table["by"] == "moderated")
    piece = _joint_codes([table[column][moderated] for column in ("learner", "exercise", "attempt", "criterion")])
    if (twice := _twice(piece)) is not None:
        raise InputError(
            f"{name}, row {moderated[twice[1]] + 2}: moderates again what row {moderated[twice[0]] + 2} has moderated, expected one result a piece. "
            "Keep what stands and say in reason how it came about."
        )


def _twice(key: NDArray[np.int64]) -> tuple[int, int] | None:
    """The first two places that hold the same key."""
    _, first, counts = np.unique(key, return_index=True, return_counts=True)
    if not np.any(counts > 1):
        return None
    again = np.flatnonzero(key == key[first[np.argmax(counts > 1)]])
    return int(again[0]), int(again[1])


def _check_statuses(table: Mapping[str, Column], refuse: Callable[[NDArray[np.bool_], str, str], None]) -> None:
    """Rows about what happened to a piece, when, and with which calibration."""
    refuse(~np.isin(table["status"], ("", *STATUSES)), "status", ", ".join(STATUSES) + " or nothing")
    stated = table["status"] != ""
    refuse(stated & ((table["by"] != "measured") | (table["criterion"] != "")), "status",
           "nothing, except in the measured row of a whole piece")  # fmt: skip
    scored = np.isin(table["status"], NO_MARK) & ~np.isnan(_number(table, "score"))
    refuse(
        scored,
        "status",
        "nothing or appeal in a row with a score: a piece that is absent, void or set aside has no mark",
    )
    long = np.array([len(reason) > REASON_MOST for reason in table["reason"]], dtype=bool)
    refuse(long, "reason", f"at most {REASON_MOST} characters")
    for column in ("date", "calibrated"):
        bad = [date for date in np.unique(table[column]) if date and not _is_date(str(date))]
        refuse(np.isin(table[column], bad), column, "a date such as 2026-03-09 or 2026-03-09T14:30:00Z, or nothing")


def _joint_codes(columns: Sequence[Column]) -> NDArray[np.int64]:
    """One number for each distinct combination; columns are coded one after the other, so that numbers stay small."""
    joint = np.zeros(len(columns[0]), dtype=np.int64)
    if not len(joint):
        return joint
    for column in columns:
        known: dict[object, int] = {}
        code = np.array([known.setdefault(cell, len(known)) for cell in column.tolist()], dtype=np.int64)
        joint = np.unique(joint * len(known) + code, return_inverse=True)[1].astype(np.int64)
    return joint
