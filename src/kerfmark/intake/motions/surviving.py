"""A Parquet motion that can be read up to where it breaks off: which columns it has stands in each part of it, not at its end alone.

Its first column, `columns_in_order`, holds text: in the first row of each row group, as JSON, how pages are packed and the names and kinds
(`f8`, `f4`, `text`, `other`) of all columns in the file's order; nothing in the other rows. Row groups have at most `GROUP_ROWS` rows, each
column one page of plain values that may not be null, with its checksum. So each page's column is known by its turn, and each byte taken is known
to be the one written. Any Parquet library can write such a file, and reads it as any other.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from pyarrow import parquet as arrow_parquet

from kerfmark.intake.motions.columns import INSTRUMENT, NUMBERS, Table
from kerfmark.intake.motions.pages import Page, page_at
from kerfmark.records import FloatArray, IntArray

__all__ = ["GROUP_ROWS", "Columns", "columns_at_front", "read_pages", "write_surviving"]

START = 4
ORDER = "columns_in_order"
GROUP_ROWS = 10_000
PACKING = "zstd"
FAULTS = (pa.ArrowException, OSError, ValueError, TypeError, KeyError, MemoryError)


@dataclass(frozen=True, slots=True)
class Columns:
    """A file's columns in order and their kinds, and the text that says so, which each row group begins with."""

    kinds: dict[str, str]
    said: str


def write_surviving(table: pa.Table, path: Path) -> None:
    """Write a motion's columns so that what is left of a broken file can be read.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    for n, field in enumerate(table.schema):
        if pa.types.is_dictionary(field.type):
            table = table.set_column(n, field.name, table.column(n).cast(pa.string()))
    kinds = [[ORDER, "text"], *([field.name, _kind(field.type)] for field in table.schema)]
    said = json.dumps({"packing": PACKING, "columns": kinds})
    order = np.full(table.num_rows, "", dtype=object)
    order[::GROUP_ROWS] = said
    table = table.add_column(0, ORDER, pa.array(order, pa.string()))
    schema = pa.schema([pa.field(field.name, field.type, nullable=False) for field in table.schema])
    arrow_parquet.write_table(
        table.cast(schema), path, row_group_size=GROUP_ROWS, compression=PACKING, use_dictionary=False,
        write_page_checksum=True, data_page_size=2**30,
    )  # fmt: skip


def _kind(kind: pa.DataType) -> str:
    if pa.types.is_string(kind):
        return "text"
    return {pa.float64(): "f8", pa.float32(): "f4"}.get(kind, "other")


def columns_at_front(data: bytes) -> Columns | None:
    """The columns that a file names at its front; None where it does not, or that page is damaged."""
    page = page_at(memoryview(data), START)
    if page is None:
        return None
    try:
        said = _runs(_unpacked(page), page.values)[0][0]
        found = json.loads(said)
        kinds = {str(name): str(kind) for name, kind in found["columns"]}
        sound = found["packing"] == PACKING and next(iter(kinds)) == ORDER and len(kinds) == len(found["columns"])
    except (*FAULTS, StopIteration):
        return None
    readable = (
        all(kinds[name] in ("f8", "f4") for name in NUMBERS if name in kinds)
        and kinds.get(INSTRUMENT, "text") == "text"
    )
    return Columns(kinds, said) if sound and readable else None


def read_pages(data: bytes, columns: Columns, *, most_rows: int) -> Table:
    """The rows whose every value is known to be as written, from the front up to the first damage.

    Parameters
    ----------
    data : bytes
    columns : Columns
        From `columns_at_front`.
    most_rows : int
        Reading ends where there are more.
    """
    view, groups, rows, at = memoryview(data), list[dict[str, Any]](), 0, START
    while rows <= most_rows:
        group, at = _group(view, columns, at)
        if not group:
            break
        groups.append(group)
        rows += len(group["time_s"])
    numbers = {
        name: np.concatenate([np.empty(0), *(group[name] for group in groups)])
        for name, kind in columns.kinds.items()
        if kind in ("f8", "f4")
    }
    if columns.kinds.get(INSTRUMENT) != "text":
        return Table(numbers, None, ())
    words: dict[str, int] = {}
    places = [_placed(group[INSTRUMENT], words) for group in groups]
    return Table(numbers, np.concatenate([np.empty(0, np.int32), *places]), tuple(words))


def _group(data: memoryview, columns: Columns, at: int) -> tuple[dict[str, Any], int]:
    """One page of each column with as many values in each, and where they end; nothing where they are not all there and sound."""
    found: dict[str, Any] = {}
    count = -1
    for name, kind in columns.kinds.items():
        page = page_at(data, at)
        if page is None or not 0 < page.values <= GROUP_ROWS or page.values != (page.values if count < 0 else count):
            return {}, at
        count, at = page.values, page.end
        try:
            if kind in ("f8", "f4"):
                found[name] = _numbers(_unpacked(page), count, kind)
            elif name in (ORDER, INSTRUMENT):
                found[name] = _runs(_unpacked(page), count)
        except FAULTS:
            return {}, at
    return (found, at) if found[ORDER][0] == (columns.said, 1) and "time_s" in found else ({}, at)


def _unpacked(page: Page) -> bytes:
    if page.unpacked_size > GROUP_ROWS * 1024:
        raise ValueError("a page longer than any of ours")
    return bytes(pa.decompress(page.packed, page.unpacked_size, codec=PACKING, asbytes=True))


def _numbers(body: bytes, count: int, kind: str) -> FloatArray:
    values = np.frombuffer(body, dtype=np.dtype(f"<{kind}"))
    if len(values) != count:
        raise ValueError("more or fewer values than the page says")
    return values.astype(float)


def _runs(body: bytes, count: int) -> list[tuple[str, int]]:
    """Words and how often each stands in a row: a length of four bytes, then so many bytes, again and again."""
    runs, at, left = list[tuple[str, int]](), 0, count
    while left:
        size = 4 + int.from_bytes(body[at : at + 4], "little")
        entry = body[at : at + size]
        if len(entry) != size:
            raise ValueError("a word beyond the end")
        rest = np.frombuffer(body, np.uint8, offset=at)
        rest = rest[: len(rest) // size * size].reshape(-1, size)[:left]
        differs = (rest != np.frombuffer(entry, np.uint8)).any(axis=1)
        many = int(differs.argmax()) if differs.any() else len(rest)
        runs.append((entry[4:].decode(), many))
        at, left = at + many * size, left - many
    if at != len(body):
        raise ValueError("more words than the page says")
    return runs


def _placed(runs: list[tuple[str, int]], words: dict[str, int]) -> IntArray:
    """Each row's place in `words`, to which new ones are added; −1 where blank."""
    places = [-1 if not word.strip() else words.setdefault(word.strip(), len(words)) for word, _ in runs]
    return np.repeat(np.array(places, dtype=np.int32), [many for _, many in runs])
