import igl
import numpy as np
import pytest
import trimesh

from kerfmark.anatomy.form import outer_surface, tooth_form
from kerfmark.anatomy.form.tooth import _built
from kerfmark.errors import InputError
from kerfmark.geometry.mending import health

TYPES = (*range(11, 19), *range(31, 39))


def as_trimesh(surface):
    return trimesh.Trimesh(surface.vertices_mm, surface.faces, process=False)


@pytest.mark.parametrize("fdi", TYPES)
@pytest.mark.parametrize(("edge_mm", "seed"), [(0.1, None), (0.2, None), (0.2, 3), (0.3, None)])
def test_surface_is_one_closed_body_even_when_welded_by_position(fdi, edge_mm, seed):
    # Weld, edges and bodies by an outside library: what a printer's program sees after reading an STL file.
    mesh = as_trimesh(outer_surface(tooth_form(fdi, seed=seed), edge_mm=edge_mm))
    vertices = len(mesh.vertices)
    mesh.merge_vertices(digits_vertex=4)
    _, faces_of_edge = np.unique(mesh.edges_sorted, axis=0, return_counts=True)
    assert len(mesh.vertices) == vertices
    assert set(faces_of_edge) == {2}
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.euler_number == 2
    assert mesh.body_count == 1
    assert mesh.volume > 0


# 36 with seed 2 at 0.12 mm and 38 with seed 2 at 0.25 mm had two vertices in one place, 33 with seed 1 faces through each other.
@pytest.mark.parametrize(("fdi", "seed", "edge_mm"), [(36, 2, 0.12), (38, 2, 0.25), (33, 1, 0.15), (16, None, 0.2)])
def test_no_faces_cut_through_each_other_and_no_vertices_share_a_place(fdi, seed, edge_mm):
    surface = outer_surface(tooth_form(fdi, seed=seed), edge_mm=edge_mm)
    assert health(surface, look_for_self_intersections=True).self_intersections == 0
    assert len(np.unique(surface.vertices_mm.round(4), axis=0)) == len(surface.vertices_mm)


@pytest.mark.parametrize("fdi", [11, 16, 36])
def test_vertices_lie_on_the_zero_set(fdi):
    # Two Newton steps from the nets; 2 µm is a fiftieth of an edge.
    form = tooth_form(fdi)
    values = np.abs(form.field(outer_surface(form).vertices_mm))
    assert np.quantile(values, 0.999) < 0.002
    assert values.max() < 0.02


@pytest.mark.parametrize("fdi", [16, 46])
def test_field_is_about_millimetres_near_the_surface(fdi):
    # Compared with distances to the mesh by libigl; the first-order field may err where walls curve or meet.
    form = tooth_form(fdi)
    surface = outer_surface(form, edge_mm=0.2)
    mesh = as_trimesh(surface)
    points = surface.vertices_mm[::400] + 0.2 * mesh.vertex_normals[::400]
    distance = np.sqrt(igl.point_mesh_squared_distance(points, surface.vertices_mm, surface.faces)[0])
    assert np.median(np.abs(form.field(points) - distance)) < 0.02
    assert np.quantile(np.abs(form.field(points) - distance), 0.95) < 0.12


@pytest.mark.parametrize(("right", "left"), [(16, 26), (46, 36), (11, 21), (43, 33)])
def test_right_and_left_are_mirror_images_to_the_bit(right, left):
    a, b = outer_surface(tooth_form(right), edge_mm=0.3), outer_surface(tooth_form(left), edge_mm=0.3)
    np.testing.assert_array_equal(a.vertices_mm * [-1, 1, 1], b.vertices_mm)
    assert {tuple(sorted(f)) for f in a.faces.tolist()} == {tuple(sorted(f)) for f in b.faces.tolist()}
    assert as_trimesh(a).volume == pytest.approx(as_trimesh(b).volume)


def test_the_same_seed_makes_the_same_tooth_to_the_bit():
    first = outer_surface(tooth_form(46, seed=5), edge_mm=0.3).vertices_mm
    _built.cache_clear()
    np.testing.assert_array_equal(first, outer_surface(tooth_form(46, seed=5), edge_mm=0.3).vertices_mm)


def test_seeds_make_different_teeth():
    assert tooth_form(46, seed=1).dimensions != tooth_form(46, seed=2).dimensions


@pytest.mark.parametrize("fdi", [10, 19, 51, 0, -3, 95])
def test_a_number_that_is_no_permanent_tooth_is_refused(fdi):
    with pytest.raises(InputError, match="permanent"):
        tooth_form(fdi)


@pytest.mark.parametrize("fdi", TYPES)
def test_mesial_lies_where_the_conventions_say(fdi):
    form = tooth_form(fdi + 10)
    assert form.mesial_sign == -1
    assert form.sites["mesial contact"].point_mm[0] < 0 < form.sites["distal contact"].point_mm[0]


@pytest.mark.parametrize("fdi", TYPES)
def test_origin_is_the_centroid_of_the_cervical_line(fdi):
    # Source: docs/conventions.md. A micrometre.
    assert np.abs(tooth_form(fdi).cervical_line_mm.mean(axis=0)).max() < 1e-3
