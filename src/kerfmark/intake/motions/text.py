"""A motion from CSV: comma with point, or semicolon or tab with point or comma; a damaged tail is left off."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence

import numpy as np
import pyarrow as pa
from pyarrow import csv as arrow_csv

from kerfmark.errors import InputError, printable
from kerfmark.intake.motions.columns import INSTRUMENT, Table, check_columns
from kerfmark.intake.motions.content import BYTE_ORDER_MARK
from kerfmark.settings import Limits

__all__ = ["read_text"]

BLANK = ["", "nan", "NaN", "NAN", "-nan", "null", "NULL", "NA"]
NUMBER = {
    ".": re.compile(r"[-+]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][-+]?[0-9]+)?|[-+]?[iI]nf(inity)?"),
    ",": re.compile(r"[-+]?([0-9]+,?[0-9]*|,[0-9]+)([eE][-+]?[0-9]+)?|[-+]?[iI]nf(inity)?"),
}
LONGEST_FIELD = 10_000


def read_text(data: bytes, *, name: str, limits: Limits) -> Table:
    """The rows of a CSV file.

    Parameters
    ----------
    data : bytes
        UTF-8; a byte order mark is passed over.
    name : str
        What messages call it.
    limits : Limits

    Raises
    ------
    InputError
        If the column names are not a motion's, or a row before the last good one cannot be read.
    """
    data = data.removeprefix(BYTE_ORDER_MARK).lstrip(b"\r\n")
    if data.count(b"\n") > limits.samples + 1:
        raise InputError(
            f"{name}: has more than limits.samples = {limits.samples} rows, expected at most that. Hand in a shorter "
            "record or raise KERFMARK_LIMIT_SAMPLES."
        )
    first, _, body = data.partition(b"\n")
    names, separator = _header(first, name=name)
    wanted = check_columns(names, name=name)
    points = ("." if separator == "," else ".,")[: 2 if b"," in body else 1]
    for point in points:
        table = _parsed(body, names, wanted, separator=separator, point=point)
        if table is not None:
            return table
    found = [_row_by_row(body, names, wanted, separator=separator, point=point) for point in points]
    good, fault, later = max(found, key=lambda f: len(f[0]))
    if later is not None:
        raise InputError(
            f"{name}: row {len(good) + 1} {fault}, and row {later} after it is sound again, expected damage at the end "
            "only. Correct or remove that row."
        )
    table = _parsed(b"\n".join(good), wanted, wanted, separator="\t", point=".") if good else None
    if table is None:
        raise InputError(
            f"{name}: row 1 {fault or 'cannot be read'}, expected the {len(names)} values that the first row names, with "
            "comma and decimal point, or semicolon or tab and point or comma. Export it again."
        )
    left_off = len(good) + 1 if fault else None
    return Table(table.numbers, table.instrument, table.instruments, left_off=left_off, why=fault)


def _header(line: bytes, *, name: str) -> tuple[list[str], str]:
    """Column names and what separates them."""
    if line[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\0" in line:
        raise InputError(f"{name}: is not UTF-8 text, expected CSV in UTF-8 or Parquet. Export it as UTF-8.")
    try:
        text = line.decode("utf-8").strip("\r\n")
    except UnicodeDecodeError as error:
        raise InputError(
            f"{name}: its first row is not UTF-8 text, expected the names of the columns. Export it as UTF-8."
        ) from error
    separator = next((s for s in ";\t" if s in text), ",")
    try:
        names = [n.strip() for n in next(csv.reader([text], delimiter=separator), [])]
    except csv.Error as error:
        raise InputError(
            f"{name}: its first row cannot be read, expected the names of the columns. Export it again."
        ) from error
    return names, separator


def _parsed(body: bytes, names: Sequence[str], wanted: Sequence[str], *, separator: str, point: str) -> Table | None:
    """The rows; None where one cannot be read."""
    if not body.strip():
        return _table({}, wanted)
    places = {n: f"c{names.index(n)}" for n in wanted}
    types = {p: pa.dictionary(pa.int32(), pa.string()) if n == INSTRUMENT else pa.float64() for n, p in places.items()}
    try:
        read = arrow_csv.read_csv(
            pa.BufferReader(body),
            read_options=arrow_csv.ReadOptions(column_names=[f"c{i}" for i in range(len(names))], use_threads=False),
            parse_options=arrow_csv.ParseOptions(delimiter=separator),
            convert_options=arrow_csv.ConvertOptions(
                include_columns=list(places.values()), column_types=types, null_values=BLANK, decimal_point=point
            ),
        )
    except (pa.ArrowException, ValueError):
        return None
    return _table({n: read.column(p) for n, p in places.items()}, wanted)


def _table(columns: dict[str, pa.ChunkedArray], wanted: Sequence[str]) -> Table:
    numbers = {
        n: np.asarray(columns[n].to_numpy(), dtype=np.float64) if columns else np.empty(0)
        for n in wanted
        if n != INSTRUMENT
    }
    if INSTRUMENT not in columns:
        return Table(numbers, None, ())
    coded = columns[INSTRUMENT].combine_chunks()
    words = [str(word).strip() for word in coded.dictionary.to_pylist()]
    places = np.asarray(coded.indices.fill_null(-1).to_numpy(zero_copy_only=False), dtype=np.int32)
    blank = np.array([not word for word in words] + [True])
    return Table(numbers, np.where(blank[places], -1, places).astype(np.int32), tuple(words))


def _row_by_row(
    body: bytes, names: Sequence[str], wanted: Sequence[str], *, separator: str, point: str
) -> tuple[list[bytes], str, int | None]:
    """The sound rows before the first damaged one, written plainly; what is wrong with that; the first sound row after it."""
    good: list[bytes] = []
    fault, row = "", 0
    for line in body.split(b"\n"):
        if not line.strip(b"\r"):
            continue
        row += 1
        plain, wrong = _plain_row(line, names, wanted, separator=separator, point=point)
        if fault and not wrong:
            return good, fault, row
        if not fault:
            good += [] if wrong else [plain]
            fault = wrong
    return good, fault, None


def _plain_row(
    line: bytes, names: Sequence[str], wanted: Sequence[str], *, separator: str, point: str
) -> tuple[bytes, str]:
    """A row's wanted values parted by tabs, and what is wrong with it in words (nothing if it is sound)."""
    if b"\0" in line:
        return b"", "holds bytes that are no text"
    try:
        fields = next(csv.reader([line.decode("utf-8").strip("\r")], delimiter=separator), [])
    except (UnicodeDecodeError, csv.Error):
        return b"", "is no text that can be read"
    if len(fields) != len(names):
        return b"", f"has {len(fields)} values, not {len(names)}"
    plain = []
    for column in wanted:
        text = fields[names.index(column)].strip()
        if column != INSTRUMENT and text not in BLANK:
            if not NUMBER[point].fullmatch(text[:LONGEST_FIELD]):
                return b"", f"has {column} = '{printable(text, limit=30)}', which is no number"
            text = text.replace(",", ".").lstrip("+")
        plain.append(" ".join(text.replace('"', "'").split()))
    return "\t".join(plain).encode(), ""
