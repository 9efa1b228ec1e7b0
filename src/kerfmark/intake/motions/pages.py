"""The pages of a Parquet file, one after the other from the front: what can be read of a file that has lost its end.

A page header says how long its page is, how many values it holds and, if the writer put it there, the checksum of the page. It does
not say which column the page belongs to: that, and what the columns are called, stands at the end of the file.
Source: the Parquet format's `parquet.thrift` and Thrift's compact protocol.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import Any

__all__ = ["Page", "page_at"]

TYPE, UNPACKED, PACKED, CHECKSUM, DATA_PAGE = 1, 2, 3, 4, 5
VALUES, ENCODING = 1, 2
DATA, PLAIN = 0, 0
LONGEST_HEADER, DEEPEST = 4096, 4
TRUE, FALSE, BYTE, I16, I32, I64, DOUBLE, BINARY, LIST, SET, MAP, STRUCT = range(1, 13)


@dataclass(frozen=True, slots=True, eq=False)
class Page:
    """A page of plain values whose checksum is right: how many, their bytes packed, how long unpacked, and where the page ends."""

    values: int
    packed: memoryview
    unpacked_size: int
    end: int


def page_at(data: memoryview, place: int) -> Page | None:
    """The page that begins at `place`; None where no whole sound page of plain values with a checksum does."""
    try:
        header, start = _struct(data[place : place + LONGEST_HEADER], 0, DEEPEST)
        start += place
        kind, size, packed, checksum = (header[key] for key in (TYPE, UNPACKED, PACKED, CHECKSUM))
        values, encoding = header[DATA_PAGE][VALUES], header[DATA_PAGE][ENCODING]
    except (KeyError, IndexError, TypeError, ValueError):
        return None
    if kind != DATA or encoding != PLAIN or min(size, packed, values) < 0 or start + packed > len(data):
        return None
    body = data[start : start + packed]
    if zlib.crc32(body) != checksum & 0xFFFFFFFF:
        return None
    return Page(values, body, size, start + packed)


def _struct(data: memoryview, at: int, deep: int) -> tuple[dict[int, Any], int]:
    """The fields of a structure by their number, whole numbers and structures only; where it ends."""
    if deep == 0:
        raise ValueError("structures within structures")
    fields: dict[int, Any] = {}
    number = 0
    while (head := data[at]) != 0:
        at += 1
        kind, step = head & 0x0F, head >> 4
        if step:
            number += step
        else:
            number, at = _whole(data, at)
        fields[number], at = _value(data, at, kind, deep)
    return fields, at + 1


def _value(data: memoryview, at: int, kind: int, deep: int) -> tuple[Any, int]:
    if kind in (TRUE, FALSE):
        return kind == TRUE, at
    if kind in (I16, I32, I64):
        return _whole(data, at)
    if kind == STRUCT:
        return _struct(data, at, deep - 1)
    if kind == BINARY:
        size, at = _varint(data, at)
        return None, _within(data, at + size)
    if kind in (BYTE, DOUBLE):
        return None, _within(data, at + (1 if kind == BYTE else 8))
    raise ValueError(f"kind {kind} does not stand in a page header")


def _within(data: memoryview, at: int) -> int:
    if at > len(data):
        raise ValueError("beyond the end")
    return at


def _whole(data: memoryview, at: int) -> tuple[int, int]:
    """A number in zigzag form."""
    value, at = _varint(data, at)
    return (value >> 1) ^ -(value & 1), at


def _varint(data: memoryview, at: int) -> tuple[int, int]:
    value = 0
    for shift in range(0, 70, 7):
        byte = data[at]
        at += 1
        value |= (byte & 0x7F) << shift
        if byte < 0x80:
            return value, at
    raise ValueError("a number without an end")
