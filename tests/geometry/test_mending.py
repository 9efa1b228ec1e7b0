"""Faults put into a sound surface are counted, mended, and change no reading."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from kerfmark.geometry import mesh
from kerfmark.geometry.grids import surface_of
from kerfmark.geometry.mesh import health, mend
from kerfmark.geometry.sections import section_curves
from kerfmark.geometry.solids import Solid, difference
from kerfmark.records import Grid, SectionPlane, Surface

ACROSS = SectionPlane("BL", np.array([0.05, 0.03, 0.0]), np.array([0.0, 1, 0]), np.array([0.0, 0, 1]))


def messages(surface):
    return [r.message for r in mend(surface)[2]]


def replaced(surface, *, faces=None, vertices=None):
    return Surface(
        surface.vertices_mm if vertices is None else vertices,
        np.ascontiguousarray(surface.faces if faces is None else faces, dtype=np.int32),
    )


def section_length(surface):
    return sum(np.linalg.norm(np.diff(c, axis=0), axis=1).sum() for c in section_curves(surface, ACROSS))


def test_a_sound_surface_is_handed_back_without_a_word(pebble):
    mended, found, remarks = mend(pebble)
    assert remarks == ()
    assert found.closed
    assert (found.components, found.open_edges, found.flipped_faces, found.pinholes) == (1, 0, 0, 0)
    np.testing.assert_array_equal(mended.faces, pebble.faces)


def test_an_open_surface_is_not_a_fault(cup):
    mended, found, remarks = mend(cup)
    assert remarks == ()
    assert found.open_edges == len(mesh.boundary_loops(cup)[0])
    assert len(mended.faces) == len(cup.faces)


def test_a_triangle_soup_is_merged_by_place(pebble):
    soup = Surface(
        pebble.vertices_mm[pebble.faces].reshape(-1, 3), np.arange(3 * len(pebble.faces), dtype=np.int32).reshape(-1, 3)
    )
    mended, found, _ = mend(soup)
    assert len(mended.vertices_mm) == len(pebble.vertices_mm)
    assert found.closed


def test_minus_zero_and_zero_are_the_same_place():
    points = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [-0.0, 0, -0.0], [0, -1, 0], [1, -0.0, 0]])
    mended, _, _ = mend(Surface(points, np.array([[0, 1, 2], [3, 4, 5]], dtype=np.int32)))
    assert len(mended.vertices_mm) == 4


def test_turned_faces_are_turned_back(pebble):
    faces = pebble.faces.copy()
    faces[[3, 700, 701]] = faces[[3, 700, 701]][:, ::-1]
    mended, found, _ = mend(replaced(pebble, faces=faces))
    assert found.flipped_faces == 3
    assert messages(replaced(pebble, faces=faces)) == ["3 turned faces turned back"]
    np.testing.assert_array_equal(mesh.face_normals(mended), mesh.face_normals(pebble))


@pytest.mark.parametrize("shape", ["pebble", "cup"])
def test_an_inside_out_surface_is_turned_whether_closed_or_open(shape, request):
    surface = request.getfixturevalue(shape)
    mended, found, _ = mend(replaced(surface, faces=surface.faces[:, ::-1]))
    assert found.flipped_faces == len(surface.faces)
    np.testing.assert_allclose(mesh.face_normals(mended), mesh.face_normals(surface), atol=1e-12)


def test_a_cavity_inside_a_solid_keeps_looking_into_its_hollow():
    hollow = difference(Solid.sphere(5.0), Solid.sphere(2.0)).surface()
    mended, found, _ = mend(hollow)
    assert found.flipped_faces == 0
    assert mesh.volume_mm3(mended) == pytest.approx(mesh.volume_mm3(hollow), rel=1e-12)


def test_doubled_faces_and_faces_without_area_are_dropped(pebble):
    extra = np.concatenate([pebble.faces, pebble.faces[[5, 9]], pebble.faces[[9]][:, ::-1], [[4, 4, 7], [8, 9, 9]]])
    mended, found, remarks = mend(replaced(pebble, faces=extra))
    assert (found.duplicate_faces, found.degenerate_faces) == (3, 2)
    assert sorted(r.message for r in remarks) == ["2 faces without area dropped", "3 doubled faces dropped"]
    assert {r.code for r in remarks} == {"mesh-mended"}
    assert len(mended.faces) == len(pebble.faces)


def test_a_flat_sheet_lying_on_itself_is_one_sheet():
    points = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]])
    _, found, _ = mend(Surface(points, np.array([[0, 1, 2], [2, 1, 0]], dtype=np.int32)))
    assert found.duplicate_faces == 1


def test_pinholes_are_closed_and_change_no_reading(pebble):
    fine = surface_of(_ball_grid())
    rng = np.random.default_rng(6)
    holed = replaced(fine, faces=np.delete(fine.faces, rng.choice(len(fine.faces), 12, replace=False), axis=0))
    mended, found, remarks = mend(holed)
    assert found.pinholes == 12
    assert [r.message for r in remarks] == ["12 pinholes closed"]
    assert mesh.is_closed(mended)
    # A pinhole is one face of 0.1 mm; filled flat it is the very face that was there.
    assert mesh.volume_mm3(mended) == pytest.approx(mesh.volume_mm3(fine), rel=1e-12)
    assert section_length(mended) == pytest.approx(section_length(fine), rel=1e-12)


def _ball_grid() -> Grid:
    axis = np.linspace(-1.3, 1.3, 27)
    x, y, z = np.meshgrid(axis, axis, axis, indexing="ij")
    return Grid(np.full(3, -1.3), 0.1, (np.sqrt(x**2 + y**2 + z**2) - 1.03).astype(np.float32))


def test_a_hole_too_large_for_a_pinhole_stays_open(pebble):
    # One face of the pebble is about 0.5 mm along each side: more than 0.5 mm across.
    mended, found, _ = mend(replaced(pebble, faces=pebble.faces[1:]))
    assert (found.pinholes, found.open_edges) == (0, 3)
    assert len(mesh.boundary_loops(mended)) == 1


def test_a_crumb_of_one_face_is_not_taken_for_a_pinhole(pebble):
    crumb = Surface(np.array([[20.0, 0, 0], [20.1, 0, 0], [20, 0.1, 0]]), np.array([[0, 1, 2]], dtype=np.int32))
    mended, found, _ = mend(mesh.joined([pebble, crumb]))
    assert found.pinholes == 0
    assert len(mended.faces) == len(pebble.faces) + 1


def test_an_edge_with_three_faces_is_counted_and_left():
    points = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1], [0, -1, 0]])
    found = health(Surface(points, np.array([[0, 1, 2], [0, 1, 3], [0, 1, 4]], dtype=np.int32)))
    assert found.non_manifold_edges == 1


def test_mending_leaves_its_argument_alone(pebble):
    faces = pebble.faces.copy()
    faces[0] = faces[0, ::-1]
    before = faces.copy()
    mend(replaced(pebble, faces=faces))
    np.testing.assert_array_equal(faces, before)


def test_self_intersections_are_counted_only_when_asked_for(brick):
    other = Solid.box([2, 2, 2], [6, 6, 6]).surface()
    both = mesh.joined([brick, other])
    assert health(both).self_intersections is None
    assert health(both, look_for_self_intersections=True).self_intersections > 0
    assert health(brick, look_for_self_intersections=True).self_intersections == 0


def test_every_fault_at_once_still_gives_back_the_volume():
    ball = trimesh.creation.icosphere(5, 5.0)  # faces of about 0.2 mm
    surface = Surface(np.array(ball.vertices), np.array(ball.faces, dtype=np.int32))
    rng = np.random.default_rng(12)
    faces = np.delete(surface.faces, rng.choice(len(surface.faces), 5, replace=False), axis=0)
    turn = rng.random(len(faces)) < 0.3
    faces = np.where(turn[:, None], faces[:, ::-1], faces)
    faces = np.concatenate([faces, faces[:7], [[1, 1, 2]]])[rng.permutation(len(faces) + 8)]
    soup = Surface(surface.vertices_mm[faces].reshape(-1, 3), np.arange(3 * len(faces), dtype=np.int32).reshape(-1, 3))
    mended, found, _ = mend(soup)
    assert (found.pinholes, found.duplicate_faces, found.degenerate_faces) == (5, 7, 1)
    assert mesh.volume_mm3(mended) == pytest.approx(mesh.volume_mm3(surface), rel=1e-12)
