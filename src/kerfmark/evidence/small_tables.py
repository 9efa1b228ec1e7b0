"""The small CSV files that stand beside the table: actions agreed, criteria asked, a panel's judgements."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path

from kerfmark.errors import InputError, printable

__all__ = ["csv_rows", "csv_text", "rows_of_text"]


def csv_text(path: Path, *, what: str) -> str:
    """The text of a small CSV file.

    Raises
    ------
    InputError
        If the file cannot be read or is not UTF-8.
    """
    name = printable(path.name)
    try:
        return path.read_text(encoding="utf-8-sig")
    except OSError as why:
        raise InputError(
            f"{name}: cannot be read ({printable(why.strerror or why, limit=80)}), expected {what}. Check its path."
        ) from why
    except UnicodeDecodeError as why:
        raise InputError(f"{name}: not a CSV in UTF-8 ({printable(why, limit=80)}). Save it again as CSV.") from why


def csv_rows(path: Path, columns: Sequence[str], *, what: str, row: str) -> list[dict[str, str]]:
    """The rows of a CSV file that has exactly these columns; as `rows_of_text`.

    Parameters
    ----------
    path : path
    columns : sequence of str
        In any order.
    what : str
        What the file should be, with its article.
    row : str
        What one row is, with its article.

    Raises
    ------
    InputError
        If the file cannot be read or is no CSV, holds no row, or a column is missing or unknown.
    """
    return rows_of_text(csv_text(path, what=what), columns, row=row, name=path.name)


def rows_of_text(text: str, columns: Sequence[str], *, row: str, name: str) -> list[dict[str, str]]:
    """The rows of a CSV's text that has exactly these columns.

    Raises
    ------
    InputError
        If it is no CSV, holds no row, or a column is missing or unknown.
    """
    name = printable(name)
    try:
        rows = list(csv.DictReader(text.splitlines(), strict=True))
    except csv.Error as why:
        raise InputError(f"{name}: not a CSV in UTF-8 ({printable(why, limit=80)}). Save it again as CSV.") from why
    if not rows or set(rows[0]) != set(columns):
        found = printable(", ".join(map(str, rows[0])) if rows else "none", limit=120)
        raise InputError(
            f"{name}: columns {found}, expected {', '.join(columns)} and one row {row}. Correct the first row."
        )
    return rows
