"""GLB (binary glTF 2.0), metres: the triangles of its scene, each node placed. Only the embedded buffer is read."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfmark.errors import InputError, printable
from kerfmark.geometry.mesh_files.content import Content, as_surface, check_triangles
from kerfmark.records import FloatArray, Surface
from kerfmark.settings import Limits

__all__ = ["glb_bytes", "is_glb", "read_glb"]

JSON_CHUNK, BIN_CHUNK = 0x4E4F534A, 0x004E4942
KINDS = {5121: "<u1", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
WIDTHS = {"SCALAR": 1, "VEC3": 3}
UNDERSTOOD = {"KHR_materials_unlit", "KHR_texture_transform"}
MOST_NODES = 4096


def is_glb(data: bytes) -> bool:
    """Whether it begins as a GLB does."""
    return data[:4] == b"glTF"


def read_glb(data: bytes, *, name: str, limits: Limits) -> Content:
    """The triangles of a GLB's scene in metres, y up as the file holds them."""
    try:
        scene, buffer = _chunks(data)
        placed = _placed_meshes(scene)
        pieces = [
            _primitive(scene, buffer, primitive, matrix)
            for mesh, matrix in placed
            for primitive in _item(scene, "meshes", mesh)["primitives"]
        ]
    except _UnsoundError as fault:
        raise InputError(f"{name}: {fault}. Export the file again as a plain GLB.") from fault
    except (ValueError, KeyError, TypeError, IndexError, AttributeError, RecursionError, OverflowError) as error:
        raise InputError(
            f"{name}: is no sound GLB ({printable(f'{type(error).__name__}: {error}', limit=80)}), expected glTF 2.0 with its "
            "buffer inside. Export the file again."
        ) from error
    check_triangles(sum(len(f) for _, f in pieces), name=name, limits=limits)
    shift = np.cumsum([0] + [len(v) for v, _ in pieces])
    vertices = np.concatenate([v for v, _ in pieces])
    faces = np.concatenate([f + s for (_, f), s in zip(pieces, shift, strict=False)])
    return Content(as_surface(vertices, faces, name=name, limits=limits), unit="m")


class _UnsoundError(Exception):
    """A fault with a sentence of its own."""


def _chunks(data: bytes) -> tuple[dict[str, Any], bytes]:
    version, length = (int.from_bytes(data[i : i + 4], "little") for i in (4, 8))
    if version != 2 or length > len(data) or len(data) < 20:
        raise _UnsoundError(
            f"says version {version} and {length} bytes but is {len(data)} bytes long, expected version 2 and all of it"
        )
    at, found = 12, dict[int, bytes]()
    while at + 8 <= length:
        size, kind = (int.from_bytes(data[i : i + 4], "little") for i in (at, at + 4))
        if at + 8 + size > length:
            raise _UnsoundError("a chunk runs beyond the end, expected a whole file")
        found.setdefault(kind, data[at + 8 : at + 8 + size])
        at += 8 + size
    scene = json.loads(found[JSON_CHUNK].decode("utf-8"))
    if not isinstance(scene, dict):
        raise _UnsoundError("its JSON is no object, expected a glTF scene")
    needed = set(scene.get("extensionsRequired", [])) - UNDERSTOOD
    if needed:
        raise _UnsoundError(
            f"needs {printable(', '.join(sorted(map(str, needed))), limit=80)}, expected an unpacked file"
        )
    return scene, found.get(BIN_CHUNK, b"")


def _item(scene: dict[str, Any], key: str, index: Any) -> dict[str, Any]:
    if not isinstance(index, int) or isinstance(index, bool) or not 0 <= index < len(scene.get(key, [])):
        raise _UnsoundError(f"asks for item {printable(index, limit=20)} of '{key}', which is not there")
    found: dict[str, Any] = scene[key][index]
    return found


def _placed_meshes(scene: dict[str, Any]) -> list[tuple[int, FloatArray]]:
    """The meshes of the scene with their 4 × 4 placement; a mesh without any scene is taken where it stands."""
    if not scene.get("nodes"):
        return [(i, np.eye(4)) for i in range(len(scene.get("meshes", [])))]
    if scene.get("scenes"):
        roots = _item(scene, "scenes", scene.get("scene", 0)).get("nodes", [])
    else:
        held = {child for node in scene["nodes"] for child in node.get("children", [])}
        roots = [i for i in range(len(scene["nodes"])) if i not in held]
    placed, waiting, seen = list[tuple[int, FloatArray]](), [(r, np.eye(4)) for r in roots], 0
    while waiting:
        index, above = waiting.pop()
        seen += 1
        if seen > MOST_NODES:
            raise _UnsoundError(f"its nodes hold one another or are more than {MOST_NODES}, expected a plain tree")
        node = _item(scene, "nodes", index)
        matrix = above @ _node_matrix(node)
        if "mesh" in node:
            placed.append((node["mesh"], matrix))
        waiting += [(child, matrix) for child in node.get("children", [])]
    return placed


def _node_matrix(node: dict[str, Any]) -> FloatArray:
    """A node's 4 × 4 placement, from its matrix (column by column) or its shift, turn and scale."""
    if "matrix" in node:
        matrix = np.array(node["matrix"], dtype=float).reshape(4, 4).T
    else:
        x, y, z, w = (float(c) for c in node.get("rotation", (0, 0, 0, 1)))
        turn = np.array([
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ])  # fmt: skip
        matrix = np.eye(4)
        matrix[:3, :3] = turn * np.array(node.get("scale", (1, 1, 1)), dtype=float)
        matrix[:3, 3] = np.array(node.get("translation", (0, 0, 0)), dtype=float)
    if not np.isfinite(matrix).all() or np.linalg.det(matrix[:3, :3]) == 0.0:
        raise _UnsoundError("a node's transform is not finite or flattens it")
    return matrix


def _primitive(
    scene: dict[str, Any], buffer: bytes, primitive: dict[str, Any], matrix: FloatArray
) -> tuple[FloatArray, NDArray[np.int64]]:
    points = _accessor(scene, buffer, primitive["attributes"]["POSITION"], "VEC3", "f").astype(np.float64)
    if "indices" in primitive:
        index = _accessor(scene, buffer, primitive["indices"], "SCALAR", "u").reshape(-1).astype(np.int64)
    else:
        index = np.arange(len(points))
    faces = _triangles(index, primitive.get("mode", 4))
    if np.linalg.det(matrix[:3, :3]) < 0:
        faces = faces[:, ::-1]
    if len(faces) and faces.max() >= len(points):
        raise _UnsoundError(f"a face asks for a vertex beyond the {len(points)} there are")
    return points @ matrix[:3, :3].T + matrix[:3, 3], faces


def _triangles(index: NDArray[np.int64], mode: int) -> NDArray[np.int64]:
    """Triangles of the modes list (4), strip (5) and fan (6); points and lines have none."""
    if mode == 4:
        return index[: len(index) // 3 * 3].reshape(-1, 3)
    if mode == 5 and len(index) >= 3:
        strip = np.column_stack([index[:-2], index[1:-1], index[2:]])
        strip[1::2] = strip[1::2][:, [1, 0, 2]]
        return strip
    if mode == 6 and len(index) >= 3:
        return np.column_stack([np.full(len(index) - 2, index[0]), index[1:-1], index[2:]])
    return np.empty((0, 3), dtype=np.int64)


def _accessor(scene: dict[str, Any], buffer: bytes, number: Any, shape: str, letter: str) -> NDArray[Any]:
    accessor = _item(scene, "accessors", number)
    kind, count = KINDS.get(accessor["componentType"], ""), int(accessor["count"])
    if accessor["type"] != shape or kind[1:2] != letter or "sparse" in accessor or accessor.get("normalized"):
        raise _UnsoundError(
            "its vertices or faces are packed in a form that is not taken, expected float positions and plain indices"
        )
    view = _item(scene, "bufferViews", accessor["bufferView"])
    if "uri" in _item(scene, "buffers", view.get("buffer", 0)) or view.get("buffer", 0) != 0:
        raise _UnsoundError("keeps its data in another file, which is never followed, expected the buffer inside")
    item = np.dtype(kind).itemsize * WIDTHS[shape]
    stride = int(view.get("byteStride", item))
    first = int(view.get("byteOffset", 0)) + int(accessor.get("byteOffset", 0))
    if count < 0 or first < 0 or stride < item or (count and first + stride * (count - 1) + item > len(buffer)):
        raise _UnsoundError(f"says {count} items where its buffer of {len(buffer)} bytes has no room for them")
    if count == 0:
        return np.empty((0, WIDTHS[shape]), dtype=kind)
    return np.ndarray(
        (count, WIDTHS[shape]), dtype=kind, buffer=buffer, offset=first, strides=(stride, item // WIDTHS[shape])
    )


def glb_bytes(surface: Surface, *, vertex_values: ArrayLike | None = None, note: str = "") -> bytes:
    """A GLB of a surface given in mm: metres in the file, coordinates rounded to float32.

    `vertex_values` (n,) become the vertices' attribute `_VALUE`.
    """
    points = np.ascontiguousarray(surface.vertices_mm * 1e-3, dtype="<f4")
    index = np.ascontiguousarray(surface.faces, dtype="<u4")
    values = np.empty(0, "<f4") if vertex_values is None else np.ascontiguousarray(vertex_values, dtype="<f4")
    binary = index.tobytes() + points.tobytes() + values.tobytes()
    scene: dict[str, Any] = {
        "asset": {"version": "2.0"} | ({"extras": {"note": note}} if note else {}),
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 1}, "indices": 0}]}],
        "buffers": [{"byteLength": len(binary)}],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": index.nbytes, "target": 34963},
            {"buffer": 0, "byteOffset": index.nbytes, "byteLength": points.nbytes, "target": 34962},
        ],
        "accessors": [
            {"bufferView": 0, "componentType": 5125, "count": index.size, "type": "SCALAR"},
            {"bufferView": 1, "componentType": 5126, "count": len(points), "type": "VEC3",
             "min": points.min(axis=0).tolist(), "max": points.max(axis=0).tolist()},
        ],
    }  # fmt: skip
    if len(values):
        at = index.nbytes + points.nbytes
        scene["bufferViews"].append({"buffer": 0, "byteOffset": at, "byteLength": values.nbytes, "target": 34962})
        scene["accessors"].append({"bufferView": 2, "componentType": 5126, "count": len(values), "type": "SCALAR"})
        scene["meshes"][0]["primitives"][0]["attributes"]["_VALUE"] = 2
    text = json.dumps(scene, separators=(",", ":")).encode("ascii")
    text += b" " * (-len(text) % 4)
    chunks = _chunk(text, JSON_CHUNK) + _chunk(binary, BIN_CHUNK)
    return b"glTF" + (2).to_bytes(4, "little") + (12 + len(chunks)).to_bytes(4, "little") + chunks


def _chunk(body: bytes, kind: int) -> bytes:
    return len(body).to_bytes(4, "little") + kind.to_bytes(4, "little") + body
