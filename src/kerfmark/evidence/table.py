"""The table that every question is asked of: one row for each thing somebody said about one piece.

A row says who said it (`by`): the instrument (`measured`), an `examiner`, or the learner (`own`); about what: a learner's
piece of an exercise at an attempt, as a whole or one criterion; and what: a value, a ruling, a score, an overall grade.
The columns are described in docs/evidence/data.md.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import InputError, printable

__all__ = ["NUMBERS", "RULINGS", "TEXTS", "Table", "read_table", "table_of"]

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
)
NUMBERS: Final = ("attempt", "repeat", "value", "u", "lower", "upper", "score", "grade", "confidence")
RULINGS: Final = ("met", "not met", "too close to call")
SPEAKERS: Final = ("measured", "examiner", "own")
_KEY: Final = ("learner", "exercise", "attempt", "criterion", "by", "examiner", "device", "repeat")
_RANGES: Final = {
    "score": (0.0, 100.0),
    "confidence": (0.0, 1.0),
    "u": (0.0, np.inf),
    "attempt": (1, np.inf),
    "repeat": (1, np.inf),
}

Column = NDArray[np.generic]


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """Rows as columns of equal length; text columns hold "" and number columns NaN where nothing was said.

    Attributes
    ----------
    columns : mapping of str to array
        Every name of `TEXTS` and `NUMBERS`.
    """

    columns: Mapping[str, Column]

    def __len__(self) -> int:
        return len(self.columns["learner"])

    def __getitem__(self, name: str) -> Column:
        return self.columns[name]

    def number(self, name: str) -> NDArray[np.float64]:
        """A column of numbers."""
        return np.asarray(self.columns[name], dtype=np.float64)

    def where(self, keep: NDArray[np.bool_]) -> Table:
        """The rows kept."""
        return Table({name: column[keep] for name, column in self.columns.items()})

    def said_by(self, speaker: str, *, whole: bool) -> Table:
        """Rows of one kind of speaker about whole pieces, or about criteria."""
        return self.where((self["by"] == speaker) & ((self["criterion"] == "") == whole))

    def last_attempts(self) -> Table:
        """Only rows about each learner's last attempt at each exercise: what decisions rest on."""
        if not len(self):
            return self
        piece = np.char.add(np.char.add(self["learner"].astype(str), "\x1f"), self["exercise"].astype(str))
        code = np.unique(piece, return_inverse=True)[1]
        last = np.full(code.max() + 1, -np.inf)
        np.maximum.at(last, code, self.number("attempt"))
        return self.where(self.number("attempt") == last[code])


def read_table(path: Path, *, limit_mib: int = 512) -> Table:
    """The rows of a CSV file, checked.

    Parameters
    ----------
    path : path
        UTF-8, first row the column names; see docs/evidence/data.md.
    limit_mib : int
        Largest file read.

    Returns
    -------
    Table

    Raises
    ------
    InputError
        If the file cannot be read, a column is missing or unknown, or a cell is not what it has to be; the sentence
        names the row.
    """
    name = printable(path.name)
    try:
        size = path.stat().st_size
        if size > limit_mib * 2**20:
            raise InputError(
                f"{name}: {size / 2**20:.0f} MiB, at most {limit_mib} MiB are read (KERFMARK_LIMIT_FILE_MIB). Split the table."
            )
        text = path.read_text(encoding="utf-8-sig")
    except OSError as why:
        raise InputError(
            f"{name}: cannot be read ({printable(why.strerror or why, limit=80)}), expected a table in CSV. Check its path."
        ) from why
    except UnicodeDecodeError as why:
        raise InputError(
            f"{name}: cannot be read as UTF-8 text ({printable(why, limit=80)}). Save the table as CSV, UTF-8."
        ) from why
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    except csv.Error as why:
        raise InputError(
            f"{name}: not a well-formed CSV ({printable(why, limit=80)}). Save the table again as CSV."
        ) from why
    if len(rows) < 2:
        raise InputError(f"{name}: no rows below the column names, expected one row for each thing said about a piece.")
    return table_of([cell.strip() for cell in rows[0]], rows[1:], name=name)


def table_of(header: Sequence[str], rows: Sequence[Sequence[str]], *, name: str = "table") -> Table:
    """A table from column names and rows of text.

    Raises
    ------
    InputError
        As `read_table`.

    Examples
    --------
    >>> len(table_of(["learner", "by", "score"], [["L1", "measured", "64"], ["L2", "measured", "71"]]))
    2
    """
    _check_header(header, name)
    for at, row in enumerate(rows, start=2):
        if len(row) != len(header):
            raise InputError(
                f"{name}, row {at}: {len(row)} cells, expected {len(header)} as in the first row. Correct the row."
            )
    by_column = dict(zip(header, zip(*rows, strict=True), strict=True)) if rows else {}
    n = len(rows)
    columns: dict[str, Column] = {}
    for text in TEXTS:
        cells = by_column.get(text)
        columns[text] = np.array([c.strip() for c in cells] if cells else [""] * n, dtype=str)
    for number in NUMBERS:
        cells = by_column.get(number)
        columns[number] = _numbers(cells, number, name) if cells else np.full(n, np.nan)
    for number in ("attempt", "repeat"):
        columns[number] = np.where(np.isnan(columns[number].astype(float)), 1.0, columns[number].astype(float))
    columns["exercise"] = np.where(columns["exercise"] == "", "exercise", columns["exercise"])
    made = Table(columns)
    _check_cells(made, name)
    return made


def _check_header(header: Sequence[str], name: str) -> None:
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


def _numbers(cells: Sequence[str], column: str, name: str) -> NDArray[np.float64]:
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


def _is_number(cell: str) -> bool:
    try:
        return math.isfinite(float(cell))
    except ValueError:
        return False


def _check_cells(table: Table, name: str) -> None:
    def refuse(bad: NDArray[np.bool_], column: str, expected: str) -> None:
        if bad.any():
            at = int(np.argmax(bad))
            found = printable(str(table[column][at]), limit=40)
            raise InputError(f"{name}, row {at + 2}: {column} is '{found}', expected {expected}. Correct it.")

    refuse(table["learner"] == "", "learner", "a code")
    refuse(~np.isin(table["by"], SPEAKERS), "by", "measured, examiner or own")
    refuse(~np.isin(table["ruling"], ("", *RULINGS)), "ruling", ", ".join(RULINGS) + " or nothing")
    refuse(
        (table["by"] == "examiner") & (table["examiner"] == ""), "examiner", "the examiner's code where by is examiner"
    )
    grade = table.number("grade")
    refuse(~np.isnan(grade) & ((grade < 0) | (grade != np.round(grade))), "grade", "a whole number from 0, or nothing")
    attempt = table.number("attempt")
    refuse(attempt != np.round(attempt), "attempt", "a whole number from 1")
    key = _joint_codes([table[column] for column in _KEY])
    _, first, counts = np.unique(key, return_index=True, return_counts=True)
    if np.any(counts > 1):
        again = np.flatnonzero(key == key[first[np.argmax(counts > 1)]])
        raise InputError(
            f"{name}, row {again[1] + 2}: says the same thing again as row {again[0] + 2} ({', '.join(_KEY)}). "
            "Delete one, or number repeats in the column repeat."
        )


def _joint_codes(columns: Sequence[Column]) -> NDArray[np.int64]:
    """One number for each distinct combination; columns are coded one after the other, so that numbers stay small."""
    joint = np.zeros(len(columns[0]), dtype=np.int64)
    for column in columns:
        known: dict[object, int] = {}
        code = np.array([known.setdefault(cell, len(known)) for cell in column.tolist()], dtype=np.int64)
        joint = np.unique(joint * len(known) + code, return_inverse=True)[1].astype(np.int64)
    return joint
