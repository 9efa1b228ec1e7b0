"""What reading a volume file yields, and the checks that every format shares."""

from __future__ import annotations

import bz2
import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfmark.errors import InputError
from kerfmark.records import Remark, Volume
from kerfmark.settings import Limits

__all__ = ["VolumeFile", "as_volume", "check_shape", "unpacked", "voxels_of"]

VOXEL_MM = (0.005, 20.0)
MOST_SHEAR = 0.98
"""Cosine between two axes above which they are taken to be the same."""


@dataclass(frozen=True, slots=True, eq=False)
class VolumeFile:
    """A volume as read, in LPS millimetres, the SHA-256 of what it was read from, and what is worth saying."""

    volume: Volume
    sha256: str
    remarks: tuple[Remark, ...] = ()


def check_shape(shape: tuple[int, ...], voxel_bytes: int, *, name: str, limits: Limits) -> None:
    """Refuse sizes that are no volume or would not fit in the memory, before anything is set aside for them."""
    if len(shape) != 3 or min(shape) < 2:
        raise InputError(
            f"{name}: is {' × '.join(map(str, shape))} voxels, expected three axes of at least 2. Export the whole volume."
        )
    mib = voxel_bytes * shape[0] * shape[1] * shape[2] / 2**20
    if mib > limits.volume_mib:
        raise InputError(
            f"{name}: {' × '.join(map(str, shape))} voxels take {mib:.0f} MiB, expected at most limits.volume_mib = "
            f"{limits.volume_mib}. Crop it to the jaw or raise KERFMARK_LIMIT_VOLUME_MIB."
        )


def unpacked(packed: bytes, encoding: str, count: int, *, name: str) -> bytes:
    """What gzip or bzip2 data hold, at most one byte more than `count`, so that a small file cannot fill the memory."""
    try:
        if encoding == "gzip":
            return zlib.decompressobj(zlib.MAX_WBITS | 16).decompress(packed, count + 1)
        return bz2.BZ2Decompressor().decompress(packed, count + 1)
    except (zlib.error, OSError, EOFError, ValueError) as error:
        raise InputError(
            f"{name}: its packed voxels are damaged, expected sound {encoding} data. Export or copy it again."
        ) from error


def voxels_of(data: bytes, kind: np.dtype, shape: tuple[int, int, int], *, name: str) -> NDArray[np.generic]:
    """Voxels of a known number and kind, the first axis the fastest, in this machine's byte order."""
    count = shape[0] * shape[1] * shape[2] * kind.itemsize
    if len(data) != count:
        found = f"holds {len(data)} bytes of voxels" if len(data) < count else "holds more voxels than its header says"
        raise InputError(
            f"{name}: {found}, expected {count} for {' × '.join(map(str, shape))} voxels. Export or copy it again."
        )
    values = np.frombuffer(data, dtype=kind).reshape(shape, order="F")
    return values.astype(kind.newbyteorder("="), copy=not kind.isnative)


def as_volume(values: NDArray[np.generic], matrix: ArrayLike, *, name: str) -> Volume:
    """A checked volume: finite numbers, axes that span space, voxels of a size a jaw may be scanned with."""
    carried = np.asarray(matrix, dtype=float)
    if not np.isfinite(carried).all():
        raise InputError(f"{name}: its directions or origin are not finite, expected numbers. Export it again.")
    spacing = np.linalg.norm(carried[:3, :3], axis=0)
    low, high = VOXEL_MM
    if not ((low <= spacing) & (spacing <= high)).all():
        sizes = " × ".join(f"{s:.4g}" for s in spacing)
        raise InputError(
            f"{name}: its voxels are {sizes} mm, expected {low:g} to {high:g} mm each way. Check the unit it was exported in."
        )
    if np.abs(carried[:3, 3]).max() > 1e6:
        raise InputError(f"{name}: its origin lies beyond 1e6 mm, expected one near the jaw. Export it again.")
    axes = carried[:3, :3] / spacing
    if np.abs(axes.T @ axes - np.eye(3)).max() > MOST_SHEAR or abs(np.linalg.det(axes)) < 1.0 - MOST_SHEAR:
        raise InputError(f"{name}: its axes do not span space, expected three directions. Export it again.")
    if values.dtype.kind == "f" and not _is_finite(values):
        raise InputError(f"{name}: some voxels are not numbers, expected a grey value in each. Export it again.")
    carried.setflags(write=False)
    return Volume(values, carried)


def _is_finite(values: NDArray[np.generic]) -> bool:
    """Slab by slab, so that no second volume is needed."""
    return all(bool(np.isfinite(values[..., k]).all()) for k in range(values.shape[2]))
