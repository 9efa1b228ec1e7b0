"""The tree of boxes: complete, balanced, and each box around what it holds."""

from __future__ import annotations

import numpy as np
import pytest

from kerfmark.geometry.closest import BoxTree
from kerfmark.kernels import tree as kernels
from kerfmark.records import Surface


@pytest.mark.parametrize("count", [1, 2, 3, 5, 17, 1000])
def test_every_face_is_in_the_order_once_and_every_box_holds_its_faces(count):
    rng = np.random.default_rng(count)
    points = rng.normal(size=(3 * count, 3))
    tree = BoxTree(Surface(points, np.arange(3 * count, dtype=np.int32).reshape(-1, 3)))
    assert sorted(tree.order) == list(range(count))
    node = 0
    for level in range(tree.levels + 1):
        for i in range(1 << level):
            held = tree.corners[count * i >> level : count * (i + 1) >> level].reshape(-1, 3)
            if len(held):
                np.testing.assert_array_equal(tree.boxes[node], [*held.min(axis=0), *held.max(axis=0)])
            node += 1
    assert node == len(tree.boxes)


def test_sorting_splits_at_the_middle_of_the_longest_side():
    rng = np.random.default_rng(2)
    centres = rng.uniform(size=(1001, 3)) * [1, 9, 2]
    order = np.arange(1001, dtype=np.int32)
    kernels.sort_range(centres, order, 1001, 1, 0, 0)
    assert centres[order[:500], 1].max() <= centres[order[500:], 1].min()


def test_equal_centres_do_not_stall_the_sorting():
    centres, order = np.zeros((5000, 3)), np.arange(5000, dtype=np.int32)
    kernels.sort_range(centres, order, 5000, 10, 0, 0)
    assert sorted(order) == list(range(5000))


def test_centres_are_three_times_the_mean_of_the_corners(pebble):
    expected = pebble.vertices_mm[pebble.faces].sum(axis=1)
    np.testing.assert_allclose(kernels.triangle_centres(pebble.vertices_mm, pebble.faces), expected, atol=1e-12)
