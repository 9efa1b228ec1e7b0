"""PLY, ASCII and binary of both byte orders. Properties other than x, y, z and the faces' indices are passed over."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfmark.errors import InputError, printable
from kerfmark.geometry.mesh_files.content import Content, as_surface, check_triangles, patched
from kerfmark.kernels import packed as packed_kernels
from kerfmark.kernels import text as text_kernels
from kerfmark.kernels.arrays import read_only
from kerfmark.records import FloatArray, Surface
from kerfmark.settings import Limits

__all__ = ["is_ply", "ply_bytes", "read_ply"]

TYPES = {
    "char": "i1", "uchar": "u1", "short": "i2", "ushort": "u2", "int": "i4", "uint": "u4", "float": "f4", "double": "f8",
    "int8": "i1", "uint8": "u1", "int16": "i2", "uint16": "u2", "int32": "i4", "uint32": "u4", "float32": "f4",
    "float64": "f8",
}  # fmt: skip
ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
FACE_LISTS = ("vertex_indices", "vertex_index")
HEADER_LIMIT = 65536
ROWS_PER_TRIANGLE = 4


@dataclass(frozen=True, slots=True)
class _Property:
    name: str
    type: str
    count_type: str | None = None


@dataclass(frozen=True, slots=True)
class _Element:
    name: str
    rows: int
    properties: tuple[_Property, ...]

    def index(self, *names: str) -> int:
        """Where the first property of one of these names stands, −1 if nowhere."""
        return next((i for i, p in enumerate(self.properties) if p.name in names), -1)


@dataclass(frozen=True, slots=True)
class _Header:
    order: str
    elements: tuple[_Element, ...]
    body: int


def is_ply(data: bytes) -> bool:
    """Whether it begins as a PLY does."""
    return data[:4] in (b"ply\n", b"ply\r")


def read_ply(data: bytes, *, name: str, limits: Limits) -> Content:
    """The surface of a PLY file; polygons are fanned."""
    header = _header(data, name=name)
    read = _ascii_element if header.order == "" else _binary_element
    at, vertices, polygons = header.body, None, None
    for element in header.elements:
        _check_rows(element, len(data) - at, name=name, limits=limits)
        at, points, faces = read(data, at, element, header.order, name)
        vertices = points if points is not None else vertices
        polygons = faces if faces is not None else polygons
    if vertices is None or polygons is None:
        raise InputError(
            f"{name}: has no {'vertices' if vertices is None else 'faces'}, expected elements vertex (x, y, z) and face "
            "(vertex_indices). Export the surface, not its points."
        )
    indices, starts = polygons
    triangles = int(np.maximum(np.diff(starts) - 2, 0).sum())
    check_triangles(triangles, name=name, limits=limits)
    made = np.empty((triangles, 3), dtype=np.int32)
    packed_kernels.fan_polygons(read_only(indices, np.int32), read_only(starts, np.int64), made)
    return Content(as_surface(vertices, made, name=name, limits=limits))


_Polygons = tuple[NDArray[np.int32], NDArray[np.int64]]
_Read = tuple[int, FloatArray | None, _Polygons | None]


def _header(data: bytes, *, name: str) -> _Header:
    end = data.find(b"end_header", 0, HEADER_LIMIT)
    stop = data.find(b"\n", end) if end >= 0 else -1
    if stop < 0:
        raise InputError(f"{name}: its PLY header does not end, expected end_header. Export the file again.")
    order, elements = None, list[tuple[str, int, list[_Property]]]()
    for line in data[:end].decode("latin-1").splitlines()[1:]:
        words = line.split()
        if not words or words[0] in ("comment", "obj_info"):
            continue
        if words[0] == "format" and len(words) >= 2 and words[1] in ORDERS:
            order = ORDERS[words[1]]
        elif (
            words[0] == "element"
            and len(words) == 3
            and words[2].isascii()
            and words[2].isdigit()
            and len(words[2]) < 12
        ):
            elements.append((words[1], int(words[2]), []))
        elif words[0] == "property" and elements and (found := _property(words[1:])):
            elements[-1][2].append(found)
        else:
            raise InputError(
                f"{name}: the header line '{printable(line, limit=60)}' is not understood, expected format, element or "
                "property lines of a PLY. Export the file again."
            )
    if order is None:
        raise InputError(
            f"{name}: its PLY header gives no format, expected one of {', '.join(ORDERS)}. Export it again."
        )
    return _Header(order, tuple(_Element(n, rows, tuple(p)) for n, rows, p in elements), stop + 1)


def _property(words: list[str]) -> _Property | None:
    if len(words) == 2 and words[0] in TYPES:
        return _Property(words[1], TYPES[words[0]])
    if len(words) == 4 and words[0] == "list" and words[1] in TYPES and words[2] in TYPES and TYPES[words[1]][0] != "f":
        return _Property(words[3], TYPES[words[2]], TYPES[words[1]])
    return None


def _check_rows(element: _Element, room: int, *, name: str, limits: Limits) -> None:
    """Refuse more rows than the rest of the file or the limit allows, before any memory is set aside for them."""
    if element.rows > ROWS_PER_TRIANGLE * limits.triangles:
        raise InputError(
            f"{name}: says {element.rows} rows of '{printable(element.name, limit=40)}', expected at most {ROWS_PER_TRIANGLE} × "
            f"limits.triangles = {limits.triangles}. Export it coarser or raise KERFMARK_LIMIT_TRIANGLES."
        )
    if element.rows * max(len(element.properties), 1) > room:
        raise InputError(
            f"{name}: says {element.rows} rows of '{printable(element.name, limit=40)}' but only {room} bytes are left, expected "
            "a whole PLY. It was cut short; copy or export it again."
        )


def _cut_short(name: str, element: _Element) -> InputError:
    return InputError(
        f"{name}: the rows of '{printable(element.name, limit=40)}' end early or hold no numbers, expected {element.rows} whole "
        "rows. It was cut short or damaged; export it again."
    )


def _roles(element: _Element, name: str) -> tuple[list[int], int]:
    """Where x, y and z stand in a vertex row and the index list in a face row (−1 elsewhere)."""
    axes = [element.index(axis) for axis in "xyz"] if element.name == "vertex" else [-1, -1, -1]
    if element.name == "vertex" and (min(axes) < 0 or any(element.properties[i].count_type for i in axes)):
        raise InputError(f"{name}: its vertices lack x, y or z, expected all three as numbers. Export the file again.")
    faces = element.index(*FACE_LISTS) if element.name == "face" else -1
    if element.name == "face" and (faces < 0 or element.properties[faces].count_type is None
                                   or element.properties[faces].type[0] == "f"):  # fmt: skip
        raise InputError(f"{name}: its faces lack a list vertex_indices of whole numbers. Export the file again.")
    return axes, faces


def _ascii_element(data: bytes, at: int, element: _Element, _order: str, name: str) -> _Read:
    axes, faces = _roles(element, name)
    kinds = np.array([4 if p.count_type else 3 for p in element.properties], dtype=np.int32)
    if element.name == "vertex":
        kinds[axes] = [0, 1, 2]
    if faces >= 0:
        kinds[faces] = 5
    points = np.zeros(3 * element.rows if element.name == "vertex" else 0)
    spans = np.full((len(points), 2), -1, dtype=np.int64)
    indices = np.empty((len(data) - at) // 2 + 1 if faces >= 0 else 0, dtype=np.int32)
    starts = np.zeros(element.rows + 1, dtype=np.int64)
    view = read_only(np.frombuffer(data, np.uint8), np.uint8)
    end, found = text_kernels.ply_rows(view, at, element.rows, kinds, points, spans, indices, starts)
    if end < 0:
        raise _cut_short(name, element)
    if element.name == "vertex":
        return end, patched(points, spans, data).reshape(-1, 3), None
    return end, None, (indices[:found], starts) if faces >= 0 else None


def _binary_element(data: bytes, at: int, element: _Element, order: str, name: str) -> _Read:
    axes, faces = _roles(element, name)
    if not any(p.count_type for p in element.properties):
        return _plain_rows(data, at, element, order, axes, name)
    if faces >= 0 and (read := _triangle_rows(data, at, element, order, faces)) is not None:
        return read
    sizes = np.array([int(p.type[1]) for p in element.properties], dtype=np.int32)
    counts = np.array([int(p.count_type[1]) if p.count_type else 0 for p in element.properties], dtype=np.int32)
    where, length = np.empty((2, element.rows, len(sizes)), dtype=np.int64)
    view = read_only(np.frombuffer(data, np.uint8), np.uint8)
    end = packed_kernels.list_rows(view, at, element.rows, sizes, counts, order == "<", where, length)
    if end < 0:
        raise _cut_short(name, element)
    points = polygons = None
    if element.name == "vertex":
        points = np.column_stack([_gathered(view, where[:, i], order + element.properties[i].type) for i in axes])
    if faces >= 0:
        starts = np.concatenate([[0], np.cumsum(length[:, faces])])
        size = int(sizes[faces])
        within = np.arange(starts[-1]) - np.repeat(starts[:-1], length[:, faces])
        places = np.repeat(where[:, faces], length[:, faces]) + size * within
        polygons = _indices(_gathered(view, places, order + element.properties[faces].type)), starts
    return int(end), points, polygons


def _plain_rows(data: bytes, at: int, element: _Element, order: str, axes: list[int], name: str) -> _Read:
    row = np.dtype([(f"p{i}", order + p.type) for i, p in enumerate(element.properties)])
    end = at + row.itemsize * element.rows
    if end > len(data):
        raise _cut_short(name, element)
    if element.name != "vertex":
        return end, None, None
    table = np.frombuffer(data, row, count=element.rows, offset=at)
    return end, np.column_stack([table[f"p{i}"].astype(np.float64) for i in axes]), None


def _triangle_rows(data: bytes, at: int, element: _Element, order: str, faces: int) -> _Read | None:
    """The usual case, every list three long, read in one step; None where it is not so."""
    fields: list[tuple[str, str] | tuple[str, str, int]] = []
    for i, p in enumerate(element.properties):
        if p.count_type is not None and i != faces:
            return None
        if p.count_type is not None:
            fields += [(f"n{i}", order + p.count_type), (f"p{i}", order + p.type, 3)]
        else:
            fields.append((f"p{i}", order + p.type))
    row = np.dtype(fields)
    end = at + row.itemsize * element.rows
    if end > len(data):
        return None
    table = np.frombuffer(data, row, count=element.rows, offset=at)
    if not (table[f"n{faces}"] == 3).all():
        return None
    return end, None, (_indices(table[f"p{faces}"].reshape(-1)), 3 * np.arange(element.rows + 1))


def _gathered(view: NDArray[np.uint8], places: NDArray[np.int64], kind: str) -> NDArray[np.generic]:
    """The values of one type at byte offsets that need not be aligned."""
    size = np.dtype(kind).itemsize
    return np.ascontiguousarray(view[places[:, None] + np.arange(size)]).view(kind).reshape(-1)


def _indices(values: NDArray[np.generic]) -> NDArray[np.int32]:
    return np.clip(values.astype(np.int64), -1, 2**31 - 1).astype(np.int32)


def ply_bytes(surface: Surface, *, vertex_values: ArrayLike | None = None, note: str = "") -> bytes:
    """A binary PLY of a surface: double coordinates, with float `value` or 8-bit `red green blue` of each vertex."""
    fields: list[tuple[str, str] | tuple[str, str, int]] = [("xyz", "<f8", 3)]
    names = ["double x", "double y", "double z"]
    values = None if vertex_values is None else np.asarray(vertex_values)
    if values is not None and values.ndim == 2:
        fields, names = [*fields, ("v", "u1", 3)], [*names, "uchar red", "uchar green", "uchar blue"]
    elif values is not None:
        fields, names = [*fields, ("v", "<f4")], [*names, "float value"]
    vertices = np.zeros(len(surface.vertices_mm), dtype=fields)
    vertices["xyz"] = surface.vertices_mm
    if values is not None:
        vertices["v"] = values
    faces = np.zeros(len(surface.faces), dtype=[("n", "u1"), ("f", "<i4", 3)])
    faces["n"], faces["f"] = 3, surface.faces
    header = ["ply", "format binary_little_endian 1.0", "comment millimetres"]
    header += [f"comment {note}"] if note else []
    header += [f"element vertex {len(vertices)}"]
    header += [f"property {n}" for n in names] + [
        f"element face {len(faces)}",
        "property list uchar int vertex_indices",
    ]
    return "\n".join([*header, "end_header", ""]).encode("ascii") + vertices.tobytes() + faces.tobytes()
