"""TOML in and out: bytes of any kind to a table or one clear refusal, and an exercise to text a person can read."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping
from typing import Any

from kerfmark.errors import InputError, printable
from kerfmark.exercise.tables import ExerciseTables
from kerfmark.settings import Limits

__all__ = ["read_toml", "toml_of"]

_BOM = b"\xef\xbb\xbf"
_LONG_DOTTED_KEY = re.compile(r"(?:(?:[\w-]++|\"[^\"\n]*+\"|'[^'\n]*+')[ \t]*+\.[ \t]*+){32}")
"""A key of more than 32 parts: the reader's time grows with the square of their number."""

WIDE = 110


def read_toml(data: bytes, *, name: str, limits: Limits) -> dict[str, Any]:
    """The table a TOML file holds.

    Parameters
    ----------
    data : bytes
        UTF-8 with LF or CRLF; a byte order mark is passed over.
    name : str
        What to call the file in an error.
    limits : Limits
        `toml_mib` is the largest file read.

    Raises
    ------
    InputError
        If it is too large, not UTF-8, or not TOML; the line is named where there is one.
    """
    shown = printable(name, limit=80)
    if len(data) > limits.toml_mib * 2**20:
        raise InputError(
            f"{shown} is {len(data)} bytes long, expected at most toml_mib = {limits.toml_mib} MiB. "
            "Move geometry into surface files, or raise KERFMARK_LIMIT_TOML_MIB."
        )
    try:
        text = data.removeprefix(_BOM).decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(
            f"{shown} is not UTF-8 (byte {error.start + 1}), expected TOML in UTF-8. Save it in that encoding."
        ) from None
    if _LONG_DOTTED_KEY.search(text):
        raise InputError(f"{shown} has a key of more than 32 dotted parts, expected fewer. Shorten it.")
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise InputError(
            f"{shown} nests too deeply, expected tables and lists a few levels deep. Flatten it."
        ) from None
    except (tomllib.TOMLDecodeError, ValueError, OverflowError) as error:
        raise InputError(
            f"{shown} is not TOML: {printable(error, limit=120)}, expected TOML 1.0. Correct that place."
        ) from None


def toml_of(exercise: ExerciseTables) -> str:
    """The exercise as a TOML file, without what equals the defaults.

    Notes
    -----
    Reading the text back gives an equal exercise.
    """
    data = exercise.model_dump(by_alias=True, exclude_defaults=True)
    plain = {key: value for key, value in data.items() if not _is_table(value) and not _is_array_of_tables(value)}
    blocks = [_keys(plain)]
    for key, value in data.items():
        if _is_table(value):
            blocks.append(f"[{key}]\n{_keys(value)}")
        elif _is_array_of_tables(value):
            blocks.extend(f"[[{key}]]\n{_keys(entry)}" for entry in value)
    return "\n".join(blocks)


def _is_table(value: object) -> bool:
    return isinstance(value, Mapping)


def _is_array_of_tables(value: object) -> bool:
    return isinstance(value, list | tuple) and bool(value) and isinstance(value[0], Mapping)


def _keys(table: Mapping[str, Any]) -> str:
    return "".join(f"{_key(key)} = {_value(value)}\n" for key, value in table.items() if value is not None)


def _key(key: object) -> str:
    text = str(key)
    return text if re.fullmatch(r"[A-Za-z0-9_-]+", text, re.ASCII) else _text(text)


def _text(value: str) -> str:
    """A basic string; what JSON escapes TOML escapes alike, but for the delete character."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(value: object) -> str:
    """A value in TOML: long lists one entry a line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, Mapping):
        inner = ", ".join(f"{_key(key)} = {_value(entry)}" for key, entry in value.items() if entry is not None)
        return f"{{ {inner} }}" if inner else "{}"
    if isinstance(value, list | tuple):
        entries = [_value(entry) for entry in value]
        line = "[" + ", ".join(entries) + "]"
        return line if len(line) <= WIDE else "[\n" + "".join(f"    {entry},\n" for entry in entries) + "]"
    return repr(value)
