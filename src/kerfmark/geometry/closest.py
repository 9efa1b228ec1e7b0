"""The point of a surface closest to a point; the tree of boxes that this and rays share."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfmark.errors import InputError
from kerfmark.kernels import closest as closest_kernels
from kerfmark.kernels import crossing as crossing_kernels
from kerfmark.kernels import tree as tree_kernels
from kerfmark.kernels.arrays import read_only
from kerfmark.records import FloatArray, IntArray, Surface

__all__ = ["BoxTree", "ClosestPoint", "self_intersections"]

LEAF_TRIANGLES = 8
THREADS = 2


class BoxTree:
    """Boxes over the triangles of a surface, built once: `boxes`, `levels`, `corners` (m, 9), `discs` (m, 7) and `order` (m,) of faces."""

    def __init__(self, surface: Surface) -> None:
        count = len(surface.faces)
        if count == 0:
            raise InputError("the surface has no faces, expected at least one. Give a surface with faces.")
        vertices, faces = read_only(surface.vertices_mm, np.float64), read_only(surface.faces, np.int32)
        self.levels = max(0, int(np.ceil(np.log2(count / LEAF_TRIANGLES))))
        self.order = _sorted_order(tree_kernels.triangle_centres(vertices, faces), self.levels)
        self.corners = tree_kernels.corners_in_order(vertices, faces, self.order)
        self.discs = closest_kernels.discs_around(self.corners)
        self.boxes = tree_kernels.fit_boxes(self.corners, self.levels)


class ClosestPoint:
    """Finds the closest point of `surface`, exactly (up to rounding), for any number of points.

    Examples
    --------
    >>> from kerfmark.records import Surface
    >>> triangle = Surface(np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]]), np.array([[0, 1, 2]], dtype=np.int32))
    >>> closest, distance, face = ClosestPoint(triangle).query([[0.25, 0.25, 3.0]], max_distance_mm=5.0)
    >>> closest[0].tolist(), float(distance[0]), int(face[0])
    ([0.25, 0.25, 0.0], 3.0, 0)
    """

    def __init__(self, surface: Surface) -> None:
        self.tree = BoxTree(surface)

    def query(self, points_mm: ArrayLike, *, max_distance_mm: float) -> tuple[FloatArray, FloatArray, IntArray]:
        """Closest points of the surface.

        Parameters
        ----------
        points_mm : (n, 3) float array, mm
        max_distance_mm : float
            Points farther away than this find nothing.

        Returns
        -------
        closest_mm : (n, 3) float array
            nan where nothing was found.
        distance_mm : (n,) float array
            inf where nothing was found.
        face : (n,) int32 array
            −1 where nothing was found.
        """
        points = read_only(points_mm, np.float64).reshape(-1, 3)
        n = len(points)
        closest, distance, face = np.empty((n, 3)), np.empty(n), np.empty(n, np.int32)
        tree = self.tree

        def fill(first: int, end: int) -> None:
            closest_kernels.closest_points(
                tree.boxes, tree.levels, tree.corners, tree.discs, tree.order, points, float(max_distance_mm), closest, distance,
                face, first, end,
            )  # fmt: skip

        _in_two(fill, n)
        return closest, distance, face


def _in_two(fill: Callable[[int, int], None], n: int) -> None:
    """Run `fill(first, end)` over 0 … n, on two threads where that is worth it."""
    if n < 2000:
        fill(0, n)
        return
    with ThreadPoolExecutor(THREADS) as pool:
        list(pool.map(fill, (0, n // 2), (n // 2, n)))


def _sorted_order(centres: FloatArray, levels: int) -> NDArray[np.int32]:
    """The order of the faces under the tree; the two halves are sorted side by side."""
    count = len(centres)
    order = np.arange(count, dtype=np.int32)
    if levels < 8:
        tree_kernels.sort_range(centres, order, count, levels, 0, 0)
        return order
    tree_kernels.sort_range(centres, order, count, 1, 0, 0)
    with ThreadPoolExecutor(THREADS) as pool:
        list(pool.map(lambda node: tree_kernels.sort_range(centres, order, count, levels, 1, node), (0, 1)))
    return order


def self_intersections(surface: Surface, *, budget: int = 20_000_000) -> int | None:
    """Pairs of faces that cut through each other; faces that share a corner, touch or lie in one plane do not count.

    Parameters
    ----------
    surface : Surface
    budget : int
        Most pairs looked at.

    Returns
    -------
    pairs : int or None
        None where the budget ran out.
    """
    tree = BoxTree(surface)
    faces = read_only(surface.faces, np.int32)
    found = crossing_kernels.count_crossings(tree.boxes, tree.levels, tree.corners, tree.order, faces, budget)
    return None if found < 0 else int(found)
