import numpy as np
import pytest
import scipy.ndimage
import trimesh

from kerfmark.kernels import columns
from kerfmark.records import Surface

from_numpy = np.random.default_rng


def solid(seed=3):
    """A lumpy closed surface with overhangs: a sphere pushed in and out."""
    ball = trimesh.creation.icosphere(subdivisions=3, radius=2.0)
    points = np.asarray(ball.vertices)
    points = points * (1.0 + 0.25 * np.sin(3.0 * points[:, [2]] + seed) * np.cos(2.0 * points[:, [0]]))
    return Surface(points, np.asarray(ball.faces, dtype=np.int32))


def crossings(surface, origin=(-3.0, -3.0), spacing=0.25, nx=25, ny=25):
    found = columns.find_crossings(surface.vertices_mm, surface.faces, np.array(origin), spacing, nx, ny)
    return columns.sort_crossings(*found, nx * ny)


def plain_crossings(surface, x, y):
    """Slow twin: every triangle against one column, by barycentric coordinates."""
    hits = []
    for a, b, c in surface.vertices_mm[surface.faces]:
        matrix = np.array([b[:2] - a[:2], c[:2] - a[:2]]).T
        if abs(np.linalg.det(matrix)) < 1e-15:
            continue
        u, v = np.linalg.solve(matrix, np.array([x, y]) - a[:2])
        if u >= 0 and v >= 0 and u + v <= 1:
            hits.append((a[2] + u * (b[2] - a[2]) + v * (c[2] - a[2]), np.linalg.det(matrix) > 0))
    return sorted(hits, reverse=True)


def test_crossings_are_those_of_the_plain_twin():
    surface = solid()
    starts, heights, upward = crossings(surface)
    for c in range(0, 625, 7):
        x, y = -3.0 + 0.25 * (c // 25), -3.0 + 0.25 * (c % 25)
        expected = plain_crossings(surface, x + 1e-9, y + 1e-9)  # a hair aside: the twin counts shared edges twice
        assert heights[starts[c] : starts[c + 1]] == pytest.approx([h for h, _ in expected], abs=1e-6)
        assert upward[starts[c] : starts[c + 1]].tolist() == [up for _, up in expected]


def test_a_closed_surface_is_entered_as_often_as_it_is_left_even_through_edges_and_corners():
    # A box on the lattice itself: columns run exactly through its edges, corners and diagonals.
    box = trimesh.creation.box(extents=[2.0, 2.0, 2.0])
    surface = Surface(np.asarray(box.vertices), np.asarray(box.faces, dtype=np.int32))
    starts, _, upward = crossings(surface)
    for c in range(625):
        ups = upward[starts[c] : starts[c + 1]]
        assert ups.sum() * 2 == len(ups)


def test_columns_through_a_box_hold_its_volume():
    # Half-open edges: 8 of 8 spacings of each side count, so the volume is exact on the lattice itself.
    box = trimesh.creation.box(extents=[2.0, 2.0, 2.0])
    surface = Surface(np.asarray(box.vertices), np.asarray(box.faces, dtype=np.int32))
    starts, heights, upward = crossings(surface)
    assert (np.where(upward, 1.0, -1.0) * heights).sum() * 0.25**2 == pytest.approx(8.0, abs=1e-9)
    assert starts[-1] == len(heights)


def inside(surface, z, starts, heights, upward, c):
    above = [
        (h, up)
        for h, up in zip(heights[starts[c] : starts[c + 1]], upward[starts[c] : starts[c + 1]], strict=True)
        if h > z
    ]
    return bool(above) and bool(min(above)[1])


@pytest.mark.parametrize("plan", [-2, -1, 1])
def test_lengths_removed_are_those_of_fine_steps_down_each_column(plan):
    # Slow twin: 4,000 steps down each column; each length errs by up to a step at each of its ends.
    subject, piece, target, low, high = (solid(s) for s in (3.0, 3.6, 3.3, 2.0, 1.0))
    small = [Surface(0.9 * s.vertices_mm - [0, 0, 0.3], s.faces) for s in (piece, target)]
    stack = [crossings(s) for s in (subject, *small, low, high)]
    offsets = np.cumsum([0] + [len(s[1]) for s in stack])
    starts = np.concatenate([s[0][:-1] + o for s, o in zip(stack, offsets, strict=False)] + [offsets[-1:]])
    grid = np.full((2, 2, 2), -1.0, np.float32)  # everywhere deep: every run counts
    lengths = columns.lengths_removed(
        starts, np.concatenate([s[1] for s in stack]), np.concatenate([s[2] for s in stack]), 5, 625, plan,
        grid, np.zeros((625, 3)), np.zeros(3), 0.05, True, 25, 2,
    )  # fmt: skip
    step = 8.0 / 4000
    for c in range(0, 625, 41):
        expected = np.zeros((3, 4))
        zs = 4.0 - step * (np.arange(4000) + 0.5)
        held = [np.array([inside(None, z, *s, c) for z in zs]) for s in stack]
        label = np.where(held[4], 2, np.where(held[3], 1, 0))
        of_plan = zs[held[0] & (label == plan + 1)] if plan >= 0 else np.array([])
        planned = ~held[2] if plan == -1 else zs > (of_plan.min() - step / 2 if len(of_plan) else np.inf)
        for n in np.flatnonzero(held[0]):
            expected[label[n], 2 * int(planned[n]) + int(not held[1][n])] += step
        assert lengths[:, :, c] == pytest.approx(expected, abs=8 * step)


def test_a_run_that_stays_shallow_is_not_a_cut():
    box = trimesh.creation.box(extents=[2.0, 2.0, 2.0])
    surface = Surface(np.asarray(box.vertices), np.asarray(box.faces, dtype=np.int32))
    lower = Surface(surface.vertices_mm - [0.0, 0.0, 0.04], surface.faces)
    stack = [crossings(surface), crossings(lower), (np.zeros(626, np.int64), np.empty(0), np.empty(0, bool))]
    offsets = np.cumsum([0] + [len(s[1]) for s in stack])
    starts = np.concatenate([s[0][:-1] + o for s, o in zip(stack, offsets, strict=False)] + [offsets[-1:]])
    shallow = np.full((2, 2, 2), -0.04, np.float32)
    lengths = columns.lengths_removed(
        starts, np.concatenate([s[1] for s in stack]), np.concatenate([s[2] for s in stack]), 3, 625, -2,
        shallow, np.zeros((625, 3)), np.zeros(3), 0.05, True, 25, 2,
    )  # fmt: skip
    assert lengths[:, 1].sum() == 0.0
    assert lengths.sum() * 0.25**2 == pytest.approx(8.0, rel=1e-6)


@pytest.mark.parametrize(("rounds", "counted"), [(0, [1.0, 0.0]), (1, [1.0, 1.0])])
def test_a_shallow_run_beside_a_cut_counts_over_the_heights_of_the_cut(rounds, counted):
    # A recess 1 mm high and 0.6 mm deep in a side at y = 1. What runs down its outermost column lies 0.25 mm deep only, from
    # z = −0.8 where the scan strays to z = 0.5; beside it the cut stands from −0.5 to 0.5.
    box = trimesh.creation.box(extents=[2.0, 2.0, 2.0])
    subject = Surface(np.asarray(box.vertices), np.asarray(box.faces, dtype=np.int32))
    tool = trimesh.creation.box(bounds=[[-3.0, 0.4, -0.5], [3.0, 3.0, 0.5]])
    stray = trimesh.creation.box(bounds=[[-3.0, 0.7, -0.8], [3.0, 3.0, 0.0]])
    cut = box.difference(tool).difference(stray)
    piece = Surface(np.asarray(cut.vertices), np.asarray(cut.faces, dtype=np.int32))
    stack = [crossings(subject), crossings(piece), (np.zeros(626, np.int64), np.empty(0), np.empty(0, bool))]
    offsets = np.cumsum([0] + [len(s[1]) for s in stack])
    starts = np.concatenate([s[0][:-1] + o for s, o in zip(stack, offsets, strict=False)] + [offsets[-1:]])
    depth = np.broadcast_to(np.array([[[-2.0], [0.0]]], np.float32), (2, 2, 2)).copy()  # y − 1, from y = −1 to 1
    feet = np.array([[0.0, 0.5 * (-3.0 + 0.25 * (c % 25) + 1.0), 0.0] for c in range(625)])
    lengths = columns.lengths_removed(
        starts, np.concatenate([s[1] for s in stack]), np.concatenate([s[2] for s in stack]), 3, 625, -2,
        depth, feet, np.zeros(3), 0.3, True, 25, rounds,
    )  # fmt: skip
    middle = 12 * 25  # x = 0
    assert lengths[0, 1, [middle + 14, middle + 15]] == pytest.approx(counted)
    assert lengths.sum() * 0.25**2 == pytest.approx(8.0, rel=1e-6)


def test_patches_are_those_of_another_library():
    # Source: scipy.ndimage.label with its default cross, which numbers in the same order.
    mask = from_numpy(5).random((60, 40)) < 0.55
    assert (columns.patches(mask) == scipy.ndimage.label(mask)[0]).all()


def test_what_lies_beside_patches_is_that_of_the_plain_twin():
    rng = from_numpy(5)
    for _ in range(20):
        gap, cut, inside = rng.random((14, 17)) < 0.25, rng.random((14, 17)) < 0.5, rng.random((14, 17)) < 0.9
        inside |= gap  # a gap is a column through the subject that the scan did not see
        number = columns.patches(gap)
        near, near_cut, at_edge = columns.beside_patches(number, cut, inside)
        for patch in range(1, number.max() + 1):
            hole = number == patch
            ring = scipy.ndimage.binary_dilation(hole, iterations=2) & ~gap
            assert near[patch] == ring.sum()
            assert near_cut[patch] == (ring & cut).sum()
            assert at_edge[patch] == (scipy.ndimage.binary_dilation(hole) & ~inside).any()
