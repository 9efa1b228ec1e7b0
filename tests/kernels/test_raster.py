import itertools

import numpy as np
import pytest

from kerfmark.kernels.raster import averaged, crossings, greys, hollows, kept_corners, patches, rasterise, trace


def plain_rasterise(points, faces, values, height, width):
    """The slow plain twin: every pixel against every triangle, by barycentric coordinates from a linear solve."""
    depth = np.full((height, width), -np.inf)
    image = np.zeros((height, width, values.shape[1]))
    for row in range(height):
        for col in range(width):
            for face in faces:
                corners = points[face]
                system = np.vstack([corners[:, :2].T, np.ones(3)])
                (ax, ay), (bx, by), (cx, cy) = corners[:, :2]
                if (bx - ax) * (cy - ay) - (cx - ax) * (by - ay) >= 0:
                    continue
                share = np.linalg.solve(system, [col, row, 1.0])
                if share.min() >= -1e-12 and share @ corners[:, 2] > depth[row, col]:
                    depth[row, col] = share @ corners[:, 2]
                    image[row, col] = share @ values[face]
    return depth, image


def some_triangles(rng, count=12, size=20.0):
    points = rng.uniform(0, size, (3 * count, 3))
    faces = np.arange(3 * count, dtype=np.int32).reshape(-1, 3)
    return points, faces, rng.normal(size=(3 * count, 2)).astype(np.float32)


def test_each_pixel_shows_what_the_plain_twin_shows():
    # Source: second implementation (plain_rasterise). Depth and values are float32: 1e-4 of a 20 pixel scene.
    points, faces, values = some_triangles(np.random.default_rng(5))
    depth, image = rasterise(points, faces, values, 21, 24)
    plain_depth, plain_image = plain_rasterise(points, faces, values.astype(float), 21, 24)
    assert np.isfinite(depth).sum() > 50
    np.testing.assert_allclose(depth, plain_depth, atol=1e-4)
    np.testing.assert_allclose(image, plain_image, atol=1e-4)


def test_a_triangle_seen_from_behind_is_not_drawn():
    points = np.array([[1.0, 1.0, 0.0], [8.0, 1.0, 0.0], [1.0, 8.0, 0.0]])
    values = np.ones((3, 1), dtype=np.float32)
    behind, _ = rasterise(points, np.array([[0, 1, 2]], dtype=np.int32), values, 10, 10)
    front, _ = rasterise(points, np.array([[0, 2, 1]], dtype=np.int32), values, 10, 10)
    assert not np.isfinite(behind).any()
    assert np.isfinite(front).any()


def test_a_flat_floor_has_open_sky_and_the_foot_of_a_wall_has_not():
    # Source: geometry. A wall of height h seen from distance d hides an angle of sine h / sqrt(h² + d²) in its direction.
    depth = np.zeros((41, 41), dtype=np.float32)
    assert hollows(depth, 16).max() == 0.0
    depth[:, 30:] = 10.0
    shade = hollows(depth, 16)
    assert shade[20, 29] > shade[20, 25] > shade[20, 5] == 0.0
    assert shade[20, 29] == pytest.approx((10 / np.sqrt(101) + 2 * 10 / np.sqrt(102)) / 8, abs=1e-6)


def test_averaging_keeps_a_constant_and_shrinks_noise():
    rng = np.random.default_rng(2)
    side = 20
    here = np.arange(side * side).reshape(side, side)
    a, b, c, d = here[:-1, :-1].ravel(), here[:-1, 1:].ravel(), here[1:, 1:].ravel(), here[1:, :-1].ravel()
    faces = np.vstack([np.stack([a, b, c], 1), np.stack([a, c, d], 1)]).astype(np.int32)
    values = np.column_stack([np.full(side * side, 3.0), rng.normal(size=side * side)]).astype(np.float32)
    smooth = averaged(values, faces, 3)
    np.testing.assert_allclose(smooth[:, 0], 3.0, rtol=1e-6)
    assert smooth[:, 1].std() < 0.5 * values[:, 1].std()


def chains_of(field, level):
    ends, edges = crossings(field, level)
    points, starts = trace(ends, edges, 2 * field.size)
    return [points[a:b] for a, b in itertools.pairwise(starts)]


def test_the_contour_of_a_cone_is_a_circle():
    # Source: the level set of a distance is a circle; bilinear interpolation errs by at most about 1/8 of the curvature.
    rows, cols = np.mgrid[0:61, 0:61]
    field = (20.0 - np.hypot(cols - 30.2, rows - 29.7)).astype(np.float32)
    (ring,) = chains_of(field, 0.0)
    np.testing.assert_array_equal(ring[0], ring[-1])
    np.testing.assert_allclose(np.hypot(ring[:, 0] - 30.2, ring[:, 1] - 29.7), 20.0, atol=0.02)


def test_contours_cross_where_another_library_says():
    # Source: scikit-image's marching squares, same cells, same linear interpolation: the same set of crossing points.
    from skimage.measure import find_contours

    rng = np.random.default_rng(7)
    field = rng.normal(size=(12, 15)).astype(np.float32)
    ours = np.unique(np.vstack(chains_of(field, 0.1)).round(4), axis=0)
    theirs = np.vstack(find_contours(field.astype(float), 0.1))[:, ::-1]
    np.testing.assert_allclose(ours, np.unique(theirs.round(4), axis=0), atol=2e-4)


def test_every_short_line_is_used_once():
    rng = np.random.default_rng(11)
    field = rng.normal(size=(30, 30)).astype(np.float32)
    ends, _ = crossings(field, 0.0)
    chains = chains_of(field, 0.0)
    assert sum(len(chain) - 1 for chain in chains) == len(ends)
    drawn = sum(np.linalg.norm(np.diff(chain, axis=0), axis=1).sum() for chain in chains)
    assert drawn == pytest.approx(np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1).sum())


def test_a_simplified_line_stays_within_the_tolerance():
    # Source: definition. Every point left out lies within the tolerance of the line between its kept neighbours.
    along = np.linspace(0, 12, 400)
    points = np.column_stack([along * 10, 20 * np.sin(along)])
    keep = kept_corners(points, 0.2)
    assert 10 < keep.sum() < 120
    again = np.interp(points[:, 0], points[keep, 0], points[keep, 1])
    slope = np.abs(2 * np.cos(along)).max()
    assert np.abs(again - points[:, 1]).max() <= 0.2 * np.hypot(1, slope)


def test_patches_are_those_another_library_finds():
    # Source: scipy.ndimage.label with its default, the four edge neighbours.
    from scipy.ndimage import label

    inside = np.random.default_rng(4).random((40, 50)) > 0.55
    ours, (theirs, count) = patches(inside), label(inside)
    assert ours.max() == count
    assert len({(a, b) for a, b in zip(ours.ravel(), theirs.ravel(), strict=True)}) == count + 1


def test_averaging_is_what_the_plain_twin_gives():
    # Source: second implementation. Each edge counts once for each triangle at it; a vertex counts twice itself.
    rng = np.random.default_rng(8)
    faces = np.array([[0, 1, 2], [0, 2, 3], [2, 1, 4], [4, 5, 2]], dtype=np.int32)
    values = rng.normal(size=(6, 2)).astype(np.float32)
    plain = values.astype(float)
    for _ in range(2):
        weights = 2.0 * np.eye(6)
        for face in faces:
            for a, b in zip(face, np.roll(face, -1), strict=True):
                weights[a, b] += 1.0
                weights[b, a] += 1.0
        plain = weights @ plain / weights.sum(axis=1, keepdims=True)
    np.testing.assert_allclose(averaged(values, faces, 2), plain, atol=1e-6)


def test_each_grey_is_what_the_plain_twin_gives():
    # Source: second implementation on whole arrays; greys are whole even numbers, rounding may differ by one step of 2.
    rng = np.random.default_rng(9)
    normals = rng.normal(size=(8, 10, 3)).astype(np.float32)
    depth = np.where(rng.random((8, 10)) > 0.3, 1.0, -np.inf).astype(np.float32)
    shade = rng.uniform(0, 0.8, (4, 5)).astype(np.float32)
    light, eye = np.array([-0.5, 0.6, 0.62]), np.array([0.0, 0.0, 1.0])
    picture, facing = greys(depth, normals, shade, light, eye, 236.0)
    unit = normals / np.linalg.norm(normals, axis=2, keepdims=True)
    front = np.clip(unit @ eye, 0, None)
    sky = 1 - 0.62 * np.repeat(np.repeat(shade, 2, axis=0), 2, axis=1)
    grey = 236.0 * (0.60 + 0.28 * np.clip(0.5 + 0.5 * unit @ light, 0, None) ** 1.4 + 0.16 * front) * sky
    seen = np.isfinite(depth)
    assert np.abs(picture[..., 0][seen].astype(float) - np.clip(grey, 0, 255)[seen]).max() <= 2.0
    np.testing.assert_allclose(facing[seen], front[seen], atol=1e-5)
    assert np.all(picture[~seen] == 0)


def plain_hollows(depth, reach):
    """The slow plain twin of `hollows`."""
    height, width = depth.shape
    shade = np.zeros(depth.shape)
    ways = [(1, 0), (1, 1), (0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1)]
    for row, col in np.argwhere(np.isfinite(depth)):
        for dx, dy in ways:
            sines = [0.0]
            for out in (max(1, reach * n * n // 16) for n in range(1, 5)):
                r, c = row + dy * out, col + dx * out
                if not (0 <= r < height and 0 <= c < width and np.isfinite(depth[r, c])):
                    break
                rise = max(0.0, float(depth[r, c]) - float(depth[row, col]))
                sines.append(rise / np.hypot(rise, out * np.hypot(dx, dy)) if rise else 0.0)
            shade[row, col] += max(sines) / 8
    return shade


def test_hollows_are_what_the_plain_twin_gives():
    rng = np.random.default_rng(10)
    depth = rng.uniform(0, 9, (14, 17)).astype(np.float32)
    depth[rng.random(depth.shape) < 0.15] = -np.inf
    np.testing.assert_allclose(hollows(depth, 6), plain_hollows(depth, 6), atol=1e-5)
