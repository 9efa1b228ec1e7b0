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
    try:
        stored = arrow_parquet.read_metadata(pa.BufferReader(data)).schema
        words = [INSTRUMENT] if "BYTE_ARRAY" in {c.physical_type for c in stored if c.path == INSTRUMENT} else []
        file = arrow_parquet.ParquetFile(pa.BufferReader(data), read_dictionary=words, page_checksum_verification=True)
        schema, groups = file.schema_arrow, file.num_row_groups
        rows = [file.metadata.row_group(g).num_rows for g in range(groups)]
        unpacked = sum(file.metadata.row_group(g).total_byte_size for g in range(groups))
    except FAULTS as error:
        raise InputError(
            f"{name}: cannot be read as Parquet ({printable(_first_line(error), limit=80)}), expected a whole file; without its "
            "end nothing in it can be found. Export it again, or record as CSV, of which what came before the damage is kept."
        ) from error
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
