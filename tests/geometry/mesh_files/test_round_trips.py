"""What is written is read back; what a general mesh library writes is read as it reads it."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest
import trimesh
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kerfmark.errors import InputError
from kerfmark.geometry import mesh
from kerfmark.geometry.mesh_files import read_mesh_file, write_surface
from kerfmark.geometry.solids import Solid
from kerfmark.records import Surface
from kerfmark.settings import Limits

LIMITS = Limits()
PER_MM = {"stl": 1.0, "ply": 1.0, "obj": 1.0, "3mf": 1.0, "glb": 1e-3}


def triangles(surface: Surface) -> np.ndarray:
    """The corners of each face, begun at the least corner and sorted, so that numbering does not matter."""
    corners = surface.vertices_mm[surface.faces]
    turned = [np.roll(t, -min(range(3), key=lambda k, t=t: tuple(t[k])), axis=0) for t in corners]
    return np.array(sorted(t.ravel().tolist() for t in turned))


numbers = st.floats(-1e3, 1e3, allow_nan=False, width=32)


@st.composite
def surfaces(draw):
    points = np.array(draw(st.lists(st.tuples(numbers, numbers, numbers), min_size=4, max_size=20, unique=True)))
    corner = st.integers(0, len(points) - 1)
    faces = draw(st.lists(st.lists(corner, min_size=3, max_size=3, unique=True), min_size=1, max_size=30))
    return Surface(points + 0.0, np.array(faces, dtype=np.int32))


@pytest.mark.parametrize("form", ["stl", "ply", "obj", "3mf"])
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(surface=surfaces())
def test_every_triangle_comes_back_exactly(form, surface, tmp_path: Path):
    # Single-precision coordinates: what STL can hold; the other formats hold doubles.
    path = tmp_path / f"x.{form}"
    write_surface(path, surface)
    back = read_mesh_file(path, name=path.name, limits=LIMITS)
    np.testing.assert_array_equal(triangles(back.surface), triangles(surface))
    assert (back.format, back.unit, back.remarks) == (form, "mm", ())


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(surface=surfaces())
def test_glb_comes_back_in_metres_to_single_precision(surface, tmp_path: Path):
    write_surface(tmp_path / "x.glb", surface)
    back = read_mesh_file(tmp_path / "x.glb", name="x.glb", limits=LIMITS)
    stored = Surface((1e-3 * surface.vertices_mm).astype(np.float32).astype(float), surface.faces)
    np.testing.assert_array_equal(triangles(back.surface), triangles(stored))
    assert (back.format, back.unit) == ("glb", "m")


@pytest.mark.parametrize("form", ["ply", "obj", "3mf"])
def test_double_precision_survives(form, pebble, tmp_path):
    write_surface(tmp_path / f"x.{form}", pebble)
    back = read_mesh_file(tmp_path / f"x.{form}", name="x", limits=LIMITS)
    np.testing.assert_array_equal(triangles(back.surface), triangles(pebble))


def test_every_form_of_file_holds_the_ball(valid_files, ball):
    for name, data in valid_files.items():
        file = read_mesh_file(data, name=name, limits=LIMITS)
        scale = PER_MM[file.format]
        assert mesh.volume_mm3(file.surface) == pytest.approx(mesh.volume_mm3(ball) * scale**3, rel=1e-6), name
        assert len(file.surface.vertices_mm) == len(ball.vertices_mm), name
        assert file.sha256 == hashlib.sha256(data).hexdigest()


@pytest.mark.parametrize("form", ["stl", "ply", "obj", "glb", "3mf"])
def test_what_is_written_opens_in_a_general_library(form, ball, tmp_path):
    # Source: trimesh as an independent reader.
    write_surface(tmp_path / f"x.{form}", ball)
    loaded = trimesh.load(tmp_path / f"x.{form}", force="mesh")
    assert loaded.volume == pytest.approx(mesh.volume_mm3(ball) * PER_MM[form] ** 3, rel=1e-6)
    assert loaded.is_watertight


@pytest.mark.parametrize("form", ["stl", "ply", "obj", "glb"])
def test_what_a_general_library_writes_is_read(form, ball, tmp_path):
    trimesh.Trimesh(ball.vertices_mm, ball.faces, process=False).export(tmp_path / f"x.{form}")
    back = read_mesh_file(tmp_path / f"x.{form}", name="x", limits=LIMITS)
    assert mesh.volume_mm3(back.surface) == pytest.approx(mesh.volume_mm3(ball), rel=1e-6)


def test_parts_are_named_objects_of_a_3mf_and_joined_elsewhere(brick, tmp_path):
    other = Solid.box([10, 0, 0], [11, 1, 1]).surface()
    for form in ("3mf", "stl"):
        write_surface(tmp_path / f"x.{form}", brick, parts={"tooth <46>": brick, "neighbour": other})
        back = read_mesh_file(tmp_path / f"x.{form}", name="x", limits=LIMITS)
        assert mesh.volume_mm3(back.surface) == pytest.approx(25.0)
    scene = trimesh.load(tmp_path / "x.3mf")
    assert sorted(scene.geometry) == ["neighbour", "tooth <46>"]


@pytest.mark.parametrize(("values", "key"), [(np.linspace(0, 1, 162), "value"), (np.full((162, 3), 9), "red")])
def test_vertex_values_and_colours_are_kept_in_ply(ball, values, key, tmp_path):
    write_surface(tmp_path / "x.ply", ball, vertex_values=values)
    raw = trimesh.load(tmp_path / "x.ply", process=False).metadata["_ply_raw"]["vertex"]["data"][key]
    np.testing.assert_allclose(np.ravel(raw), np.asarray(values).reshape(162, -1)[:, 0], rtol=1e-6)
    assert len(read_mesh_file(tmp_path / "x.ply", name="x.ply", limits=LIMITS).surface.faces) == len(ball.faces)


def test_an_unknown_suffix_is_not_written(ball, tmp_path):
    with pytest.raises(InputError, match=r"x\.step.*expected one of stl"):
        write_surface(tmp_path / "x.step", ball)
    assert list(tmp_path.iterdir()) == []
