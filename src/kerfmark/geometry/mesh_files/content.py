"""What reading a mesh file yields, and the checks that every format shares."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfmark.errors import InputError
from kerfmark.geometry.mending import merged
from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.text import gathered_words
from kerfmark.records import FloatArray, Remark, Surface
from kerfmark.settings import Limits

__all__ = ["Content", "MeshFile", "as_surface", "check_triangles", "patched"]


@dataclass(frozen=True, slots=True, eq=False)
class MeshFile:
    """A mesh file as read: its surface in the file's own unit, the unit (`mm`, `m`, …), the format its content has
    (`stl`, `ply`, `obj`, `3mf`, `glb`), the SHA-256 of its bytes, and what is worth saying.
    """  # noqa: D205

    surface: Surface
    unit: str
    format: str
    sha256: str
    remarks: tuple[Remark, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Content:
    """What a format's reader hands back."""

    surface: Surface
    unit: str = "mm"
    remarks: tuple[Remark, ...] = ()


def check_triangles(count: int, *, name: str, limits: Limits) -> None:
    """Refuse more triangles than are allowed, and none at all."""
    if count > limits.triangles:
        raise InputError(
            f"{name}: holds {count} triangles, expected at most limits.triangles = {limits.triangles}. Export it coarser or "
            "raise KERFMARK_LIMIT_TRIANGLES."
        )
    if count == 0:
        raise InputError(
            f"{name}: holds no triangles, expected a surface of triangles. Export the surface, not its points."
        )


def as_surface(vertices: ArrayLike, faces: ArrayLike, *, name: str, limits: Limits, merge: bool = True) -> Surface:
    """A checked surface: finite coordinates, indices in range, equal vertices made one."""
    points = np.ascontiguousarray(vertices, dtype=np.float64).reshape(-1, 3)
    index = np.asarray(faces).reshape(-1, 3)
    check_triangles(len(index), name=name, limits=limits)
    if not np.isfinite(points).all():
        at = int(np.flatnonzero(~np.isfinite(points).all(axis=1))[0])
        raise InputError(f"{name}: vertex {at} is not finite, expected numbers. Export the file again.")
    if np.abs(points).max(initial=0.0) > 1e9:
        raise InputError(
            f"{name}: a coordinate is beyond 1e9, expected a piece near the origin. Export the file again."
        )
    if int(index.min()) < 0 or int(index.max()) >= len(points):
        raise InputError(
            f"{name}: a face asks for a vertex beyond the {len(points)} there are, expected indices in range. "
            "Export the file again."
        )
    surface = Surface(points, np.ascontiguousarray(index, dtype=np.int32))
    return merged(surface) if merge else surface


def patched(values: FloatArray, spans: NDArray[np.int64], data: bytes) -> FloatArray:
    """Numbers that the fast reader left open (`spans` ≥ 0), read exactly from their text."""
    open_ones = spans[:, 0] >= 0
    if open_ones.any():
        view = read_only(np.frombuffer(data, np.uint8), np.uint8)
        text = gathered_words(view, read_only(spans[open_ones], np.int64)).tobytes()
        values[open_ones] = np.fromstring(text, sep=" ")
    return values
