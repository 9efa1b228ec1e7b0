"""NIfTI-1 and NIfTI-2 in one file, packed with gzip or not; turned from right-anterior-superior to LPS.

Source: the public headers nifti1.h and nifti2.h (NIMH), offsets of their fields.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import InputError
from kerfmark.geometry.volume_files.content import as_volume, check_shape, unpacked, voxels_of
from kerfmark.records import FloatArray, Remark, Volume
from kerfmark.settings import Limits

__all__ = ["is_nifti", "read_nifti"]

GZIP = b"\x1f\x8b"
HEAD_BYTES = {1: 348, 2: 540}
KINDS = {
    2: "u1", 4: "i2", 8: "i4", 16: "f4", 64: "f8", 256: "i1", 512: "u2", 768: "u4", 1024: "i8", 1280: "u8",
}  # fmt: skip
UNITS_MM = {1: 1000.0, 2: 1.0, 3: 0.001}
LARGEST_OFFSET = 1 << 24
AGREE_MM = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class _Head:
    """The fields that are used, whichever version they came from."""

    order: str
    shape: tuple[int, ...]
    kind: int
    offset: int
    slope: float
    intercept: float
    unit: int
    pixdim: tuple[float, ...]
    qform: int
    sform: int
    quaternion: tuple[float, ...]
    rows: tuple[float, ...]


def is_nifti(data: bytes) -> bool:
    """Whether the content begins as NIfTI does, unpacked where it is packed."""
    return _version(_first(data)) is not None


def read_nifti(data: bytes, *, name: str, limits: Limits) -> tuple[Volume, tuple[Remark, ...]]:
    """A volume from the bytes of a NIfTI file.

    Raises
    ------
    InputError
        If it is half of a pair, holds several volumes or colours, gives no direction, or does not fit the voxels that follow.
    """
    head = _head(_first(data), name=name)
    shape, kind = _shape(head, name=name), _kind(head, name=name)
    check_shape(shape, max(kind.itemsize, 4 if _is_scaled(head) else 1), name=name, limits=limits)
    if not 0 <= head.offset <= LARGEST_OFFSET:
        raise InputError(
            f"{name}: its voxels begin at byte {head.offset}, expected a place after its head. Export it again."
        )
    matrix, remarks = _matrix(head, name=name)
    count = head.offset + shape[0] * shape[1] * shape[2] * kind.itemsize
    whole = unpacked(data, "gzip", count, name=name) if data.startswith(GZIP) else data
    values = voxels_of(whole[head.offset :], kind, shape, name=name)
    return as_volume(_scaled(values, head, name=name), matrix, name=name), remarks


def _first(data: bytes) -> bytes:
    """The head, unpacked."""
    if not data.startswith(GZIP):
        return data[:600]
    try:
        return zlib.decompressobj(zlib.MAX_WBITS | 16).decompress(data[:65536], 600)
    except zlib.error:
        return b""


def _version(first: bytes) -> tuple[int, str] | None:
    """Version and byte order, which the head's own length shows."""
    for version, size in HEAD_BYTES.items():
        for order in "<>":
            if len(first) >= size and struct.unpack_from(order + "i", first)[0] == size:
                return version, order
    return None


def _head(first: bytes, *, name: str) -> _Head:
    known = _version(first)
    if known is None:
        raise InputError(f"{name}: its head is cut short, expected NIfTI. Export or copy it again.")
    version, order = known
    magic = first[344:348] if version == 1 else first[4:8]
    if magic[:2] == b"ni":
        raise InputError(f"{name}: is half of a pair of files, expected both in one. Export it as one .nii file.")
    if magic[:2] != b"n+":
        raise InputError(f"{name}: lacks the mark of NIfTI in its head, expected n+1 or n+2. Export it again.")

    def take(form: str, at: int) -> tuple[float, ...]:
        return struct.unpack_from(order + form, first, at)

    def whole(form: str, at: int) -> int:
        value = take(form, at)[0]
        return int(value) if np.isfinite(value) else -1

    one = version == 1
    slope, intercept = take("2f", 112) if one else take("2d", 176)
    return _Head(
        order=order,
        shape=tuple(int(n) for n in (take("8h", 40) if one else take("8q", 16))),
        kind=whole("h", 70 if one else 12),
        offset=whole("f", 108) if one else whole("q", 168),
        slope=slope,
        intercept=intercept,
        unit=first[123] & 7 if one else whole("i", 500) & 7,
        pixdim=take("8f", 76) if one else take("8d", 104),
        qform=whole("h", 252) if one else whole("i", 344),
        sform=whole("h", 254) if one else whole("i", 348),
        quaternion=take("6f", 256) if one else take("6d", 352),
        rows=take("12f", 280) if one else take("12d", 400),
    )


def _shape(head: _Head, *, name: str) -> tuple[int, int, int]:
    count = head.shape[0]
    more = head.shape[4 : count + 1] if 3 <= count <= 7 else (0,)
    if any(n != 1 for n in more):
        sizes = " × ".join(str(n) for n in head.shape[1 : max(1, min(count, 7)) + 1])
        raise InputError(
            f"{name}: has {count} axes of {sizes}, expected three of one volume. Export one volume of single grey values."
        )
    return head.shape[1], head.shape[2], head.shape[3]


def _kind(head: _Head, *, name: str) -> np.dtype:
    if head.kind not in KINDS:
        raise InputError(
            f"{name}: its datatype is {head.kind}, expected whole numbers or fractions of 1 to 8 bytes. Export it as int16."
        )
    return np.dtype(KINDS[head.kind]).newbyteorder("<" if head.order == "<" else ">")


def _matrix(head: _Head, *, name: str) -> tuple[FloatArray, tuple[Remark, ...]]:
    """Voxel indices to LPS mm: the sform, else the qform."""
    remarks = []
    scale = UNITS_MM.get(head.unit)
    if scale is None:
        remarks.append(Remark("unit-not-said", name, "its head names no unit of length; taken as mm"))
    forms = [form for form in (_sform(head), _qform(head)) if form is not None]
    if not forms:
        raise InputError(
            f"{name}: its head gives no direction (sform and qform are unset), expected one. Export it with its orientation."
        )
    if len(forms) == 2 and not np.allclose(forms[0], forms[1], atol=AGREE_MM, rtol=1e-3):
        remarks.append(Remark("two-directions", name, "its sform and qform differ; the sform was taken"))
    matrix = np.vstack([forms[0], [0.0, 0.0, 0.0, 1.0]])
    matrix[:3] *= scale or 1.0
    matrix[:2] *= -1.0
    return matrix, tuple(remarks)


def _sform(head: _Head) -> FloatArray | None:
    return np.reshape(head.rows, (3, 4)).astype(float) if head.sform > 0 else None


def _qform(head: _Head) -> FloatArray | None:
    if head.qform <= 0:
        return None
    b, c, d, *shift = head.quaternion
    with np.errstate(invalid="ignore", over="ignore"):
        a = float(np.sqrt(max(0.0, 1.0 - (b * b + c * c + d * d))))
        turn = np.array([
            [a * a + b * b - c * c - d * d, 2 * (b * c - a * d), 2 * (b * d + a * c)],
            [2 * (b * c + a * d), a * a + c * c - b * b - d * d, 2 * (c * d - a * b)],
            [2 * (b * d - a * c), 2 * (c * d + a * b), a * a + d * d - b * b - c * c],
        ])  # fmt: skip
        steps = np.array(head.pixdim[1:4], dtype=float) * [1.0, 1.0, -1.0 if head.pixdim[0] < 0 else 1.0]
        return np.column_stack([turn * steps, shift])


def _is_scaled(head: _Head) -> bool:
    return head.slope not in (0.0, 1.0) or (head.slope != 0.0 and head.intercept != 0.0)


def _scaled(values: NDArray[np.generic], head: _Head, *, name: str) -> NDArray[np.generic]:
    """Stored numbers times slope plus intercept; a slope of 0 means none."""
    if not _is_scaled(head):
        return values
    if not (np.isfinite(head.slope) and np.isfinite(head.intercept)):
        raise InputError(f"{name}: the scale of its greys is not finite, expected numbers. Export it again.")
    return np.asarray(values.astype(np.float32) * np.float32(head.slope) + np.float32(head.intercept))
