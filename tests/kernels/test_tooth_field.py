import numpy as np
import pytest

from kerfmark.kernels.tooth_field import field_at, nets_faces, nets_vertices, settle_signs

FAR_TABLE = np.full((12, 12), 50.0)


def barrel(points, *, half_x=3.0, half_y=3.0, heights=FAR_TABLE, roots=None, floor=-50.0):
    """The field of a straight barrel of elliptic section under a given table."""
    sections = np.zeros((60, 5))
    sections[:, 2], sections[:, 3] = half_x, half_y
    out = np.empty(len(points))
    field_at(
        np.ascontiguousarray(points, dtype=float), 1.0, np.zeros(3), np.array([-15.0, 0.5]), sections, np.ones((60, 90)),
        np.array([-5.5, -5.5, 1.0]), heights, np.empty((0, 60, 9)) if roots is None else roots,
        np.array([0.5, floor, 1.0, 0.5, 0.5, 2.0]), out,
    )  # fmt: skip
    return out


def test_a_round_barrel_has_the_distance_of_a_cylinder():
    # Source: distance from a cylinder, ρ − r.
    points = np.random.default_rng(1).uniform([-5, -5, -6], [5, 5, 6], (500, 3))
    assert barrel(points) == pytest.approx(np.hypot(points[:, 0], points[:, 1]) - 3.0, abs=1e-6)


def test_an_elliptic_barrel_is_level_over_gradient():
    # Plain twin: (ρ − 1) / |∇ρ| of the ellipse's level function ρ = √(x²/a² + y²/b²), out to 1.5 half widths.
    points = np.random.default_rng(2).uniform([-4, -2, -2], [4, 2, 2], (300, 3))
    x, y = points[:, 0], points[:, 1]
    rho = np.hypot(x / 3, y / 1.5)
    slope = np.hypot(x / 9, y / 2.25) / rho
    assert barrel(points, half_x=3.0, half_y=1.5) == pytest.approx((rho - 1) / slope, abs=1e-4)


def test_a_sloping_table_has_the_distance_of_a_plane():
    # Source: Hesse normal form of z = 2 + 0.3 x − 0.4 y; cubics reproduce planes, away from the rounding to the walls.
    i, j = np.meshgrid(np.arange(12) - 5.5, np.arange(12) - 5.5, indexing="ij")
    points = np.random.default_rng(3).uniform([-1, -1, 1.5], [1, 1, 3], (200, 3))
    plane = (points[:, 2] - 2 - 0.3 * points[:, 0] + 0.4 * points[:, 1]) / np.sqrt(1 + 0.3**2 + 0.4**2)
    assert barrel(points, heights=2 + 0.3 * i - 0.4 * j) == pytest.approx(plane, abs=1e-9)


def test_walls_and_table_join_by_the_polynomial_smooth_maximum():
    # Plain twin of max(a, b) + (k − |a − b|)² / 4k at points where wall and table are equally near.
    a = barrel([[2.9, 0.0, 1.9]], heights=np.full((12, 12), 2.0))
    assert a == pytest.approx(-0.1 + 0.5**2 / (4 * 0.5), abs=1e-9)


def test_a_straight_root_below_the_floor_is_a_cylinder():
    # Source: ρ − r about the root's own axis, far below the floor and above its apex.
    root = np.zeros((1, 60, 9))
    root[0, :, 0], root[0, :, 2:4], root[0, :, 5], root[0, :, 7:] = 1.0, 1.2, 1.0, (-1.0, -12.0)
    points = np.random.default_rng(4).uniform([-1, -2, -9], [3, 2, -8], (200, 3))
    assert barrel(points, roots=root, floor=-1.0) == pytest.approx(
        np.hypot(points[:, 0] - 1, points[:, 1]) - 1.2, abs=1e-6
    )


def slow_crossings(values):
    """Plain twin: for each cell, the mean of the linear crossings of its twelve edges."""
    found = {}
    for cell in np.ndindex(*(n - 1 for n in values.shape)):
        points = []
        for axis in range(3):
            for u in (0, 1):
                for v in (0, 1):
                    start = np.array(cell) + np.insert([u, v], axis, 0)
                    end = start + np.eye(3, dtype=int)[axis]
                    a, b = values[tuple(start)], values[tuple(end)]
                    if (a < 0) != (b < 0):
                        points.append(start + a / (a - b) * (end - start))
        if points:
            found[cell] = np.mean(points, axis=0)
    return found


def test_nets_place_one_vertex_in_each_crossed_cell_as_the_plain_twin_does():
    grid = np.stack(np.meshgrid(*[np.arange(9.0)] * 3, indexing="ij"), axis=-1)
    values = (np.linalg.norm(grid - [4.1, 3.9, 4.2], axis=-1) - 2.7).astype(np.float32)
    index = np.full(values.shape, -1, np.int32)
    vertices, _ = nets_vertices(values, index)
    slow = slow_crossings(values.astype(float))
    assert {tuple(c) for c in np.argwhere(index >= 0)} == set(slow)
    for cell, point in slow.items():
        assert vertices[index[cell]] == pytest.approx(point, abs=1e-6)


def test_nets_close_a_ball_and_turn_it_outwards():
    # Source: divergence theorem, 4/3 π r³; nets cut corners by less than 3 % at 8 cells per radius.
    grid = np.stack(np.meshgrid(*[np.arange(24.0)] * 3, indexing="ij"), axis=-1)
    values = (np.linalg.norm(grid - 11.6, axis=-1) - 8.0).astype(np.float32)
    index = np.full(values.shape, -1, np.int32)
    vertices, _ = nets_vertices(values, index)
    faces = nets_faces(values, index)
    corners = vertices[faces] - 11.6
    volume = np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])).sum() / 6
    assert volume == pytest.approx(4 / 3 * np.pi * 8.0**3, rel=0.03)
    edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    assert (np.unique(edges, axis=0, return_counts=True)[1] == 2).all()


def test_two_balls_that_touch_at_an_edge_are_joined_before_nets_are_cast():
    # Two inside corners across a chequered side: nets would meet along one edge, four faces on it.
    from kerfmark.anatomy.form.surface import tangled_patterns

    values = np.ones((6, 6, 6), np.float32)
    values[2, 2, 2] = values[3, 3, 2] = -1.0
    values[2, 3, 2] = 0.5
    assert settle_signs(values, tangled_patterns()) == 1
    assert values[2, 3, 2] < 0.0
    index = np.full(values.shape, -1, np.int32)
    nets_vertices(values, index)
    faces = nets_faces(values, index)
    edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    assert (np.unique(edges, axis=0, return_counts=True)[1] == 2).all()


def test_an_untangled_grid_keeps_its_values():
    from kerfmark.anatomy.form.surface import tangled_patterns

    grid = np.stack(np.meshgrid(*[np.arange(12.0)] * 3, indexing="ij"), axis=-1)
    values = (np.linalg.norm(grid - 5.4, axis=-1) - 3.0).astype(np.float32)
    before = values.copy()
    assert settle_signs(values, tangled_patterns()) == 0
    np.testing.assert_array_equal(values, before)
