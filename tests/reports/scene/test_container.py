"""The GLB a scene is kept in: other programs read the same surface out of it, and so do we."""

import io

import numpy as np
import pytest
import trimesh

from kerfmark.errors import InputError
from kerfmark.geometry.mesh_files.glb import read_glb
from kerfmark.reports.scene.container import Container, Part, line_pairs, read_container, written
from kerfmark.reports.scene.surfaces import curves_part, surface_of_part, surface_part
from kerfmark.settings import Limits


@pytest.fixture(scope="module")
def held(pebble):
    values = np.linspace(-1, 1, len(pebble.vertices_mm)).astype("<f4")
    parts = (
        surface_part("piece", pebble, more={"_DEVIATION_MM": values}, side="x"),
        curves_part("margin", (pebble.vertices_mm[:5], pebble.vertices_mm[9:12])),
    )
    return Container(parts, {"words": "µ °"}, {"witness": np.arange(6, dtype="<f4")})


def test_what_is_written_reads_back_the_same(held):
    back = read_container(written(held))
    assert [p.name for p in back.parts] == ["piece", "margin"]
    for one, other in zip(held.parts, back.parts, strict=True):
        assert np.array_equal(one.indices, other.indices)
        assert {k: v.tobytes() for k, v in one.attributes.items()} == {
            k: v.tobytes() for k, v in other.attributes.items()
        }
        assert dict(one.facts) == dict(other.facts)
    assert back.facts == held.facts
    assert np.array_equal(back.loose["witness"], np.arange(6))


def test_a_general_mesh_library_sees_the_surface_in_metres_with_y_up(held, pebble):
    # Source: trimesh, an independent reader of glTF 2.0. The standard: metres, +y up; the tooth frame has +z up.
    scene = trimesh.load_scene(io.BytesIO(written(held)), file_type="glb")
    x, y, z = pebble.vertices_mm.T / 1000.0
    expected = np.column_stack([x, z, -y])
    seen = scene.geometry["piece"]
    placed = trimesh.transform_points(seen.vertices, scene.graph.get(scene.graph.geometry_nodes["piece"][0])[0])
    assert len(seen.faces) == len(pebble.faces)
    assert np.allclose(np.sort(placed, axis=0), np.sort(expected, axis=0), atol=1e-9)


def test_our_own_reader_of_meshes_opens_it_too(held, pebble):
    found = read_glb(written(held), name="scene.glb", limits=Limits()).surface
    assert len(found.faces) == len(pebble.faces)
    assert found.vertices_mm[:, 1].max() == pytest.approx(pebble.vertices_mm[:, 2].max() / 1000.0, abs=1e-9)


def test_a_surface_comes_back_to_float32(held, pebble):
    back = surface_of_part(read_container(written(held)).part("piece"))
    # Source: half a unit in the last place of a float32 near 8 is 2.4e-7.
    assert np.abs(back.vertices_mm - pebble.vertices_mm).max() <= 4.8e-7
    assert np.array_equal(back.faces, pebble.faces)


def test_lines_do_not_join_one_curve_to_the_next():
    assert line_pairs([3, 2]).tolist() == [[0, 1], [1, 2], [3, 4]]
    assert line_pairs([]).shape == (0, 2)


def test_a_part_with_nothing_in_it_is_left_out():
    empty = Part("margin", np.empty((0, 2), np.uint32), {"POSITION": np.empty((0, 3), "<f4")})
    assert read_container(written(Container((empty,), {}))).parts == ()


@pytest.mark.parametrize("damage", [b"", b"glTF", b"\0" * 60])
def test_damaged_bytes_are_refused_in_words(damage):
    with pytest.raises(InputError, match="Make it again from the piece"):
        read_container(damage)


def test_a_cut_off_file_is_refused(held):
    with pytest.raises(InputError):
        read_container(written(held)[:-4])
