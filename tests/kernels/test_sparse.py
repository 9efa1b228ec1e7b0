"""Blocks read, surfaced and weighed, against plain twins and the field's own libraries."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.measure import marching_cubes

from kerfmark.geometry.grids import sample
from kerfmark.geometry.marching import triangle_table
from kerfmark.kernels.sparse import count_surface, fill_faces, fill_vertices, read_blocks, removed
from kerfmark.records import Grid

RNG = np.random.default_rng(8)
EDGE = 8


def smooth(shape, seed):
    """A bumpy field about 0 with zero set well inside."""
    i, j, k = np.meshgrid(*[np.arange(n) for n in shape], indexing="ij")
    middle = (np.array(shape) - 1) / 2
    rng = np.random.default_rng(seed)
    a, b, c = rng.uniform(0.3, 0.6, 3)
    r = np.sqrt((i - middle[0]) ** 2 + (j - middle[1]) ** 2 + (k - middle[2]) ** 2)
    return (r - 8.3 + 1.7 * np.sin(a * i + 1) * np.cos(b * j) + 1.1 * np.sin(c * k)).astype(np.float32)


def in_blocks(dense):
    counts = [n // EDGE for n in dense.shape]
    split = dense.reshape(counts[0], EDGE, counts[1], EDGE, counts[2], EDGE).transpose(0, 2, 4, 1, 3, 5)
    places = np.stack(np.meshgrid(*[np.arange(n) for n in counts], indexing="ij"), axis=-1).reshape(-1, 3)
    return (
        np.ascontiguousarray(split.reshape(-1, EDGE, EDGE, EDGE)),
        places.astype(np.int32),
        np.arange(len(places), dtype=np.int32),
    )


def test_blocks_are_read_as_the_grid_is_between_its_voxels():
    # Source: `geometry.grids.sample`, itself checked against scipy; beyond the grid the way there is added.
    grid = Grid(np.array([0.1, -0.2, 0.3]), 0.25, RNG.standard_normal((9, 8, 10)).astype(np.float32))
    blocks = np.array([[0, 0, 0], [1, 0, 1]], dtype=np.int32)
    out = np.empty((2, EDGE, EDGE, EDGE), dtype=np.float32)
    origin = np.array([0.15, -0.1, 0.35])
    read_blocks(out, blocks, 0.1, grid.values, origin - grid.origin_mm, grid.spacing_mm)
    inner = np.stack(np.meshgrid(*[np.arange(EDGE)] * 3, indexing="ij"), axis=-1)
    points = origin + 0.1 * (EDGE * blocks[:, None, None, None] + inner)
    np.testing.assert_allclose(out.ravel(), sample(grid, points.reshape(-1, 3)), atol=1e-5)
    far = np.array([[40, 0, 0]], dtype=np.int32)
    read_blocks(out[:1], far, 0.1, grid.values, origin - grid.origin_mm, grid.spacing_mm)
    x = origin[0] + 0.1 * EDGE * 40
    edge = sample(grid, [[grid.origin_mm[0] + 2.0, origin[1], origin[2]]])[0]
    assert out[0, 0, 0, 0] == pytest.approx(edge + x - grid.origin_mm[0] - 2.0, abs=1e-4)


def surfaced(before, cut, time):
    blocks, places, own = in_blocks(before)
    cuts, times = in_blocks(cut)[0], in_blocks(time)[0]
    index = own.reshape([n // EDGE for n in before.shape])
    count, table = len(own), triangle_table()
    vertices, faces, lines = np.zeros(count, np.int32), np.zeros(count, np.int32), np.empty((count, 1536), np.int16)
    count_surface(blocks, cuts, own, own, places, index, 9.0, table, own, 0, count, vertices, faces, lines)
    starts, face_starts = (np.concatenate([[0], np.cumsum(c)]).astype(np.int32) for c in (vertices, faces))
    points, when = np.empty((starts[-1], 3)), np.empty(starts[-1], np.float32)
    triangles = np.empty((face_starts[-1], 3), np.int32)
    fill_vertices(blocks, cuts, times, own, own, places, index, 9.0, 1.0, lines, starts, own, 0, count, points, when)
    fill_faces(
        blocks, cuts, own, own, places, index, 9.0, table, lines, own, starts, face_starts, own, 0, count, triangles
    )
    return points, triangles, when


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_surface_of_one_field_is_that_of_the_usual_library(seed):
    # Source: skimage's marching cubes: the same vertices; inside the same volume but for how ambiguous cells are joined.
    field = smooth((24, 32, 24), seed)
    points, faces, when = surfaced(field, np.ones_like(field), np.zeros_like(field))
    theirs, their_faces, _, _ = marching_cubes(field, 0.0, gradient_direction="descent")
    order, their_order = np.lexsort(points.round(4).T), np.lexsort(theirs.round(4).T)
    np.testing.assert_allclose(points[order], theirs[their_order], atol=2e-4)
    assert np.isnan(when).all()

    def volume(v, f):
        return float(np.einsum("ij,ij->", v[f[:, 0]], np.cross(v[f[:, 1]], v[f[:, 2]]))) / 6.0

    assert volume(points, faces) == pytest.approx(
        abs(volume(theirs.astype(float), their_faces)), rel=1e-3
    )  # polygons are cut into other triangles


def test_where_two_surfaces_meet_the_nearer_crossing_counts_and_dates():
    # Source: by hand on one edge: `before` crosses at 0.75, minus the cut's distance at 0.25; the inner voxel's time is taken.
    before, cut, time = (np.full((8, 8, 8), v, dtype=np.float32) for v in (-3.0, 9.0, 5.0))
    before[4:], cut[4:] = 1.0, -3.0
    cut[:4] = 1.0
    points, _, when = surfaced(before, cut, time)
    np.testing.assert_allclose(points[:, 0], 3.25)
    assert (when == 5.0).all()


def test_what_is_missing_is_weighed_as_its_plain_twin_does():
    # Source: the same shares voxel by voxel in numpy.
    distance, before = (RNG.uniform(-0.1, 0.1, (3, 8, 8, 8)).astype(np.float32) for _ in range(2))
    time = RNG.uniform(0.0, 4.0, distance.shape).astype(np.float32)
    time[RNG.random(time.shape) < 0.1] = np.inf
    layers = RNG.uniform(-0.2, 0.2, (2, *distance.shape)).astype(np.float32)
    by_time, ends = np.zeros((3, 4)), np.tile([np.inf, -np.inf], (3, 1))
    removed(distance, time, before, layers, 0.05, 1.0, by_time, ends)

    def inside(d):
        return np.clip(0.5 - d.astype(float) / 0.05, 0.0, 1.0)

    whole = inside(before)
    gone = np.where(np.isfinite(time), np.maximum(whole - inside(np.maximum(before, -distance)), 0.0), 0.0) * 0.05**3
    within = np.minimum(inside(layers) / np.maximum(whole, 1e-12), 1.0)
    late = within[1]
    early = np.minimum(within[0], 1.0 - late)
    slot = np.where(np.isfinite(time), time, 0.0).astype(int)
    for n, share in enumerate((early, late, 1.0 - early - late)):
        expected = np.bincount(slot.ravel(), weights=(share * gone).ravel(), minlength=4)
        np.testing.assert_allclose(by_time[n], expected, atol=1e-9)
        chosen = time[(share > 0.5) & (gone > 0.0)]
        np.testing.assert_allclose(ends[n], [chosen.min(), chosen.max()])
