"""Where rays meet a surface; the surface may be open."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.errors import InputError
from kerfmark.geometry.closest import BoxTree
from kerfmark.geometry.frames import as_direction
from kerfmark.kernels import rays as ray_kernels
from kerfmark.kernels.arrays import read_only
from kerfmark.records import FloatArray, IntArray, Surface

__all__ = ["RayCaster"]

SAME_CROSSING_MM = 1e-9


class RayCaster:
    """Casts rays at `surface`. A ray through a shared side or corner never slips through.

    Parameters
    ----------
    surface : Surface
        May be open.
    tree : BoxTree, optional
        The boxes of the same surface, where they are there already (`ClosestPoint(surface).tree`).

    Examples
    --------
    >>> from kerfmark.records import Surface
    >>> triangle = Surface(np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]]), np.array([[0, 1, 2]], dtype=np.int32))
    >>> distance, face = RayCaster(triangle).first_hit([[0.2, 0.2, 3.0], [9, 9, 9]], [0, 0, -1], max_mm=10.0)
    >>> distance.tolist(), face.tolist()
    ([3.0, nan], [0, -1])
    """

    def __init__(self, surface: Surface, *, tree: BoxTree | None = None) -> None:
        self.tree = tree if tree is not None else BoxTree(surface)

    def first_hit(
        self, origins_mm: ArrayLike, directions: ArrayLike, *, max_mm: float = np.inf
    ) -> tuple[FloatArray, IntArray]:
        """The first face that each ray meets.

        Parameters
        ----------
        origins_mm : (n, 3) float array, mm
        directions : (n, 3) or (3,) float array
            Any length but zero.
        max_mm : float
            How far a ray reaches.

        Returns
        -------
        distance_mm : (n,) float array
            nan where the ray missed.
        face : (n,) int32 array
            −1 where the ray missed.

        Raises
        ------
        InputError
            If a direction has no length.
        """
        origins = read_only(origins_mm, np.float64).reshape(-1, 3)
        units = np.broadcast_to(np.asarray(directions, dtype=float), origins.shape)
        lengths = np.linalg.norm(units, axis=1, keepdims=True)
        if not (np.isfinite(lengths).all() and (lengths > 0).all()):
            raise InputError("a ray's direction is not finite or all 0, expected a vector with a length. Correct it.")
        tree = self.tree
        units = read_only(units / lengths, np.float64)
        return ray_kernels.first_hits(tree.boxes, tree.levels, tree.corners, tree.order, origins, units, float(max_mm))

    def crossings(self, origin_mm: ArrayLike, direction: ArrayLike) -> tuple[FloatArray, IntArray]:
        """Every place where one ray meets the surface, nearest first.

        Returns
        -------
        distance_mm : (k,) float array
            Along the ray; a side or corner shared by several faces counts once.
        face : (k,) int32 array
        """
        tree = self.tree
        origin = read_only(origin_mm, np.float64).reshape(3)
        unit = read_only(as_direction(direction, name="direction"), np.float64)
        distance, face = ray_kernels.all_hits(tree.boxes, tree.levels, tree.corners, tree.order, origin, unit)
        order = np.lexsort((face, distance))
        distance, face = distance[order], face[order]
        keep = np.ones(len(distance), dtype=bool)
        keep[1:] = np.diff(distance) > SAME_CROSSING_MM
        return distance[keep], face[keep]

    def length_inside_mm(self, start_mm: ArrayLike, end_mm: ArrayLike) -> float:
        """How much of a straight line from one point to another lies inside a closed surface.

        Examples
        --------
        >>> from kerfmark.geometry.solids import Solid
        >>> box = RayCaster(Solid.box([-1, -1, -4], [1, 1, 0]).surface())
        >>> [round(box.length_inside_mm([0.2, 0.1, top], [0.2, 0.1, top - 3.0]), 6) for top in (0.0, 2.0, 5.0, -2.0)]
        [3.0, 1.0, 0.0, 2.0]
        """
        start, end = np.asarray(start_mm, dtype=float), np.asarray(end_mm, dtype=float)
        length = float(np.linalg.norm(end - start))
        # Beyond the last crossing a ray is outside; before it inside, and so on back to the start.
        distance, _face = self.crossings(start, end - start)
        ends = np.concatenate([distance[::-1], [0.0]]) if len(distance) % 2 else distance[::-1]
        spans = np.clip(ends.reshape(-1, 2), 0.0, length)
        return float((spans[:, 0] - spans[:, 1]).sum())
