"""Mesh files: STL, PLY, OBJ, 3MF and GLB, told apart by their content, read strictly and within limits, and written.

References to other files (materials, textures, outside buffers) are never followed.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.errors import InputError, printable
from kerfmark.geometry.file_bytes import check_size, file_bytes
from kerfmark.geometry.mesh import joined
from kerfmark.geometry.mesh_files.content import Content, MeshFile
from kerfmark.geometry.mesh_files.glb import glb_bytes, is_glb, read_glb
from kerfmark.geometry.mesh_files.notes import SIMULATED, says_simulated
from kerfmark.geometry.mesh_files.obj import is_obj, obj_text, read_obj
from kerfmark.geometry.mesh_files.ply import is_ply, ply_bytes, read_ply
from kerfmark.geometry.mesh_files.stl import is_ascii_stl, is_binary_stl, read_stl, stl_bytes
from kerfmark.geometry.mesh_files.threemf import is_zip, read_3mf, threemf_bytes
from kerfmark.outputs import write_whole
from kerfmark.records import Remark, Surface
from kerfmark.settings import Limits

__all__ = ["FORMATS", "SIMULATED", "MeshFile", "format_by_content", "read_mesh_file", "write_surface"]

READERS: Mapping[str, Callable[..., Content]] = {
    "stl": read_stl, "ply": read_ply, "obj": read_obj, "3mf": read_3mf, "glb": read_glb,
}  # fmt: skip
FORMATS = tuple(READERS)
SMALLER = "Export it coarser"


def read_mesh_file(source: Path | bytes, *, name: str, limits: Limits) -> MeshFile:
    """A surface from a file, in the file's own unit.

    Parameters
    ----------
    source : Path or bytes
        The file, or what it holds.
    name : str
        What messages call it; its suffix is compared with the content.
    limits : Limits

    Returns
    -------
    file : MeshFile
        With a remark `suffix-differs` where the suffix says another format than the content, and `simulated` where the
        file says so of itself.

    Raises
    ------
    InputError
        If the file is none of the formats, is damaged, or is beyond a limit; in one sentence that names what was found.
    """
    data = (
        source
        if isinstance(source, bytes)
        else file_bytes(source, what="a mesh file", name=name, smaller=SMALLER, limits=limits)
    )
    check_size(len(data), name=name, smaller=SMALLER, limits=limits)
    shown, suffix = printable(name, limit=120), Path(name).suffix.lower().lstrip(".")
    form = _format_of(data, suffix, name=shown)
    with np.errstate(invalid="ignore", over="ignore"):  # what is not finite is refused by the reader in words
        content = READERS[form](data, name=shown, limits=limits)
    remarks = content.remarks
    if suffix in READERS and suffix != form:
        remarks += (
            Remark("suffix-differs", shown, f"holds {form.upper()}, not {suffix.upper()}; read as what it holds"),
        )
    if says_simulated(data):
        remarks += (Remark("simulated", shown, "says of itself that it is simulated: nobody cut it"),)
    return MeshFile(content.surface, content.unit, form, hashlib.sha256(data).hexdigest(), remarks)


def _format_of(data: bytes, suffix: str, *, name: str) -> str:
    """The format the content has; a damaged file that has none goes by its suffix, so that the error fits."""
    if not data:
        raise InputError(f"{name}: is empty, expected a mesh file. Export it again.")
    form = format_by_content(data)
    if form is not None:
        return form
    if suffix == "stl" and b"\0" in data[:4096]:
        return "stl"
    raise InputError(
        f"{name}: is none of {', '.join(f.upper() for f in FORMATS)}, expected one of these by its content. Export it again."
    )


def format_by_content(data: bytes) -> str | None:
    """Which of `FORMATS` a file's whole content is, None where it is none."""
    tests: tuple[tuple[str, Callable[[bytes], bool]], ...] = (
        ("stl", is_binary_stl), ("ply", is_ply), ("glb", is_glb), ("3mf", is_zip), ("stl", is_ascii_stl), ("obj", is_obj),
    )  # fmt: skip
    return next((form for form, holds in tests if holds(data)), None)


def write_surface(
    path: Path,
    surface: Surface,
    *,
    parts: Mapping[str, Surface] | None = None,
    vertex_values: ArrayLike | None = None,
    note: str = "",
) -> None:
    """Write a surface in the format of the path's suffix: binary STL, binary PLY, OBJ, 3MF or GLB.

    Parameters
    ----------
    path : Path
    surface : Surface
        In mm; GLB is written in metres.
    parts : mapping of name to Surface, optional
        For 3MF: written as named objects in place of `surface`. Other formats join them.
    vertex_values : (n,) float array or (n, 3) array of 0 to 255, optional
        For PLY: a value (property `value`) or a colour of each vertex; for GLB a value (attribute `_VALUE`).

    note : str
        ASCII, one line; kept in the header or where else the format has room for it.

    Raises
    ------
    InputError
        If the suffix is none of these, or it cannot be written.
    """
    form = path.suffix.lower().lstrip(".")
    whole = joined(parts.values()) if parts else surface
    if form == "stl":
        data = stl_bytes(whole, note=note)
    elif form == "ply":
        data = ply_bytes(whole, vertex_values=vertex_values, note=note)
    elif form == "obj":
        data = obj_text(whole, note=note).encode("ascii")
    elif form == "3mf":
        data = threemf_bytes(parts or {path.stem: surface}, note=note)
    elif form == "glb":
        data = glb_bytes(whole, vertex_values=vertex_values, note=note)
    else:
        raise InputError(f"{path.name}: ends in '{form}', expected one of {', '.join(FORMATS)}. Choose one of these.")
    write_whole(path, data)
