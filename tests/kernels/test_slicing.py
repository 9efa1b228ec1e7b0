"""Cuts by planes against cutting face by face, and the chains they form."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from kerfmark.kernels import slicing as kernels


def plain_segments(vertices, faces, normal, offset):
    """The segment in each crossed face, without any chaining."""
    found = []
    for corners in vertices[faces]:
        height = corners @ normal - offset
        ends = [
            corners[k] + height[k] / (height[k] - height[(k + 1) % 3]) * (corners[(k + 1) % 3] - corners[k])
            for k in range(3)
            if (height[k] >= 0) != (height[(k + 1) % 3] >= 0)
        ]
        if ends:
            found.append(ends)
    return np.array(found)


def chains(vertices, faces, normals, offsets):
    points, starts, planes = kernels.slice_by_planes(vertices, faces, normals, offsets)
    return [(int(plane), points[a:b]) for plane, (a, b) in zip(planes, itertools.pairwise(starts), strict=True)]


def keys(segments):
    return sorted(tuple(sorted(map(tuple, np.round(s, 9).tolist()))) for s in segments)


@pytest.mark.parametrize("shape", ["pebble", "cup"])
def test_chains_hold_the_segments_of_every_face_once(shape, request):
    surface = request.getfixturevalue(shape)
    rng = np.random.default_rng(1)
    normals = rng.normal(size=(5, 3))
    offsets = rng.uniform(-2, 2, 5)
    found = chains(surface.vertices_mm, surface.faces, normals, offsets)
    for plane in range(5):
        pieces = [np.stack([c[:-1], c[1:]], axis=1) for p, c in found if p == plane]
        plain = plain_segments(surface.vertices_mm, surface.faces, normals[plane], offsets[plane])
        assert keys(np.concatenate(pieces)) == keys(plain)


def test_a_closed_surface_gives_closed_chains_only(pebble):
    found = chains(pebble.vertices_mm, pebble.faces, np.eye(3), np.zeros(3))
    assert all((c[0] == c[-1]).all() for _, c in found)


def test_a_chain_of_an_open_surface_runs_from_border_to_border(cup):
    ((_, chain),) = chains(cup.vertices_mm, cup.faces, np.array([[1.0, 0, 0]]), np.zeros(1))
    assert max(chain[0, 2], chain[-1, 2]) < -2.0  # both ends lie on the border below
    assert chain[:, 2].max() == pytest.approx(8.0, abs=0.02)  # on x = 0 the pebble has no bumps: 1.6 × 5 mm


def test_a_plane_through_vertices_still_gives_one_closed_chain(brick):
    # The plane x = 1 holds a whole side of the box: what lies on it counts as above, so nothing is cut; x = 3 likewise.
    assert len(chains(brick.vertices_mm, brick.faces, np.array([[1.0, 0, 0]]), np.array([1.0]))) == 0
    ((_, chain),) = chains(brick.vertices_mm, brick.faces, np.array([[1.0, 0, 0]]), np.array([3.0]))
    assert (chain[0] == chain[-1]).all()


def test_chains_stay_linked_where_faces_are_turned_against_each_other(pebble):
    rng = np.random.default_rng(2)
    faces = np.where(rng.random((len(pebble.faces), 1)) < 0.3, pebble.faces[:, ::-1], pebble.faces).astype(np.int32)
    found = chains(pebble.vertices_mm, faces, np.array([[0.0, 0, 1.0]]), np.zeros(1))
    assert len(found) == 1
    assert (found[0][1][0] == found[0][1][-1]).all()


def test_a_plane_that_passes_by_gives_nothing(pebble):
    assert chains(pebble.vertices_mm, pebble.faces, np.array([[0.0, 0, 1.0]]), np.array([99.0])) == []


def plain_level(vertices, faces, values):
    """The segment in each face that a field's zero crosses, without any chaining."""
    found = []
    for corners, height in zip(vertices[faces], values[faces], strict=True):
        ends = [
            corners[k] + height[k] / (height[k] - height[(k + 1) % 3]) * (corners[(k + 1) % 3] - corners[k])
            for k in range(3)
            if (height[k] >= 0) != (height[(k + 1) % 3] >= 0)
        ]
        if ends:
            found.append(ends)
    return np.array(found)


@pytest.mark.parametrize("shape", ["pebble", "cup"])
def test_the_chains_of_a_field_hold_the_segments_of_every_face_once(shape, request):
    surface = request.getfixturevalue(shape)
    values = np.sin(1.1 * surface.vertices_mm[:, 0]) + 0.4 * surface.vertices_mm[:, 1] - 0.2
    points, starts = kernels.slice_by_values(surface.vertices_mm, surface.faces, values)
    pieces = [np.stack([points[a : b - 1], points[a + 1 : b]], axis=1) for a, b in itertools.pairwise(starts.tolist())]
    assert keys(np.concatenate(pieces)) == keys(plain_level(surface.vertices_mm, surface.faces, values))
