"""Search kernels, each against a slow plain twin."""

from __future__ import annotations

import numpy as np
import pytest

from kerfmark.kernels import search
from kerfmark.kernels.arrays import read_only


def ball_grid(radius=3.0, spacing=0.5, half=5.0, band=3.0):
    """Signed distance of a ball about the origin: values, flags (all fixed), origin, spacing."""
    axis = np.arange(-half, half + spacing / 2, spacing)
    x, y, z = np.meshgrid(axis, axis, axis, indexing="ij")
    values = np.clip(np.sqrt(x * x + y * y + z * z) - radius, -band, band).astype(np.float32)
    flags = np.ones(values.shape, dtype=np.uint8)
    return read_only(values, np.float32), flags, read_only([-half] * 3, np.float64), spacing


def egg_grid(spacing=0.4):
    """A distance-like field of an egg with three different axes and a blunt end, so that one pose alone fits."""
    axis = np.arange(-5.0, 5.0 + spacing / 2, spacing)
    x, y, z = np.meshgrid(axis, axis, axis, indexing="ij")
    values = np.clip(egg(np.stack([x, y, z], axis=-1)), -3.0, 3.0).astype(np.float32)
    return read_only(values, np.float32), np.ones(values.shape, np.uint8), read_only([-5.0] * 3, np.float64), spacing


def egg(points):
    """Zero on the egg, about the distance near it."""
    scaled = points / (np.array([3.5, 2.4, 2.0]) * (1.0 + 0.08 * points[..., :1] + 0.05 * points[..., 1:2]))
    return (np.linalg.norm(scaled, axis=-1) - 1.0) * 2.4


def test_values_between_voxels_are_trilinear():
    # Source: scipy.ndimage.map_coordinates, order 1; gradients by central differences within a voxel, where the value
    # is linear along each axis. The kernel reckons in the grid's own float32: 1e-6.
    from scipy.ndimage import map_coordinates

    rng = np.random.default_rng(1)
    values = read_only(rng.standard_normal((6, 7, 8)), np.float32)
    origin = read_only([1.0, -2.0, 0.5], np.float64)
    places = np.floor(rng.random((200, 3)) * [5, 6, 7]) + 0.1 + 0.8 * rng.random((200, 3))
    points = origin + 0.25 * places
    distance, gradient = search.signed_distances(points, values, origin, 0.25)
    np.testing.assert_allclose(distance, map_coordinates(np.float64(values), places.T, order=1), atol=1e-6)
    for axis in range(3):
        step = np.zeros(3)
        step[axis] = 1e-2
        ahead = search.signed_distances(points + step, values, origin, 0.25)[0]
        behind = search.signed_distances(points - step, values, origin, 0.25)[0]
        np.testing.assert_allclose(gradient[:, axis], (ahead - behind) / 2e-2, atol=1e-4)


def test_outside_the_box_the_way_to_it_is_added():
    values, _, origin, spacing = ball_grid()
    far = np.array([[9.0, 0.0, 0.0]])
    distance, gradient = search.signed_distances(far, values, origin, spacing)
    # The box ends at x = 5, where the ball of radius 3 is 2 away.
    assert distance[0] == pytest.approx(2.0 + 4.0)
    np.testing.assert_allclose(gradient[0], [1.0, 0.0, 0.0])


def plain_penalty(distance, flag, rule):
    least = 0.0 if flag & 1 else rule[2]
    if distance > 0:
        return max(least, min(1.0, (distance / rule[1]) ** 2))
    most = rule[3] if flag & 2 else 1.0
    return least + (most - least) * min(1.0, (distance / rule[0]) ** 2)


def test_the_best_shift_is_that_of_trying_all():
    values, flags, origin, spacing = ball_grid()
    rng = np.random.default_rng(2)
    flags = rng.integers(0, 4, flags.shape).astype(np.uint8)
    points, shifts = rng.standard_normal((30, 3)), rng.standard_normal((1, 40, 3))
    rule, turn = np.array([0.5, 0.8, 0.3, 0.6]), np.eye(3).reshape(1, 9)
    poses, costs = search.best_shifts(points, turn, shifts, values, flags, origin, spacing, rule, 1)
    tried = []
    for shift in shifts[0]:
        voxel = np.floor((points + shift - origin) / spacing + 0.5).astype(int)
        at = [(float(values[tuple(v)]), int(flags[tuple(v)])) for v in voxel]
        tried.append(np.mean([plain_penalty(d, f, rule) for d, f in at]))
    assert costs[0] == pytest.approx(min(tried))
    np.testing.assert_array_equal(poses[0, 9:], shifts[0, int(np.argmin(tried))])


def test_a_turned_and_shifted_egg_is_brought_back():
    # The pose is the one applied; 20 µm is what a grid of 0.4 mm leaves on curvature of half a millimetre⁻¹.
    grid = egg_grid()
    rng = np.random.default_rng(3)
    ray = rng.standard_normal((600, 3))
    ray /= np.linalg.norm(ray, axis=1, keepdims=True)
    low, high = np.zeros(600), np.full(600, 4.9)
    for _ in range(50):
        middle = 0.5 * (low + high)
        outside = egg(ray * middle[:, None]) > 0
        low, high = np.where(outside, low, middle), np.where(outside, middle, high)
    points = ray * low[:, None]
    angle = np.radians(12.0)
    turn = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1.0]])
    start = np.concatenate([turn.reshape(9), [0.4, -0.3, 0.2]])[None]
    reaches = np.array([[1.5, 2.0, 1.0, 1.0]] * 6 + [[0.3, 0.3, 1.0, 1.0]] * 14)
    poses, costs = search.refine_poses(points, start, *grid, reaches, np.array([0.2, 0.2, 0.0, 1.0]))
    moved = points @ poses[0, :9].reshape(3, 3).T + poses[0, 9:]
    assert np.sqrt(np.mean((moved - points) ** 2)) < 0.05
    assert costs[0] < 0.05


def test_a_pose_close_to_a_better_one_is_left_out():
    poses = np.tile(np.concatenate([np.eye(3).reshape(9), np.zeros(3)]), (3, 1))
    poses[1, 9] = 0.1
    poses[2, 9] = 5.0
    kept = search.distinct_poses(poses, np.array([0.3, 0.2, 0.5]), np.zeros(3), 2.99, 0.5, 3)
    assert kept.tolist() == [1, 2]


def test_flags_near_points_are_cubes_about_them():
    origin, shape = read_only([0.0, 0.0, 0.0], np.float64), np.array([9, 9, 9], dtype=np.int32)
    flags = search.flag_near(np.array([[2.04, 2.0, 1.96]]), shape, origin, 0.5, 1)
    expected = np.zeros((9, 9, 9), dtype=np.uint8)
    expected[3:6, 3:6, 3:6] = 1
    np.testing.assert_array_equal(flags, expected)


def test_flags_inside_a_surface_are_those_of_its_formula():
    # Source: an icosphere is inscribed in its ball; voxels nearer to the sphere than its sagitta are left out of the comparison.
    import trimesh

    ball = trimesh.creation.icosphere(3, 3.0)
    flags = np.zeros((21, 21, 21), dtype=np.uint8)
    origin = np.array([-5.0 + 1.3e-5, -5.0 + 1.7e-5, -5.0])
    vertices, faces = read_only(ball.vertices, np.float64), read_only(ball.faces, np.int32)
    search.flag_inside(flags, 2, vertices, faces, origin, 0.5)
    axis = np.arange(-5.0, 5.1, 0.5)
    radius = np.sqrt(sum(c * c for c in np.meshgrid(axis, axis, axis, indexing="ij")))
    clear = np.abs(radius - 3.0) > 0.06
    np.testing.assert_array_equal((flags == 2)[clear], (radius < 3.0)[clear])


def test_stamped_distances_are_those_to_the_nearest_point():
    # Source: every voxel against every point.
    rng = np.random.default_rng(4)
    points = rng.random((25, 3)) * 3.0 + 1.0
    normals = rng.standard_normal((25, 3))
    origin, shape = np.zeros(3), np.array([11, 11, 11], dtype=np.int32)
    stamped = search.stamp_distances(points, normals, origin, 0.5, shape, 2)
    for voxel in np.ndindex(11, 11, 11):
        way = 0.5 * np.array(voxel) - points
        apart = np.linalg.norm(way, axis=1)
        within = (np.abs(np.array(voxel) - np.floor(points / 0.5 + 0.5)) <= 2).all(axis=1)
        nearest = int(np.where(within, apart, np.inf).argmin()) if within.any() else -1
        if nearest < 0 or apart[nearest] >= 1.0:
            assert stamped[voxel] == 1.0
        else:
            sign = -1.0 if way[nearest] @ normals[nearest] < 0 else 1.0
            assert stamped[voxel] == pytest.approx(sign * apart[nearest], abs=1e-6)
