"""STL, binary and ASCII. What the header says does not matter: the size tells which it is."""

from __future__ import annotations

import numpy as np

from kerfmark.errors import InputError
from kerfmark.geometry.mesh_files.content import Content, as_surface, check_triangles, patched
from kerfmark.kernels import text as text_kernels
from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.mesh import first_of_equal
from kerfmark.records import Remark, Surface
from kerfmark.settings import Limits

__all__ = ["is_ascii_stl", "is_binary_stl", "read_stl", "stl_bytes"]

FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
HEADER = 84
SHORTEST_FACET = len("facet outer loop vertex 0 0 0 vertex 0 0 0 vertex 0 0 0 endloop endfacet")


def is_binary_stl(data: bytes) -> bool:
    """Whether the size is exactly that of the number of facets given."""
    return len(data) >= HEADER and len(data) == HEADER + FACET.itemsize * _facet_count(data)


def is_ascii_stl(data: bytes) -> bool:
    """Whether it begins as an ASCII STL does."""
    head = data[:4096].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    return head.startswith(b"solid") and (b"facet" in head or b"endsolid" in head)


def read_stl(data: bytes, *, name: str, limits: Limits) -> Content:
    """The surface of an STL file."""
    if not is_binary_stl(data) and is_ascii_stl(data):
        return _read_ascii(data, name=name, limits=limits)
    if len(data) < HEADER:
        raise InputError(
            f"{name}: is {len(data)} bytes long, expected an STL of at least {HEADER}. Export the file again."
        )
    count, room = _facet_count(data), (len(data) - HEADER) // FACET.itemsize
    if count > room:
        raise InputError(
            f"{name}: says {count} triangles but has room for {room}, expected a whole STL. It was cut short; copy or export "
            "it again."
        )
    spare = len(data) - HEADER - FACET.itemsize * count
    remarks = (Remark("bytes-left-over", name, f"{spare} bytes after the last triangle passed over"),) if spare else ()
    check_triangles(count, name=name, limits=limits)
    corners = np.frombuffer(data, FACET, count=count, offset=HEADER)["corners"]
    return Content(_merged_corners(corners.reshape(-1, 3), name=name, limits=limits), remarks=remarks)


def _facet_count(data: bytes) -> int:
    return int.from_bytes(data[80:84], "little")


def _merged_corners(corners: np.ndarray, *, name: str, limits: Limits) -> Surface:
    points = np.ascontiguousarray(corners) + np.float32(0.0)
    number, distinct = first_of_equal(read_only(points.view(np.uint32), np.uint32))
    first = np.empty(distinct, dtype=np.int64)
    first[number[::-1]] = np.arange(len(number))[::-1]
    return as_surface(points[first], number.reshape(-1, 3), name=name, limits=limits, merge=False)


def _read_ascii(data: bytes, *, name: str, limits: Limits) -> Content:
    body = data.removeprefix(b"\xef\xbb\xbf")
    most = min(len(body) // SHORTEST_FACET + 1, limits.triangles + 1)
    out, spans = np.empty(9 * most), np.full((9 * most, 2), -1, dtype=np.int64)
    words = np.frombuffer(b"".join(text_kernels.WORDS), np.uint8)
    ends = np.cumsum([len(w) for w in text_kernels.WORDS])
    count, failed = text_kernels.stl_facets(
        read_only(np.frombuffer(body, np.uint8), np.uint8), read_only(words, np.uint8), ends, out, spans
    )
    if failed >= 0 and count <= limits.triangles:
        line = body.count(b"\n", 0, failed) + 1
        raise InputError(
            f"{name}: line {line} breaks the form of an ASCII STL after {count} facets, expected facet … endfacet up to "
            "endsolid. It was cut short or damaged; export it again."
        )
    check_triangles(count, name=name, limits=limits)
    values = patched(out[: 9 * count], spans[: 9 * count], body)
    return Content(as_surface(values.reshape(-1, 3), np.arange(3 * count), name=name, limits=limits))


def stl_bytes(surface: Surface, *, note: str = "") -> bytes:
    """A binary STL of a surface, with a note in its header; coordinates are rounded to float32, as the format holds them."""
    corners = surface.vertices_mm[surface.faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    facets = np.zeros(len(corners), FACET)
    facets["normal"] = np.divide(normals, lengths, out=np.zeros_like(normals), where=lengths > 0)
    facets["corners"] = corners
    header = f"binary STL, mm; {note}" if note else "binary STL, mm"
    return header.encode("ascii")[:80].ljust(80, b" ") + len(facets).to_bytes(4, "little") + facets.tobytes()
