"""Properties of surfaces against formulas and a general mesh library."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from kerfmark.geometry import mesh
from kerfmark.geometry.frames import rotation_about
from kerfmark.geometry.solids import Solid
from kerfmark.records import Surface


def library(surface):
    return trimesh.Trimesh(surface.vertices_mm, surface.faces, process=False)


def test_a_box_has_the_volume_and_area_of_its_edges(brick):
    # Source: a b c and 2 (ab + bc + ca) for 2 × 3 × 4.
    assert mesh.volume_mm3(brick) == pytest.approx(24.0, rel=1e-13)
    assert mesh.area_mm2(brick) == pytest.approx(52.0, rel=1e-13)
    assert mesh.bounds_mm(brick).tolist() == [[1, 1, 1], [3, 4, 5]]


def test_volume_holds_far_from_the_origin(brick):
    # A box 1 km away: naive sums from the origin would lose eight digits.
    far = mesh.transformed(brick, [[1, 0, 0, 1e6], [0, 1, 0, 1e6], [0, 0, 1, 1e6], [0, 0, 0, 1]])
    assert mesh.volume_mm3(far) == pytest.approx(24.0, rel=1e-8)


def test_normals_areas_and_volume_agree_with_the_library(pebble):
    # Source: trimesh.
    tm = library(pebble)
    np.testing.assert_allclose(mesh.face_normals(pebble), tm.face_normals, atol=1e-12)
    np.testing.assert_allclose(mesh.face_areas_mm2(pebble), tm.area_faces, rtol=1e-9)
    assert mesh.volume_mm3(pebble) == pytest.approx(tm.volume, rel=1e-12)


def test_vertex_normals_of_a_sphere_point_away_from_its_middle():
    ball = trimesh.creation.icosphere(4)
    surface = Surface(np.array(ball.vertices), np.array(ball.faces, dtype=np.int32))
    # Triangles of 0.07 radius: the mean of their normals is within 0.2° of the radius.
    cosine = np.einsum("ij,ij->i", mesh.vertex_normals(surface), surface.vertices_mm)
    assert np.degrees(np.arccos(np.clip(cosine, -1, 1))).max() < 0.2


def test_the_normal_at_the_corner_of_a_box_leans_equally_on_its_three_sides(brick):
    # Weighted by angle it does not matter which side was cut along which diagonal.
    expected = np.sign(brick.vertices_mm - [2, 2.5, 3]) / np.sqrt(3)
    np.testing.assert_allclose(mesh.vertex_normals(brick), expected, atol=1e-12)


def test_a_mirrored_surface_keeps_its_faces_outward(pebble):
    mirrored = mesh.transformed(pebble, np.diag([-1.0, 1, 1, 1]))
    assert mesh.volume_mm3(mirrored) == pytest.approx(mesh.volume_mm3(pebble), rel=1e-12)


def test_turning_a_surface_turns_its_normals(pebble):
    turn = rotation_about([1, 2, 3], 40.0)
    expected = mesh.face_normals(pebble) @ turn[:3, :3].T
    np.testing.assert_allclose(mesh.face_normals(mesh.transformed(pebble, turn)), expected, atol=1e-12)


def test_joined_surfaces_come_apart_again_largest_first(brick):
    small = Solid.box([10, 10, 10], [11, 11, 11]).surface()
    parts = mesh.components(mesh.joined([small, brick, small]))
    assert [round(mesh.volume_mm3(p), 9) for p in parts] == [24.0, 1.0, 1.0]


def test_nothing_joined_is_an_empty_surface():
    empty = mesh.joined([])
    assert (empty.vertices_mm.shape, empty.faces.shape) == ((0, 3), (0, 3))


def test_a_submesh_keeps_the_chosen_faces_and_the_vertices_they_use(pebble):
    chosen = pebble.vertices_mm[pebble.faces][:, :, 2].min(axis=1) > 2.0
    part = mesh.submesh(pebble, chosen)
    np.testing.assert_array_equal(part.vertices_mm[part.faces], pebble.vertices_mm[pebble.faces[chosen]])
    assert set(part.faces.ravel()) == set(range(len(part.vertices_mm)))


def test_the_border_of_a_cup_is_one_loop_and_a_closed_surface_has_none(cup, pebble):
    (loop,) = mesh.boundary_loops(cup)
    tm = library(cup)
    assert len(loop) == len(trimesh.grouping.group_rows(tm.edges_sorted, require_count=1))
    assert mesh.boundary_loops(pebble) == ()


def test_closed_means_every_edge_is_passed_both_ways(pebble, cup):
    assert mesh.is_closed(pebble)
    assert not mesh.is_closed(cup)
