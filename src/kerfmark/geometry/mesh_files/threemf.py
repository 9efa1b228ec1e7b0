"""3MF: the objects that the build plate holds, each placed as it says. Read from the zip in memory, within limits."""

from __future__ import annotations

import io
import posixpath
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from xml.parsers import expat

import numpy as np

from kerfmark.errors import InputError, printable
from kerfmark.geometry.mesh_files.content import Content, as_surface, check_triangles
from kerfmark.records import FloatArray, Surface
from kerfmark.settings import Limits

__all__ = ["UNITS", "is_zip", "read_3mf", "threemf_bytes"]

UNITS = {"micron": "um", "millimeter": "mm", "centimeter": "cm", "inch": "in", "foot": "ft", "meter": "m"}
CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
START_PART = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
DEEPEST = 16
MOST_PLACED = 4096


def is_zip(data: bytes) -> bool:
    """Whether it begins as a zip does."""
    return data[:4] == b"PK\x03\x04"


@dataclass(slots=True)
class _Object:
    vertices: list[tuple[float, float, float]] = field(default_factory=list)
    triangles: list[tuple[int, int, int]] = field(default_factory=list)
    components: list[tuple[str | None, str, FloatArray]] = field(default_factory=list)
    kind: str = "model"


@dataclass(slots=True)
class _Model:
    unit: str = "millimeter"
    objects: dict[str, _Object] = field(default_factory=dict)
    items: list[tuple[str | None, str, FloatArray]] = field(default_factory=list)


class _Package:
    """The members of the zip, unpacked one at a time and never beyond the limit in all."""

    def __init__(self, data: bytes, *, name: str, limits: Limits) -> None:
        self.name, self.limits, self.models, self.left = name, limits, dict[str, _Model](), limits.unpacked_mib * 2**20
        try:
            self.zip = zipfile.ZipFile(io.BytesIO(data))
        except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError, RecursionError) as error:
            raise InputError(
                f"{name}: is a damaged zip ({printable(error, limit=60)}). Export the file again."
            ) from error
        members = self.zip.infolist()
        if len(members) > limits.zip_members:
            raise InputError(
                f"{name}: holds {len(members)} members, expected at most limits.zip_members = {limits.zip_members}. "
                "Remove what is not needed or raise KERFMARK_LIMIT_ZIP_MEMBERS."
            )
        self.members = {m.filename.lstrip("/").lower(): m for m in members}

    def read(self, path: str) -> bytes:
        """The bytes of one member."""
        member = self.members.get(path.lstrip("/").lower())
        if member is None:
            raise InputError(
                f"{self.name}: has no part '{printable(path, limit=80)}', expected a 3MF with a 3D model. Export the file again."
            )
        try:
            with self.zip.open(member) as stream:
                data = stream.read(self.left + 1)
        except (
            zipfile.BadZipFile,
            zlib.error,
            ValueError,
            OSError,
            EOFError,
            RuntimeError,
            NotImplementedError,
        ) as error:
            raise InputError(
                f"{self.name}: its part '{printable(path, limit=80)}' cannot be unpacked ({printable(error, limit=60)}). "
                "Export the file again."
            ) from error
        if len(data) > self.left:
            raise InputError(
                f"{self.name}: unpacks to more than limits.unpacked_mib = {self.limits.unpacked_mib} MiB, expected less. "
                "Export it coarser or raise KERFMARK_LIMIT_UNPACKED_MIB."
            )
        self.left -= len(data)
        return data

    def model(self, path: str) -> _Model:
        """One model part, parsed once."""
        if path not in self.models:
            shown = printable(path.lstrip("/"), limit=60)
            self.models[path] = _parse(self.read(path), name=f"{self.name}/{shown}", limits=self.limits)
        return self.models[path]


def read_3mf(data: bytes, *, name: str, limits: Limits) -> Content:
    """The objects on the build plate of a 3MF, as one surface in its unit."""
    package = _Package(data, name=name, limits=limits)
    start = _start_part(package)
    root = package.model(start)
    if root.unit not in UNITS:
        raise InputError(f"{name}: its unit is '{printable(root.unit, limit=40)}', expected one of {', '.join(UNITS)}.")
    placed: list[tuple[_Object, FloatArray]] = []
    for path, ident, matrix in root.items:
        _place(package, path or start, ident, matrix, placed, 0)
    check_triangles(sum(len(o.triangles) for o, _ in placed), name=name, limits=limits)
    return Content(_joined(placed, name=name, limits=limits), unit=UNITS[root.unit])


def _start_part(package: _Package) -> str:
    found: list[str] = []

    def begin(tag: str, attributes: Mapping[str, str]) -> None:
        if tag.rpartition(" ")[2] == "Relationship" and attributes.get("Type") == START_PART:
            found.append(attributes.get("Target", ""))

    if "_rels/.rels" in package.members:
        _run(package.read("_rels/.rels"), begin, f"{package.name}/_rels/.rels")
    return found[0] if found else "/3D/3dmodel.model"


def _place(
    package: _Package, path: str, ident: str, matrix: FloatArray, placed: list[tuple[_Object, FloatArray]], depth: int
) -> None:
    """Follow an item to its meshes; objects inside objects are followed to a fixed depth and number."""
    name, item = package.name, package.model(path).objects.get(ident)
    if item is None:
        raise InputError(
            f"{name}: asks for object '{printable(ident, limit=40)}', which is not in it. Export the file again."
        )
    if depth > DEEPEST or len(placed) >= MOST_PLACED:
        raise InputError(
            f"{name}: its objects hold one another more than {DEEPEST} deep or {MOST_PLACED} times, expected a plain set of "
            "objects. Export the meshes alone."
        )
    if item.kind in ("support", "other"):
        return
    placed.append((item, matrix))
    if sum(len(o.triangles) for o, _ in placed) > package.limits.triangles:
        check_triangles(sum(len(o.triangles) for o, _ in placed), name=name, limits=package.limits)
    for inner_path, inner, shift in item.components:
        _place(package, inner_path or path, inner, matrix @ shift, placed, depth + 1)


def _joined(placed: list[tuple[_Object, FloatArray]], *, name: str, limits: Limits) -> Surface:
    vertices, faces, count = [np.empty((0, 3))], [np.empty((0, 3), dtype=np.int64)], 0
    for item, matrix in placed:
        if not item.triangles:
            continue
        points = np.array(item.vertices, dtype=float).reshape(-1, 3) @ matrix[:3, :3].T + matrix[:3, 3]
        index = np.array(item.triangles, dtype=np.int64)
        if index.min() < 0 or index.max() >= len(points):
            raise InputError(f"{name}: a triangle asks for a vertex that is not there. Export the file again.")
        vertices.append(points)
        faces.append((index[:, ::-1] if np.linalg.det(matrix[:3, :3]) < 0 else index) + count)
        count += len(points)
    return as_surface(np.concatenate(vertices), np.concatenate(faces), name=name, limits=limits)


def _parse(data: bytes, *, name: str, limits: Limits) -> _Model:
    """One model part. Elements of other namespaces are passed over."""
    model = _Model()
    current: list[_Object] = []

    def begin(tag: str, a: Mapping[str, str]) -> None:
        space, _, word = tag.rpartition(" ")
        if space != CORE:
            return
        if word == "vertex" and current:
            current[0].vertices.append((float(a["x"]), float(a["y"]), float(a["z"])))
        elif word == "triangle" and current:
            if len(current[0].triangles) >= limits.triangles:
                check_triangles(limits.triangles + 1, name=name, limits=limits)
            current[0].triangles.append((int(a["v1"]), int(a["v2"]), int(a["v3"])))
        elif word == "object":
            current[:] = [_Object(kind=a.get("type", "model"))]
            model.objects[a["id"]] = current[0]
        elif word in ("component", "item"):
            path = next((v for k, v in a.items() if k.endswith(" path")), None)
            placed = path, a["objectid"], _matrix(a.get("transform"))
            (model.items if word == "item" else current[0].components).append(placed)
        elif word == "model":
            model.unit = a.get("unit", "millimeter")

    _run(data, begin, name)
    return model


def _matrix(text: str | None) -> FloatArray:
    """A 3MF transform (12 numbers of a matrix that acts on rows) as 4 × 4 acting on columns."""
    matrix = np.eye(4)
    if text is not None:
        numbers = np.array([float(w) for w in text.split()])
        if numbers.shape != (12,) or not np.isfinite(numbers).all():
            raise ValueError(f"transform of {len(numbers)} numbers")
        matrix[:3] = numbers.reshape(4, 3).T
    return matrix


def _run(data: bytes, begin: object, name: str) -> None:
    """Parse XML, refusing document types: a model needs none, and they can point outside or swell."""
    parser = expat.ParserCreate(namespace_separator=" ")

    def refuse(*_: object) -> None:
        raise ValueError("a document type declaration")

    parser.StartElementHandler = begin  # type: ignore[assignment]
    parser.StartDoctypeDeclHandler = refuse
    parser.EntityDeclHandler = refuse
    try:
        parser.Parse(data, True)
    except (expat.ExpatError, ValueError, KeyError, IndexError, OverflowError, LookupError) as error:
        raise InputError(
            f"{name}: line {parser.CurrentLineNumber} is not a 3MF model's ({printable(error, limit=80)}), expected whole, plain "
            "XML. Export the file again."
        ) from error


def threemf_bytes(parts: Mapping[str, Surface], *, note: str = "") -> bytes:
    """A 3MF in millimetres with one named object for each part, and a note as the comment of its zip."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.comment = note.encode("ascii")
        for path, text in (
            ("[Content_Types].xml", _CONTENT_TYPES), ("_rels/.rels", _RELATIONS), ("3D/3dmodel.model", _model_xml(parts)),
        ):  # fmt: skip
            archive.writestr(
                zipfile.ZipInfo(posixpath.normpath(path), (1980, 1, 1, 0, 0, 0)), text, zipfile.ZIP_DEFLATED
            )
    return out.getvalue()


_XML = '<?xml version="1.0" encoding="UTF-8"?>\n'
_CONTENT_TYPES = (
    _XML + '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/></Types>'
)
_RELATIONS = (
    _XML + '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    f'<Relationship Target="/3D/3dmodel.model" Id="rel0" Type="{START_PART}"/></Relationships>'
)


def _model_xml(parts: Mapping[str, Surface]) -> str:
    from xml.sax.saxutils import quoteattr

    pieces = [_XML, f'<model unit="millimeter" xmlns="{CORE}"><resources>']
    for number, (part, surface) in enumerate(parts.items(), 1):
        pieces.append(f'<object id="{number}" type="model" name={quoteattr(part)}><mesh><vertices>')
        pieces += [f'<vertex x="{x!r}" y="{y!r}" z="{z!r}"/>' for x, y, z in surface.vertices_mm.tolist()]
        pieces.append("</vertices><triangles>")
        pieces += [f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in surface.faces.tolist()]
        pieces.append("</triangles></mesh></object>")
    pieces.append("</resources><build>")
    pieces += [f'<item objectid="{number}"/>' for number in range(1, len(parts) + 1)]
    return "".join([*pieces, "</build></model>"])
