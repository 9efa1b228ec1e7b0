"""A motion from Parquet, row group by row group, so that a damaged tail can be left off."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pyarrow as pa
from pyarrow import compute
from pyarrow import parquet as arrow_parquet

from kerfmark.errors import InputError, printable
from kerfmark.intake.motions.columns import INSTRUMENT, Table, check_columns
from kerfmark.intake.motions.surviving import GROUP_ROWS, Columns, columns_at_front, read_pages
from kerfmark.settings import Limits

__all__ = ["read_parquet"]

FAULTS = (pa.ArrowException, OSError, ValueError, TypeError, KeyError, IndexError, OverflowError, EOFError)


def read_parquet(data: bytes, *, name: str, limits: Limits) -> Table:
    """The rows of a Parquet file.

    Parameters
    ----------
    data : bytes
    name : str
        What messages call it.
    limits : Limits

    Raises
    ------
    InputError
        If the file has lost its end, the columns are not a motion's, or a row group before the last good one is damaged.
    """
    front = columns_at_front(data)
    try:
        file, rows, unpacked = _opened(data)
    except FAULTS as error:
        if front is not None:
            return _up_to_the_damage(data, front, name=name, limits=limits)
        raise InputError(
            f"{name}: cannot be read as Parquet ({printable(_first_line(error), limit=80)}), expected a whole file: what its columns are "
            "called stands at its end. Export it again, or record as CSV, as the live stream or as `docs/motion.md` says, of which what came "
            "before the damage is kept."
        ) from error
    if front is not None and any(rows):
        return _with_front(data, file, rows, front, name=name, limits=limits)
    schema, groups = file.schema_arrow, file.num_row_groups
    _check_size(sum(rows), unpacked, name=name, limits=limits)
    wanted = check_columns(list(schema.names), name=name)
    for column in wanted:
        _check_type(schema.field(column).type, column, name=name)
    read: list[Table] = []
    for group in range(groups):
        table = _read_group(file, group, wanted)
        if isinstance(table, Table):
            read.append(table)
            continue
        later = next((g for g in range(group + 1, groups) if isinstance(_read_group(file, g, wanted), Table)), None)
        at = sum(rows[:group]) + 1
        if later is not None or not read:
            raise InputError(
                f"{name}: the rows from {at} on are damaged ({printable(table, limit=80)})"
                f"{'' if later is None else ' and later ones are sound'}, expected damage at the end only. Export it again."
            )
        return _joined(read, left_off=at, why=f"cannot be read ({printable(table, limit=60)})")
    return _joined(read) if read else Table({n: np.empty(0) for n in wanted if n != INSTRUMENT}, None, ())


def _opened(data: bytes) -> tuple[arrow_parquet.ParquetFile, list[int], int]:
    """The file by its end, the rows of each group, and how many bytes it unpacks to."""
    stored = arrow_parquet.read_metadata(pa.BufferReader(data)).schema
    words = [INSTRUMENT] if "BYTE_ARRAY" in {c.physical_type for c in stored if c.path == INSTRUMENT} else []
    file = arrow_parquet.ParquetFile(pa.BufferReader(data), read_dictionary=words, page_checksum_verification=True)
    groups = [file.metadata.row_group(g) for g in range(file.num_row_groups)]
    return file, [g.num_rows for g in groups], sum(g.total_byte_size for g in groups)


def _up_to_the_damage(
    data: bytes,
    front: Columns,
    *,
    name: str,
    limits: Limits,
    why: str = "is beyond what is left of the file",
) -> Table:
    """The rows of a file with a front that are known to be as written, and from which row on nothing is."""
    wanted = check_columns(list(front.kinds), name=name)
    table = read_pages(data, front, most_rows=limits.samples)
    _check_size(table.rows, 0, name=name, limits=limits)
    if not table.rows:
        raise InputError(
            f"{name}: the rows from 1 on are damaged, expected at least {GROUP_ROWS} sound ones or a whole file. Export it again."
        )
    numbers = {n: table.numbers[n] for n in wanted if n != INSTRUMENT}
    return Table(numbers, table.instrument, table.instruments, table.rows + 1, why)


def _with_front(
    data: bytes, file: arrow_parquet.ParquetFile, rows: list[int], front: Columns, *, name: str, limits: Limits
) -> Table:  # fmt: skip
    """A file with both ends: its pages as they follow each other, so that no flaw of the end, which has no checksum, can change a value."""
    table = _up_to_the_damage(data, front, name=name, limits=limits, why="cannot be read (damaged)")
    same = list(file.schema_arrow.names) == list(front.kinds)
    if same and table.rows == sum(rows):
        return Table(table.numbers, table.instrument, table.instruments)
    if same and table.rows < sum(rows):
        group = int(np.searchsorted(np.cumsum(rows), table.rows, side="right"))
        wanted = list(table.numbers) if table.instrument is None else [*table.numbers, INSTRUMENT]
        later = any(isinstance(_read_group(file, g, wanted), Table) for g in range(group + 1, len(rows)))
        if later:
            raise InputError(
                f"{name}: the rows from {table.rows + 1} on are damaged and later ones are sound, expected damage at the end only. "
                "Export it again."
            )
    return table


def _check_size(rows: int, unpacked: int, *, name: str, limits: Limits) -> None:
    if not 0 <= rows <= limits.samples:
        raise InputError(
            f"{name}: has {rows} rows, expected at most limits.samples = {limits.samples}. Hand in a shorter record or "
            "raise KERFMARK_LIMIT_SAMPLES."
        )
    if unpacked > limits.unpacked_mib * 2**20:
        raise InputError(
            f"{name}: unpacks to {unpacked / 2**20:.0f} MiB, expected at most limits.unpacked_mib = {limits.unpacked_mib}. "
            "Leave out columns that are not needed or raise KERFMARK_LIMIT_UNPACKED_MIB."
        )


def _check_type(kind: pa.DataType, column: str, *, name: str) -> None:
    is_words = pa.types.is_dictionary(kind) or pa.types.is_string(kind) or pa.types.is_large_string(kind)
    is_number = pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)
    is_empty = pa.types.is_null(kind)
    if is_empty or (is_words if column == INSTRUMENT else is_number) or (column == INSTRUMENT and is_number):
        return
    raise InputError(
        f"{name}: column '{column}' holds {printable(kind, limit=40)}, expected {'text' if column == INSTRUMENT else 'numbers'}. "
        "Export it again."
    )


def _read_group(file: arrow_parquet.ParquetFile, group: int, wanted: Sequence[str]) -> Table | str:
    """One row group; where it is damaged, why."""
    try:
        read = file.read_row_group(group, columns=list(wanted))
        numbers = {n: _numbers(read.column(n)) for n in wanted if n != INSTRUMENT}
        if INSTRUMENT not in wanted:
            return Table(numbers, None, ())
        return Table(numbers, *_words(read.column(INSTRUMENT)))
    except FAULTS as error:
        return _first_line(error)


def _numbers(column: pa.ChunkedArray) -> np.ndarray:
    if column.type != pa.float64():
        column = compute.cast(column, pa.float64(), safe=False)
    if column.null_count:
        column = compute.fill_null(column, math.nan)
    return np.concatenate([np.empty(0), *(_plain(chunk, np.float64) for chunk in column.chunks)])


def _plain(chunk: pa.Array, kind: type[np.generic]) -> np.ndarray:
    """A chunk's numbers where it keeps them: the library's own way loads pandas, if that is there, in a third of a second."""
    if not len(chunk):
        return np.empty(0, dtype=kind)
    return np.frombuffer(
        chunk.buffers()[1], dtype=kind, count=len(chunk), offset=chunk.offset * np.dtype(kind).itemsize
    )


def _words(column: pa.ChunkedArray) -> tuple[np.ndarray, tuple[str, ...]]:
    """Which word each row has (−1: none), and the words."""
    if not pa.types.is_dictionary(column.type):
        column = compute.dictionary_encode(compute.cast(column, pa.string()))
    column = column.unify_dictionaries()
    words = [str(word).strip() for word in column.chunk(0).dictionary.to_pylist()] if column.num_chunks else []
    indices = [c.indices.fill_null(-1) if c.null_count else c.indices for c in column.chunks]
    places = [_plain(compute.cast(i, pa.int32()), np.int32) for i in indices]
    place = np.concatenate(places).astype(np.int32) if places else np.empty(0, np.int32)
    blank = np.array([not word for word in words] + [True])
    return np.where(blank[place], -1, place).astype(np.int32), tuple(words)


def _joined(tables: Sequence[Table], *, left_off: int | None = None, why: str = "") -> Table:
    """Row groups one after another; the same word gets the same place."""
    if len(tables) == 1:
        return Table(tables[0].numbers, tables[0].instrument, tables[0].instruments, left_off, why)
    numbers = {n: np.concatenate([t.numbers[n] for t in tables]) for n in tables[0].numbers}
    if tables[0].instrument is None:
        return Table(numbers, None, (), left_off, why)
    words: dict[str, int] = {}
    places = []
    for table in tables:
        new = np.array([*(words.setdefault(w, len(words)) for w in table.instruments), -1], dtype=np.int32)
        places.append(new[table.instrument])
    return Table(numbers, np.concatenate(places), tuple(words), left_off, why)


def _first_line(error: BaseException) -> str:
    text = str(error).strip()
    return text.splitlines()[0] if text else type(error).__name__
