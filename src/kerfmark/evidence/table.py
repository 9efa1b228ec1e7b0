"""The table that every question is asked of: one row for each thing somebody said about one piece.

A row says who said it (`by`): the instrument (`measured`), an `examiner`, the learner (`own`), or what stands after
moderation (`moderated`); about what: a learner's piece of an exercise at an attempt, as a whole or one criterion; and what:
a value, a ruling, a score, an overall grade, or that there is no mark and why.
The columns are described in docs/evidence/data.md.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import InputError, printable
from kerfmark.evidence.columns import (
    NO_MARK,
    NUMBERS,
    RULINGS,
    STATUSES,
    TEXTS,
    Column,
    check_cells,
    check_header,
    numbers_of,
)

__all__ = ["NO_MARK", "NUMBERS", "RULINGS", "STATUSES", "TEXTS", "Table", "read_table", "table_from_text", "table_of"]


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

    def where(self, keep: NDArray[np.bool_ | np.intp]) -> Table:
        """The rows kept, or in the order given."""
        return Table(_Kept(self.columns, np.flatnonzero(keep) if keep.dtype == np.bool_ else keep))

    def said_by(self, speaker: str, *, whole: bool) -> Table:
        """Rows of one kind of speaker about whole pieces, or about criteria."""
        return self.where((self["by"] == speaker) & ((self["criterion"] == "") == whole))

    def digest(self) -> str:
        """SHA-256 of every cell."""
        made = hashlib.sha256()
        for name, column in self.columns.items():
            made.update(name.encode())
            made.update("\x1f".join(map(str, column)).encode())
        return made.hexdigest()

    def last_attempts(self) -> Table:
        """Only rows about each learner's last attempt at each exercise: what decisions rest on."""
        if not len(self):
            return self
        piece = np.char.add(np.char.add(self["learner"].astype(str), "\x1f"), self["exercise"].astype(str))
        code = np.unique(piece, return_inverse=True)[1]
        last = np.full(code.max() + 1, -np.inf)
        np.maximum.at(last, code, self.number("attempt"))
        return self.where(self.number("attempt") == last[code])


class _Kept(Mapping[str, Column]):
    """Some rows of other columns, each column picked out when it is first asked for: a question needs three of two dozen."""

    def __init__(self, columns: Mapping[str, Column], at: NDArray[np.generic]) -> None:
        self._columns, self._at = columns, at
        self._picked: dict[str, Column] = {}

    def __getitem__(self, name: str) -> Column:
        if name not in self._picked:
            self._picked[name] = self._columns[name][self._at]
        return self._picked[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._columns)

    def __len__(self) -> int:
        return len(self._columns)


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
    return table_from_text(text, name=path.name)


def table_from_text(text: str, *, name: str) -> Table:
    """The rows of a CSV's text, checked; as `read_table`."""
    name = printable(name)
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
    check_header(header, name)
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
        said = [c.strip() for c in cells] if cells else [""] * n
        columns[text] = np.array(said, dtype=object if text == "reason" else str)
    for number in NUMBERS:
        cells = by_column.get(number)
        columns[number] = numbers_of(cells, number, name) if cells else np.full(n, np.nan)
    for number in ("attempt", "repeat"):
        columns[number] = np.where(np.isnan(columns[number].astype(float)), 1.0, columns[number].astype(float))
    columns["exercise"] = np.where(columns["exercise"] == "", "exercise", columns["exercise"])
    made = Table(columns)
    check_cells(made.columns, name)
    return made
