"""A small closed surface and valid bytes of it in every format."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from kerfmark.geometry.mesh_files import write_surface
from kerfmark.records import Surface


@pytest.fixture(scope="session")
def ball() -> Surface:
    """Closed, 320 faces, about 10 mm across; its coordinates are exact in single precision."""
    made = trimesh.creation.icosphere(2, 5.0)
    return Surface(np.array(made.vertices).astype(np.float32).astype(float), np.array(made.faces, dtype=np.int32))


@pytest.fixture(scope="session")
def valid_files(ball: Surface, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The ball in every form that is read, by file name."""
    folder, made = tmp_path_factory.mktemp("valid"), trimesh.Trimesh(ball.vertices_mm, ball.faces, process=False)
    for form in ("stl", "ply", "obj", "3mf", "glb"):
        write_surface(folder / f"ball.{form}", ball)
    files = {p.name: p.read_bytes() for p in folder.iterdir()}
    files["ascii.stl"] = trimesh.exchange.stl.export_stl_ascii(made).encode()
    files["ascii.ply"] = trimesh.exchange.ply.export_ply(made, encoding="ascii")
    files["big.ply"] = big_endian_ply(ball)
    return files


def big_endian_ply(surface: Surface) -> bytes:
    """A big-endian PLY whose vertices and faces carry properties of no interest."""
    vertices, faces = len(surface.vertices_mm), len(surface.faces)
    header = (
        f"ply\nformat binary_big_endian 1.0\ncomment made here\nelement vertex {vertices}\nproperty uchar flag\nproperty float x\n"
        f"property float y\nproperty float z\nproperty list uchar short extra\nelement face {faces}\n"
        "property list ushort uint vertex_index\nproperty double weight\nend_header\n"
    )
    out = [header.encode()]
    for i, point in enumerate(surface.vertices_mm):
        out += [b"\x07", point.astype(">f4").tobytes(), bytes([i % 3]), np.arange(i % 3).astype(">i2").tobytes()]
    for face in surface.faces:
        out += [np.array(3, ">u2").tobytes(), face.astype(">u4").tobytes(), np.array(0.5, ">f8").tobytes()]
    return b"".join(out)
