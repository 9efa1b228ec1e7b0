"""The table of marching cubes, made from its rule rather than copied: which edges of a cell the triangles of each case join.

Corner c of a cell stands at (c & 1, c >> 1 & 1, c >> 2 & 1). Edge 3 c + a runs from corner c along axis a (only corners with 0
there have it). A case is the sum of 2^c over the corners inside. On a face whose inside corners stand across from each other,
each is cut off by itself: neighbouring cells then agree, and the surface has no holes.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["triangle_table"]

FACES = ((0, 2, 6, 4), (1, 5, 7, 3), (0, 4, 5, 1), (2, 3, 7, 6), (0, 1, 3, 2), (4, 6, 7, 5))
"""Corners of each face, clockwise seen from outside the cell."""


@cache
def triangle_table() -> NDArray[np.int8]:
    """(256, 16) edges of up to five triangles of each case, −1 beyond them; counter-clockwise seen from outside the material.

    Notes
    -----
    Source: Lorensen & Cline (1987), the loops of edges by walking round the faces; ambiguous faces as above.
    """
    table = np.full((256, 16), -1, dtype=np.int8)
    for case in range(256):
        edges = [
            edge for loop in _loops(case) for i in range(1, len(loop) - 1) for edge in (loop[0], loop[i], loop[i + 1])
        ]
        table[case, : len(edges)] = edges
    return table


def _loops(case: int) -> list[list[int]]:
    """Closed rounds of crossed edges."""
    follows: dict[int, int] = {}
    for face in FACES:
        inside = [bool(case >> corner & 1) for corner in face]
        crossed = [_edge(face[i], face[(i + 1) % 4]) for i in range(4)]
        for i in range(4):
            if (
                not inside[i - 1] and inside[i]
            ):  # the material is entered across edge i − 1; it is left across the next one out
                out = next(j % 4 for j in range(i, i + 4) if not inside[(j + 1) % 4])
                follows[crossed[out]] = crossed[i - 1]
    loops = []
    while follows:
        start, here = next(iter(follows.items()))
        loop = [start]
        del follows[start]
        while here != start:
            loop.append(here)
            here = follows.pop(here)
        loops.append(loop)
    return loops


def _edge(a: int, b: int) -> int:
    return 3 * min(a, b) + abs(a - b).bit_length() - 1
