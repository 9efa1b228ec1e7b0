"""OBJ: vertices and faces alone. Materials and textures are other files and are never followed."""

from __future__ import annotations

import numpy as np

from kerfmark.errors import InputError
from kerfmark.geometry.mesh_files.content import Content, as_surface, check_triangles, patched
from kerfmark.kernels import text as text_kernels
from kerfmark.kernels.arrays import read_only
from kerfmark.records import Surface
from kerfmark.settings import Limits

__all__ = ["is_obj", "obj_text", "read_obj"]

KEYWORDS = frozenset(
    b"v vt vn vp f o g s l p mg usemtl mtllib usemap maplib cstype deg curv curv2 surf parm trim hole end con call sh".split()
)
TELLING = frozenset((b"v", b"f", b"vt", b"vn", b"o", b"g", b"mtllib", b"usemtl"))
FAULTS = {
    1: ("is no vertex", "v and three numbers"),
    2: ("is no face", "f and at least three whole numbers, each with or without /…"),
    3: ("asks for a vertex that is not there", "indices from 1 up, or negative ones that count back"),
}


def is_obj(data: bytes) -> bool:
    """Whether the first words of its first lines are those of an OBJ."""
    lines = _joined_lines(data[:16384].removeprefix(b"\xef\xbb\xbf")).splitlines()[:200]
    words = [line.split(None, 1)[0] for line in lines if line.strip()]
    words = [w for w in (words[:-1] if len(data) > 16384 else words) if not w.startswith(b"#")]
    return bool(words) and all(w in KEYWORDS for w in words) and not TELLING.isdisjoint(words)


def _joined_lines(body: bytes) -> bytes:
    """Lines that end in a backslash go on in the next."""
    if b"\\\n" not in body and b"\\\r\n" not in body:
        return body
    return body.replace(b"\\\r\n", b" ").replace(b"\\\n", b" ")


def read_obj(data: bytes, *, name: str, limits: Limits) -> Content:
    """The surface of an OBJ file; polygons are fanned, `v`, `v/vt`, `v//vn` and negative indices are understood."""
    body = _joined_lines(data.removeprefix(b"\xef\xbb\xbf"))
    view = read_only(np.frombuffer(body, np.uint8), np.uint8)
    vertices, triangles = text_kernels.obj_counts(view)
    check_triangles(triangles, name=name, limits=limits)
    values, spans = np.zeros(3 * vertices), np.full((3 * vertices, 2), -1, dtype=np.int64)
    faces = np.zeros((triangles, 3), dtype=np.int32)
    fault, at = text_kernels.obj_fill(view, values, spans, faces)
    if fault:
        found, expected = FAULTS[fault]
        line = body.count(b"\n", 0, at) + 1
        raise InputError(f"{name}: line {line} {found}, expected {expected}. Export the file again.")
    return Content(as_surface(patched(values, spans, body).reshape(-1, 3), faces, name=name, limits=limits))


def obj_text(surface: Surface, *, note: str = "") -> str:
    """An OBJ of a surface, with a note as its first line; numbers are written so that reading gives them back exactly."""
    lines = [f"# {note}"] if note else []
    lines += [f"v {x!r} {y!r} {z!r}" for x, y, z in surface.vertices_mm.tolist()]
    lines += [f"f {a} {b} {c}" for a, b, c in (surface.faces + 1).tolist()]
    return "\n".join(lines) + "\n"
