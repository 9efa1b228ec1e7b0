"""Each loop against a slow plain twin."""

from __future__ import annotations

import itertools

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfmark.kernels import mesh as kernels
from kerfmark.records import Surface


def plain_edges(faces):
    """Edge (low, high) → its faces and how many more run up than down it."""
    found = {}
    for f, corners in enumerate(faces.tolist()):
        for k in range(3):
            a, b = corners[k], corners[(k + 1) % 3]
            on, balance = found.get((min(a, b), max(a, b)), ([], 0))
            found[min(a, b), max(a, b)] = ([*on, f], balance + (1 if a < b else -1))
    return found


faces_strategy = st.lists(
    st.lists(st.integers(0, 11), min_size=3, max_size=3, unique=True), min_size=1, max_size=60
).map(lambda rows: np.array(rows, dtype=np.int32))


@settings(deadline=None)  # the first call compiles
@given(faces_strategy)
def test_edges_are_those_of_a_dictionary_of_sides(faces):
    edge_of, ends, count, balance, first_two = kernels.edges_of_faces(faces, 12)
    plain = plain_edges(faces)
    assert len(ends) == len(plain)
    for e, (low, high) in enumerate(ends.tolist()):
        on, even = plain[low, high]
        assert (count[e], balance[e]) == (len(on), even)
        assert [f for f in first_two[e] if f >= 0] == on[:2]
    for f, corners in enumerate(faces.tolist()):
        for k in range(3):
            assert sorted((corners[k], corners[(k + 1) % 3])) == ends[edge_of[f, k]].tolist()


@settings(deadline=None)  # the first call compiles
@given(faces_strategy)
def test_parts_are_the_connected_components_of_the_graph_of_faces(faces):
    edge_of, ends, *_ = kernels.edges_of_faces(faces, 12)
    label, parts = kernels.label_faces(edge_of, len(ends))
    graph = nx.Graph()
    graph.add_nodes_from(range(len(faces)))
    for on, _ in plain_edges(faces).values():
        graph.add_edges_from((on[0], other) for other in on[1:])
    components = list(nx.connected_components(graph))
    assert parts == len(components)
    assert all(len(set(label[list(c)])) == 1 for c in components)


@settings(deadline=None)  # the first call compiles
@given(st.lists(st.tuples(*[st.integers(0, 3)] * 3), min_size=1, max_size=80))
def test_equal_rows_get_the_number_of_the_first_of_them(rows):
    number, distinct = kernels.first_of_equal(np.array(rows, dtype=np.uint64))
    seen = {}
    assert number.tolist() == [seen.setdefault(row, len(seen)) for row in rows]
    assert distinct == len(seen)


def test_areas_and_normals_are_half_the_cross_product(pebble: Surface):
    a, b, c = (pebble.vertices_mm[pebble.faces[:, k]] for k in range(3))
    cross = np.cross(b - a, c - a)
    length = np.linalg.norm(cross, axis=1)
    np.testing.assert_allclose(kernels.face_areas(pebble.vertices_mm, pebble.faces), 0.5 * length, rtol=1e-12)
    units = kernels.unit_normals(pebble.vertices_mm, pebble.faces)
    np.testing.assert_allclose(units, cross / length[:, None], atol=1e-12)


def test_a_face_without_area_has_no_normal():
    line = np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0]])
    assert kernels.unit_normals(line, np.array([[0, 1, 2]], dtype=np.int32)).tolist() == [[0, 0, 0]]


def test_corner_normals_are_sums_weighted_by_angle(pebble: Surface):
    units = kernels.unit_normals(pebble.vertices_mm, pebble.faces)
    plain = np.zeros_like(pebble.vertices_mm)
    for f, corners in enumerate(pebble.faces):
        p = pebble.vertices_mm[corners]
        for k in range(3):
            u, v = p[(k + 1) % 3] - p[k], p[(k + 2) % 3] - p[k]
            plain[corners[k]] += np.arccos(u @ v / np.linalg.norm(u) / np.linalg.norm(v)) * units[f]
    fast = kernels.corner_angle_normals(pebble.vertices_mm, pebble.faces, units)
    np.testing.assert_allclose(fast, plain, atol=1e-7)  # arccos loses half the digits near 0


def test_volume_does_not_depend_on_where_the_tetrahedra_meet(pebble: Surface):
    volumes = [
        kernels.signed_volume(pebble.vertices_mm, pebble.faces, np.array(o)) for o in ([0.0, 0, 0], [3.0, -2.0, 9.0])
    ]
    assert volumes[0] == pytest.approx(volumes[1], rel=1e-12)


def test_sums_of_parts_agree_with_each_part_alone(pebble: Surface):
    both = np.concatenate([pebble.faces, pebble.faces + len(pebble.vertices_mm)]).astype(np.int32)
    points = np.concatenate([pebble.vertices_mm, 0.5 * pebble.vertices_mm + 20.0])
    edge_of, ends, count, *_ = kernels.edges_of_faces(both, len(points))
    label, parts = kernels.label_faces(edge_of, len(ends))
    area, volume, box = kernels.part_sums(points, both, kernels.face_areas(points, both), edge_of, count, label, parts)
    assert volume == pytest.approx(
        kernels.signed_volume(pebble.vertices_mm, pebble.faces, np.zeros(3)) * np.array([1, 1 / 8])
    )
    assert area[1] == pytest.approx(area[0] / 4)  # half the length, a quarter of the area, an eighth of the volume
    np.testing.assert_allclose(box[1, :3], points[len(pebble.vertices_mm) :].min(axis=0))


def test_faces_turned_at_random_are_the_ones_turned_back(pebble: Surface):
    rng = np.random.default_rng(3)
    wrong = rng.random(len(pebble.faces)) < 0.2
    faces = np.where(wrong[:, None], pebble.faces[:, ::-1], pebble.faces).astype(np.int32)
    edge_of, _, count, _, first_two = kernels.edges_of_faces(faces, len(pebble.vertices_mm))
    areas = kernels.face_areas(pebble.vertices_mm, faces)
    assert (kernels.turn_consistently(faces, edge_of, count, first_two, areas) == wrong).all()


def test_border_edges_chain_into_loops_whatever_their_order():
    rng = np.random.default_rng(5)
    loops = [np.arange(0, 7), np.arange(7, 10), np.arange(10, 30)]
    begin, end = np.concatenate(loops), np.concatenate([np.roll(x, -1) for x in loops])
    order = rng.permutation(len(begin))
    chained, starts = kernels.border_loops(begin[order].astype(np.int32), end[order].astype(np.int32), 30)
    found = {frozenset(chained[a:b].tolist()) for a, b in itertools.pairwise(starts)}
    assert found == {frozenset(x.tolist()) for x in loops}


def test_a_border_that_does_not_close_is_left_out():
    chained, starts = kernels.border_loops(np.array([0, 1], dtype=np.int32), np.array([1, 2], dtype=np.int32), 3)
    assert (len(chained), starts.tolist()) == (0, [0])
