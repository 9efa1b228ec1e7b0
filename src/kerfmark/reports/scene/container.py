"""Arrays and facts in one GLB (binary glTF 2.0): lengths in mm below a root node that carries them to metres, y up.

Nothing here knows what the arrays mean. Positions and indices are plain, so that any program that reads glTF shows the
surfaces; what else there is per vertex are attributes with a leading underscore, as the standard asks.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import InputError, printable

__all__ = ["Container", "Part", "line_pairs", "read_container", "written"]

JSON_CHUNK: Final = 0x4E4F534A
BIN_CHUNK: Final = 0x004E4942
TRIANGLES: Final = 4
LINES: Final = 1
_CODES: Final = {"<f4": 5126, "<u4": 5125, "<i2": 5122, "|u1": 5121}
_KINDS: Final = {code: name for name, code in _CODES.items()}
_SHAPES: Final = {1: "SCALAR", 2: "VEC2", 3: "VEC3", 4: "VEC4"}
_WIDTHS: Final = {name: width for width, name in _SHAPES.items()}
_NORMALISED: Final = ("_SOFT_NORMAL",)
_TO_METRES_Y_UP: Final = [0.001, 0, 0, 0, 0, 0, -0.001, 0, 0, 0.001, 0, 0, 0, 0, 0, 1]


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """One thing of a scene: its name, its indices (k, 3) of triangles or (k, 2) of line pieces, its arrays per vertex."""

    name: str
    indices: NDArray[np.uint32]
    attributes: Mapping[str, NDArray[Any]]
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Container:
    """All parts, the facts about the whole, and loose arrays of numbers by name."""

    parts: tuple[Part, ...]
    facts: Mapping[str, Any]
    loose: Mapping[str, NDArray[np.float32]] = field(default_factory=dict)

    def part(self, name: str) -> Part | None:
        """The part of this name, None where there is none."""
        return next((part for part in self.parts if part.name == name), None)


class _Buffer:
    """The binary chunk as it grows, with a view and an accessor for each array."""

    def __init__(self) -> None:
        self.pieces: list[bytes] = []
        self.length = 0
        self.views: list[dict[str, Any]] = []
        self.accessors: list[dict[str, Any]] = []

    def add(self, values: NDArray[Any], *, target: int | None = None, normalised: bool = False) -> int:
        flat = np.ascontiguousarray(values)
        data = flat.tobytes()
        view: dict[str, Any] = {"buffer": 0, "byteOffset": self.length, "byteLength": len(data)}
        self.views.append(view | ({"target": target} if target else {}))
        accessor: dict[str, Any] = {
            "bufferView": len(self.views) - 1,
            "componentType": _CODES[flat.dtype.str],
            "count": flat.size if target == 34963 else len(flat),
            "type": "SCALAR" if target == 34963 or flat.ndim == 1 else _SHAPES[flat.shape[1]],
        }
        self.accessors.append(accessor | ({"normalized": True} if normalised else {}))
        self.pieces.append(data + b"\0" * (-len(data) % 4))
        self.length += len(self.pieces[-1])
        return len(self.accessors) - 1


def written(container: Container) -> bytes:
    """A GLB of the container. An empty part is left out: the standard has no empty arrays."""
    buffer, meshes, nodes = _Buffer(), list[dict[str, Any]](), list[dict[str, Any]]()
    for part in container.parts:
        if not part.indices.size:
            continue
        meshes.append({"name": part.name, "primitives": [_primitive(part, buffer)]})
        nodes.append({"name": part.name, "mesh": len(meshes) - 1, "extras": dict(part.facts)})
    loose = {name: buffer.add(np.asarray(v, "<f4").reshape(-1)) for name, v in container.loose.items() if v.size}
    root = {"name": "tooth frame, mm", "matrix": _TO_METRES_Y_UP}
    scene = {
        "asset": {"version": "2.0", "generator": "kerfmark"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [root | ({"children": list(range(1, len(nodes) + 1))} if nodes else {}), *nodes],
        "extras": {"kerfmark": dict(container.facts), "loose": loose},
    }
    if buffer.length:
        scene |= {
            "buffers": [{"byteLength": buffer.length}],
            "bufferViews": buffer.views,
            "accessors": buffer.accessors,
        }
    if meshes:
        scene["meshes"] = meshes
    return _file(scene, b"".join(buffer.pieces))


def _primitive(part: Part, buffer: _Buffer) -> dict[str, Any]:
    places = {}
    for name, values in part.attributes.items():
        places[name] = buffer.add(values, target=34962, normalised=name in _NORMALISED)
        if name == "POSITION":
            low, high = values.min(axis=0), values.max(axis=0)
            buffer.accessors[-1] |= {"min": low.tolist(), "max": high.tolist()}
    indices = buffer.add(np.asarray(part.indices, "<u4"), target=34963)
    return {"attributes": places, "indices": indices, "mode": TRIANGLES if part.indices.shape[1] == 3 else LINES}


def _file(scene: Mapping[str, Any], binary: bytes) -> bytes:
    text = json.dumps(scene, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode("utf-8")
    text += b" " * (-len(text) % 4)
    body = _chunk(text, JSON_CHUNK) + (_chunk(binary, BIN_CHUNK) if binary else b"")
    return b"glTF" + (2).to_bytes(4, "little") + (12 + len(body)).to_bytes(4, "little") + body


def _chunk(content: bytes, kind: int) -> bytes:
    return len(content).to_bytes(4, "little") + kind.to_bytes(4, "little") + content


def read_container(data: bytes) -> Container:
    """A container as `written` made it. Arrays are views of `data`, nothing is copied.

    Raises
    ------
    InputError
        If these are not the bytes of a scene.
    """
    try:
        return _read(data)
    except (ValueError, KeyError, TypeError, IndexError, AttributeError) as error:
        raise InputError(
            f"the scene is damaged ({printable(f'{type(error).__name__}: {error}', limit=80)}), expected a GLB as scene_bytes "
            "makes it. Make it again from the piece."
        ) from error


def _read(data: bytes) -> Container:
    if data[:4] != b"glTF" or int.from_bytes(data[8:12], "little") != len(data):
        raise ValueError("no whole GLB")
    size = int.from_bytes(data[12:16], "little")
    scene, binary = json.loads(data[20 : 20 + size]), memoryview(data)[20 + size + 8 :]
    parts = []
    for node in scene["nodes"][1:]:
        primitive = scene["meshes"][node["mesh"]]["primitives"][0]
        attributes = {name: _array(scene, binary, at) for name, at in primitive["attributes"].items()}
        indices = _array(scene, binary, primitive["indices"]).reshape(-1, 3 if primitive["mode"] == TRIANGLES else 2)
        parts.append(Part(node["name"], indices, attributes, node.get("extras", {})))
    loose = {name: _array(scene, binary, at) for name, at in scene["extras"]["loose"].items()}
    return Container(tuple(parts), scene["extras"]["kerfmark"], loose)


def _array(scene: Mapping[str, Any], binary: memoryview, number: int) -> NDArray[Any]:
    accessor: Mapping[str, Any] = scene["accessors"][number]
    view: Mapping[str, Any] = scene["bufferViews"][accessor["bufferView"]]
    width, count = _WIDTHS[accessor["type"]], accessor["count"]
    values = np.frombuffer(binary, _KINDS[accessor["componentType"]], width * count, view["byteOffset"])
    return values.reshape(count, width) if width > 1 else values


def line_pairs(lengths: Sequence[int]) -> NDArray[np.uint32]:
    """Indices (k, 2) of the pieces of polylines that stand one after the other, each with so many points."""
    starts = np.arange(max(int(sum(lengths)) - 1, 0))
    kept = np.delete(starts, np.cumsum(lengths, dtype=np.int64)[:-1] - 1)
    return np.column_stack([kept, kept + 1]).astype(np.uint32)
