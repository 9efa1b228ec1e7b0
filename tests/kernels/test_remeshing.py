"""Passes of evening out: what they may never do, on surfaces where the answer is plain."""

from __future__ import annotations

import numpy as np
import pytest

from kerfmark.geometry.mesh import area_mm2, face_edges, is_closed, submesh, volume_mm3
from kerfmark.kernels import remeshing as kernels
from kerfmark.records import Surface


def collapsed(surface: Surface, shorter: float, tolerance: float) -> tuple[Surface, int]:
    everywhere, border = np.ones(len(surface.vertices_mm), dtype=bool), np.zeros(len(surface.vertices_mm), dtype=bool)
    start, held = kernels.faces_round(surface.faces, len(border))
    ends, lengths = kernels.short_edges(surface.vertices_mm, surface.faces, start, held, everywhere, shorter, border)
    faces, _, gone = kernels.collapse_pass(
        surface.vertices_mm, surface.faces, start, held, ends[np.argsort(lengths, kind="stable")], border, 99.0, tolerance
    )  # fmt: skip
    return submesh(Surface(surface.vertices_mm, faces), np.ones(len(faces), dtype=bool)), gone


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
    fewer, gone = collapsed(square, 99.0, 1e-9)
    rim = ((square.vertices_mm[:, :2] == 0) | (square.vertices_mm[:, :2] == 8)).any(axis=1)
    left = {tuple(p) for p in fewer.vertices_mm.tolist()}
    assert {tuple(p) for p in square.vertices_mm[rim].tolist()} <= left
    assert gone > 10
    assert area_mm2(fewer) == pytest.approx(64.0, rel=1e-12)


def test_collapsing_keeps_a_closed_surface_closed(pebble):
    fewer, gone = collapsed(pebble, 99.0, 0.05)
    assert 0 < gone == len(pebble.faces) - len(fewer.faces)
    assert is_closed(fewer)
    assert (face_edges(fewer).count == 2).all()


def test_no_corner_of_a_box_is_collapsed(brick):
    assert collapsed(brick, 99.0, 1e-3)[1] == 0


def test_short_edges_and_the_border_are_those_that_the_edges_themselves_say(pebble):
    """Plain twin: every edge's length, and the ends of those without two faces."""
    half = submesh(pebble, np.arange(len(pebble.faces)) % 7 != 0)
    edges = face_edges(half)
    length = np.linalg.norm(np.diff(half.vertices_mm[edges.ends], axis=1)[:, 0], axis=1)
    shorter = float(np.median(length))
    everywhere, border = np.ones(len(half.vertices_mm), dtype=bool), np.zeros(len(half.vertices_mm), dtype=bool)
    start, held = kernels.faces_round(half.faces, len(border))
    ends, lengths = kernels.short_edges(half.vertices_mm, half.faces, start, held, everywhere, shorter, border)
    np.testing.assert_array_equal(ends, edges.ends[length < shorter])
    np.testing.assert_allclose(lengths, length[length < shorter], rtol=1e-14)
    np.testing.assert_array_equal(np.flatnonzero(border), np.unique(edges.ends[edges.count != 2]))


def test_what_was_not_stirred_would_be_refused_again(pebble):
    """Passes that look only where the last one stirred end with the very faces of passes that look everywhere."""
    vertices, found = pebble.vertices_mm, []
    for whole in (True, False):
        faces, stirred, border = pebble.faces, np.ones(len(vertices), dtype=bool), np.zeros(len(vertices), dtype=bool)
        for _ in range(6):
            start, held = kernels.faces_round(faces, len(vertices))
            look = np.ones_like(stirred) if whole else stirred
            ends, lengths = kernels.short_edges(vertices, faces, start, held, look, 0.6, border)
            order = np.argsort(lengths, kind="stable")
            faces, stirred, _ = kernels.collapse_pass(vertices, faces, start, held, ends[order], border, 1.5, 0.01)
        stirred = np.ones(len(vertices), dtype=bool)
        for _ in range(6):
            faces, stirred, _ = kernels.turn_pass(vertices, faces, np.ones_like(stirred) if whole else stirred, 0.01)
        found.append(faces)
    assert len(found[0]) < len(pebble.faces)
    np.testing.assert_array_equal(found[0], found[1])


def turned(surface: Surface) -> tuple[Surface, int]:
    everywhere = np.ones(len(surface.vertices_mm), dtype=bool)
    faces, _, count = kernels.turn_pass(surface.vertices_mm, surface.faces, everywhere, 1e-6)
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
