"""Evened surfaces: the same shape in better triangles."""

from __future__ import annotations

import numpy as np
import pytest

from kerfmark.geometry import mesh
from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.evening import evened, refined
from kerfmark.geometry.phantoms import scanned
from kerfmark.geometry.solids import Solid, difference
from kerfmark.records import Surface


def edge_lengths(surface: Surface) -> np.ndarray:
    ends = surface.vertices_mm[mesh.face_edges(surface).ends]
    return np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)


@pytest.fixture(scope="module")
def drilled() -> Surface:
    """A block with a bore across it: long slivers from the boolean, sharp rims."""
    bore = Solid.cylinder(1.0, 8.0, segments=90).moved([2, 2, -2])
    return difference(Solid.box([0, 0, 0], [4, 4, 4]), bore).surface()


@pytest.mark.parametrize("shape", ["pebble", "brick", "drilled"])
def test_evening_keeps_the_shape_to_a_micrometre(shape, request):
    surface = request.getfixturevalue(shape)
    even = evened(surface, 0.2)
    assert mesh.is_closed(even)
    assert (mesh.face_edges(even).count == 2).all()
    there = ClosestPoint(even).query(surface.vertices_mm, max_distance_mm=1.0)[1]
    back = ClosestPoint(surface).query(even.vertices_mm, max_distance_mm=1.0)[1]
    assert max(there.max(), back.max()) < 0.003  # 1 µm in each of three rounds
    assert mesh.volume_mm3(even) == pytest.approx(mesh.volume_mm3(surface), rel=1e-4)


def test_evening_makes_triangles_of_one_size_out_of_slivers(drilled):
    even = evened(drilled, 0.2)
    # Only along the 4° facets of the bore and its rims may short edges have to stay.
    assert np.quantile(edge_lengths(even), 0.05) > 0.06
    assert edge_lengths(even).max() < 0.2 * 4 / 3 * 1.2
    assert np.quantile(edge_lengths(refined(drilled, 0.2)), 0.05) < 0.06  # splitting alone leaves them


def test_the_corners_of_a_box_stay_corners(brick):
    even = evened(refined(brick, 0.05), 0.3)
    assert mesh.volume_mm3(even) == pytest.approx(24.0, rel=1e-9)
    assert ClosestPoint(even).query(brick.vertices_mm, max_distance_mm=1.0)[1].max() < 1e-9
    assert len(even.faces) < 0.1 * len(refined(brick, 0.05).faces)


def test_a_border_is_kept(cup):
    before, after = mesh.boundary_loops(cup), mesh.boundary_loops(evened(cup, 0.3))
    lengths = [sum(np.linalg.norm(p - np.roll(p, 1, axis=0), axis=1).sum() for p in loops) for loops in (before, after)]
    assert lengths[0] == pytest.approx(lengths[1], rel=1e-12)


def test_noise_on_an_evened_surface_turns_next_to_no_face(drilled):
    # 10 µm on triangles of 0.12 mm lean by about 10 √2 / 100 = 8°; on slivers the same noise would turn faces over.
    scan = scanned(drilled, noise_um=10.0, edge_mm=0.12, rng=np.random.default_rng(1))
    even = evened(drilled, 0.12)
    cosine = np.einsum("ij,ij->i", mesh.face_normals(scan), mesh.face_normals(even))
    areas = mesh.face_areas_mm2(even)
    assert areas[cosine < np.cos(np.radians(30))].sum() < 0.02 * areas.sum()
    assert areas[cosine < 0].sum() < 1e-4 * areas.sum()
