"""Passes of evening out: what they may never do, on surfaces where the answer is plain."""

from __future__ import annotations

import numpy as np
import pytest

from kerfmark.geometry.mesh import area_mm2, face_edges, is_closed, submesh, vertex_normals, volume_mm3
from kerfmark.kernels import remeshing as kernels
from kerfmark.records import Surface


def collapsed(surface: Surface, short: list[int] | np.ndarray, tolerance: float) -> tuple[np.ndarray, Surface]:
    edges = face_edges(surface)
    border = np.zeros(len(surface.vertices_mm), dtype=bool)
    border[edges.ends[edges.count != 2]] = True
    to = kernels.collapse_pass(
        surface.vertices_mm, surface.faces, edges.ends, np.asarray(short, dtype=np.int32), border, vertex_normals(surface),
        99.0, tolerance,
    )  # fmt: skip
    faces = to[surface.faces]
    left = [len(set(f)) == 3 for f in faces.tolist()]
    return to, submesh(Surface(surface.vertices_mm, faces), np.array(left))


def test_the_faces_round_each_vertex_are_all_that_hold_it(pebble):
    start, held = kernels.faces_round(pebble.faces, len(pebble.vertices_mm))
    for v in range(0, len(pebble.vertices_mm), 97):
        assert sorted(held[start[v] : start[v + 1]]) == np.flatnonzero((pebble.faces == v).any(axis=1)).tolist()


def flat(n: int = 9) -> Surface:
    """A flat square of n × n points, two triangles to a cell."""
    x, y = (a.ravel().astype(float) for a in np.meshgrid(np.arange(n), np.arange(n), indexing="ij"))
    index = np.arange(n * n).reshape(n, n)
    a, b, c, d = (index[s].ravel() for s in (np.s_[:-1, :-1], np.s_[1:, :-1], np.s_[1:, 1:], np.s_[:-1, 1:]))
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    return Surface(np.column_stack([x, y, 0 * x]), faces.astype(np.int32))


def test_collapsing_inside_a_flat_square_keeps_its_area_and_its_border():
    square = flat()
    to, fewer = collapsed(square, np.arange(len(face_edges(square).ends)), 1e-9)
    rim = ((square.vertices_mm[:, :2] == 0) | (square.vertices_mm[:, :2] == 8)).any(axis=1)
    assert (to[rim] == np.flatnonzero(rim)).all()
    assert np.count_nonzero(to != np.arange(len(to))) > 5
    assert area_mm2(fewer) == pytest.approx(64.0, rel=1e-12)


def test_collapsing_keeps_a_closed_surface_closed(pebble):
    edges = face_edges(pebble)
    _, fewer = collapsed(pebble, np.arange(len(edges.ends)), 0.05)
    assert len(fewer.faces) < len(pebble.faces)
    assert is_closed(fewer)
    assert (face_edges(fewer).count == 2).all()


def test_no_corner_of_a_box_is_collapsed(brick):
    to, _ = collapsed(brick, np.arange(len(face_edges(brick).ends)), 1e-3)
    np.testing.assert_array_equal(to, np.arange(8))


def turned(surface: Surface) -> tuple[Surface, int]:
    edges = face_edges(surface)
    faces, count = kernels.turn_pass(surface.vertices_mm, surface.faces, edges.ends, edges.count, edges.first_two, 1e-6)
    return Surface(surface.vertices_mm, faces), count


def test_the_long_diagonal_of_a_flat_kite_is_turned_into_the_short_one():
    kite = np.array([[0.0, 0, 0], [4, 0, 0], [2, 0.5, 0], [2, -0.5, 0]])
    surface, count = turned(Surface(kite, np.array([[0, 1, 2], [1, 0, 3]], dtype=np.int32)))
    assert count == 1
    assert [2, 3] in np.sort(face_edges(surface).ends, axis=1).tolist()
    assert area_mm2(surface) == pytest.approx(2.0)


def test_the_edge_of_a_fold_and_the_good_diagonal_stay():
    fold = np.array([[0.0, 0, 0], [4, 0, 0], [2, 0.5, 0], [2, 0, 0.5]])
    good = np.array([[0.0, 0, 0], [1, 0, 0], [0.5, 2, 0], [0.5, -2, 0]])
    for points in (fold, good):
        assert turned(Surface(points, np.array([[0, 1, 2], [1, 0, 3]], dtype=np.int32)))[1] == 0


def test_turning_edges_changes_neither_volume_nor_closedness(brick):
    from kerfmark.geometry.evening import refined

    fine = refined(brick, 0.7)
    surface, _ = turned(fine)
    assert is_closed(surface)
    assert volume_mm3(surface) == pytest.approx(24.0, rel=1e-12)
