"""NRRD: a plain text head, then the voxels. Read strictly: whatever the head leaves open is asked for, never guessed.

Source: the public definition of the format, teem.sourceforge.net/nrrd/format.html (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import InputError, printable
from kerfmark.geometry.volume_files.content import as_volume, check_shape, unpacked, voxels_of
from kerfmark.records import FloatArray, Remark, Volume
from kerfmark.settings import Limits

__all__ = ["attached", "data_file_of", "is_nrrd", "read_nrrd"]

LONGEST_HEAD = 1 << 20
END = re.compile(rb"\r?\n\r?\n")
DATA_FILE = re.compile(rb"\n *data ?file *:(?!=)([^\r\n]*)", re.IGNORECASE)
TYPES = {
    "u1": ("uchar", "unsigned char", "uint8", "uint8_t"),
    "i1": ("signed char", "int8", "int8_t"),
    "i2": ("short", "short int", "signed short", "signed short int", "int16", "int16_t"),
    "u2": ("ushort", "unsigned short", "unsigned short int", "uint16", "uint16_t"),
    "i4": ("int", "signed int", "int32", "int32_t"),
    "u4": ("uint", "unsigned int", "uint32", "uint32_t"),
    "i8": ("longlong", "long long", "long long int", "signed long long", "signed long long int", "int64", "int64_t"),
    "u8": ("ulonglong", "unsigned long long", "unsigned long long int", "uint64", "uint64_t"),
    "f4": ("float",),
    "f8": ("double",),
}
KINDS = {name: code for code, names in TYPES.items() for name in names}
ENCODINGS = {
    "raw": "raw", "gzip": "gzip", "gz": "gzip", "bzip2": "bzip2", "bz2": "bzip2",
    "ascii": "text", "text": "text", "txt": "text",
}  # fmt: skip
TURNS = {
    "left-posterior-superior": (1.0, 1.0), "lps": (1.0, 1.0),
    "right-anterior-superior": (-1.0, -1.0), "ras": (-1.0, -1.0),
    "left-anterior-superior": (1.0, -1.0), "las": (1.0, -1.0),
}  # fmt: skip
"""What turns each named space's first two axes into left and posterior."""
NEEDED = ("type", "dimension", "sizes", "encoding", "space directions", "space origin")
MILLIMETRES = ("mm", "millimeter", "millimeters", "millimetre", "millimetres")


def is_nrrd(data: bytes) -> bool:
    """Whether the content begins as NRRD does."""
    return data.startswith(b"NRRD00")


def read_nrrd(data: bytes, *, name: str, limits: Limits) -> tuple[Volume, tuple[Remark, ...]]:
    """A volume from the bytes of an attached NRRD.

    Raises
    ------
    InputError
        If the head says less than is needed (type, sizes, byte order, space, directions, origin), names what is not read here,
        or does not fit the voxels that follow.
    """
    fields, body = _head(data, name=name)
    shape = _shape(fields, name=name)
    kind = _kind(fields, name=name)
    check_shape(shape, kind.itemsize, name=name, limits=limits)
    matrix = _matrix(fields, name=name)
    count = shape[0] * shape[1] * shape[2] * kind.itemsize
    encoding = ENCODINGS[fields["encoding"].lower()]
    if encoding == "text":
        values = _from_text(body, kind, shape, name=name)
    else:
        held = body if encoding == "raw" else unpacked(body, encoding, count, name=name)
        values = voxels_of(held, kind, shape, name=name)
    return as_volume(values, matrix, name=name), ()


def data_file_of(data: bytes) -> str | None:
    r"""The file in which a detached head keeps its voxels, as it names it; None where the voxels follow the head.

    Examples
    --------
    >>> data_file_of(b"NRRD0004\ntype: short\ndata file: ct.raw\n"), data_file_of(b"NRRD0004\ntype: short\n\n123")
    ('ct.raw', None)
    """
    found = END.search(data, 0, LONGEST_HEAD)
    named = DATA_FILE.search(data, 0, LONGEST_HEAD if found is None else found.start())
    return None if named is None else named.group(1).decode("utf-8", errors="replace").strip()


def attached(head: bytes, voxels: bytes) -> bytes:
    """A detached head and what its data file holds as one attached NRRD."""
    return DATA_FILE.sub(b"\n# its voxels stood in another file", head.rstrip(b"\r\n"), count=1) + b"\n\n" + voxels


def _head(data: bytes, *, name: str) -> tuple[dict[str, str], bytes]:
    """The fields by name, and what follows the blank line."""
    if data_file_of(data) is not None:
        raise InputError(
            f"{name}: keeps its voxels in another file, expected both in one, or the other file beside it under a plain name. Export it as "
            "one attached NRRD."
        )
    found = END.search(data, 0, LONGEST_HEAD)
    if found is None:
        raise InputError(
            f"{name}: its head has no end, expected a blank line and the voxels after it in the same file. Export it as one file."
        )
    try:
        lines = data[: found.start()].decode("utf-8").splitlines()[1:]
    except UnicodeDecodeError as error:
        raise InputError(
            f"{name}: its head is not text in UTF-8, expected lines of fields. Export it again."
        ) from error
    fields: dict[str, str] = {}
    for line in lines:
        if line.startswith("#") or ":=" in line:
            continue
        key, colon, value = line.partition(":")
        if not colon:
            raise InputError(
                f"{name}: its head has the line '{printable(line, limit=60)}', expected 'field: value'. Export it again."
            )
        if key.strip().lower() in fields:
            raise InputError(f"{name}: names '{printable(key, limit=40)}' twice, expected it once. Export it again.")
        fields[key.strip().lower()] = value.strip()
    _check_fields(fields, name=name)
    return fields, data[found.end() :]


def _check_fields(fields: Mapping[str, str], *, name: str) -> None:
    """Everything needed is there, and nothing that is not read here."""
    missing = [f"'{key}'" for key in NEEDED if key not in fields]
    if "space" not in fields and "space dimension" not in fields:
        missing.insert(0, "'space'")
    if missing:
        raise InputError(
            f"{name}: its head lacks {', '.join(missing)}, expected them to say where each voxel is. Export it with its orientation."
        )
    if fields.get("space", "").lower() not in TURNS:
        raise InputError(
            f"{name}: its space is '{printable(fields.get('space', 'not named'), limit=40)}', expected left-posterior-superior, "
            "right-anterior-superior or left-anterior-superior. Export it in one of these."
        )
    if fields["encoding"].lower() not in ENCODINGS:
        raise InputError(
            f"{name}: is encoded as '{printable(fields['encoding'], limit=40)}', expected raw, gzip, bzip2 or text. Export it as one of these."
        )
    skipped = [fields.get(key) for key in ("line skip", "lineskip", "byte skip", "byteskip")]
    if any(value not in (None, "0") for value in skipped):
        raise InputError(f"{name}: skips lines or bytes before its voxels, expected none. Export it as attached NRRD.")
    units = re.findall(r'"([^"]*)"', fields.get("space units", ""))
    if any(unit.lower() not in MILLIMETRES for unit in units):
        raise InputError(
            f"{name}: its space is in '{printable(', '.join(units), limit=40)}', expected mm. Export it in millimetres."
        )


def _shape(fields: Mapping[str, str], *, name: str) -> tuple[int, int, int]:
    words = fields["sizes"].split()
    good = all(w.isascii() and w.isdigit() and len(w) < 10 for w in words)
    if fields["dimension"] != "3" or not good or len(words) != 3:
        raise InputError(
            f"{name}: has dimension {printable(fields['dimension'], limit=20)} and sizes '{printable(fields['sizes'], limit=60)}', "
            "expected 3 and three whole numbers. Export one volume of single grey values."
        )
    return int(words[0]), int(words[1]), int(words[2])


def _kind(fields: Mapping[str, str], *, name: str) -> np.dtype:
    word = " ".join(fields["type"].lower().split())
    if word not in KINDS:
        raise InputError(
            f"{name}: its type is '{printable(fields['type'], limit=40)}', expected a whole number or fraction of 1 to 8 bytes. Export it as int16."
        )
    kind = np.dtype(KINDS[word])
    if kind.itemsize == 1 or ENCODINGS[fields["encoding"].lower()] == "text":
        return kind
    order = fields.get("endian", "").lower()
    if order not in ("little", "big"):
        raise InputError(
            f"{name}: says no byte order (endian '{printable(order, limit=20)}') for voxels of {kind.itemsize} bytes, expected little "
            "or big. Export it with 'endian'."
        )
    return kind.newbyteorder("<" if order == "little" else ">")


def _matrix(fields: Mapping[str, str], *, name: str) -> FloatArray:
    matrix = np.eye(4)
    axes = re.findall(r"\(([^)]*)\)|(\bnone\b)", fields["space directions"])
    if len(axes) != 3 or any(none for _inner, none in axes):
        raise InputError(
            f"{name}: its space directions are '{printable(fields['space directions'], limit=80)}', expected three. Export it as one volume in space."
        )
    for k, (inner, _none) in enumerate(axes):
        matrix[:3, k] = _three(inner, "space directions", name=name)
    matrix[:3, 3] = _three(fields["space origin"].strip().strip("()"), "space origin", name=name)
    matrix[:2] *= np.array(TURNS[fields["space"].lower()])[:, None]
    return matrix


def _three(text: str, field: str, *, name: str) -> list[float]:
    try:
        numbers = [float(word) for word in text.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) != 3:
        raise InputError(
            f"{name}: its {field} hold '{printable(text, limit=60)}', expected three numbers with commas. Export it again."
        )
    return numbers


def _from_text(body: bytes, kind: np.dtype, shape: tuple[int, int, int], *, name: str) -> NDArray[np.generic]:
    count, words = shape[0] * shape[1] * shape[2], body.split()
    try:
        values = np.array(words, dtype=float)
    except ValueError as error:
        raise InputError(
            f"{name}: its voxels hold something else than numbers, expected text. Export it again."
        ) from error
    if len(values) != count:
        raise InputError(f"{name}: holds {len(values)} voxels, expected {count}. Export or copy it again.")
    if kind.kind in "iu":
        bounds = np.iinfo(kind)
        if not ((values >= bounds.min) & (values <= bounds.max) & (values == np.floor(values))).all():
            raise InputError(
                f"{name}: a voxel is no whole number from {bounds.min} to {bounds.max}, as its type says. Export it again."
            )
    return values.astype(kind).reshape(shape, order="F")
