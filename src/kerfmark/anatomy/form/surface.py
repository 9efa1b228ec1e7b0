"""Closed surfaces out of fields, by surface nets on the cells the surface runs through."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.tooth_field import nets_faces, nets_vertices, settle_signs
from kerfmark.records import FloatArray, Surface

if TYPE_CHECKING:
    from kerfmark.anatomy.form.tooth import ToothForm

__all__ = ["outer_surface", "zero_surface"]

BLOCK = 4
IN_CELL = 0.01
"""How far, in edges, a vertex stays inside its own cell: no two vertices then come to lie in one place."""


def outer_surface(form: ToothForm, *, edge_mm: float = 0.1) -> Surface:
    """The closed outer surface of a tooth, crown and roots, tooth frame.

    Parameters
    ----------
    form : ToothForm
    edge_mm : float
        About the length of a triangle's edge.

    Notes
    -----
    Source: surface nets (Gibson 1998), vertices put back on the zero set by two Newton steps. Right and left are made
    from one surface, so twins are mirror images to the bit.
    """
    flip = np.array([form.mesial_sign, 1.0, 1.0])
    bounds = np.sort(form.bounds_mm * flip, axis=0)
    surface = zero_surface(lambda points: form.field(points * flip), bounds_mm=bounds, edge_mm=edge_mm)
    if form.mesial_sign > 0:
        return surface
    return Surface(surface.vertices_mm * flip, np.ascontiguousarray(surface.faces[:, ::-1]))


def zero_surface(field: Callable[[FloatArray], FloatArray], *, bounds_mm: FloatArray, edge_mm: float) -> Surface:
    """The surface on which `field` (negative inside, mm near its zeros) vanishes, within a box it does not touch."""
    origin = np.asarray(bounds_mm[0], dtype=float)
    blocks = np.ceil((bounds_mm[1] - origin) / (BLOCK * edge_mm)).astype(np.int64)
    values = _narrow_band(field, origin, blocks, edge_mm)
    settle_signs(values, tangled_patterns())
    index = np.full(values.shape, -1, np.int32)
    cells, gradients = nets_vertices(values, index)
    faces = nets_faces(values, index)
    low = origin + edge_mm * (np.argwhere(index >= 0) + IN_CELL)
    high = low + edge_mm * (1.0 - 2.0 * IN_CELL)
    vertices = np.clip(origin + edge_mm * cells, low, high)
    gradients /= edge_mm
    steepness = np.maximum((gradients**2).sum(axis=1), 0.05)
    for _ in range(2):
        vertices -= (field(vertices) / steepness)[:, None] * gradients
        np.clip(vertices, low, high, out=vertices)
    return Surface(vertices, faces)


@cache
def tangled_patterns() -> NDArray[np.bool_]:
    """Which of the 256 patterns of inside corners one sheet cannot pass: a chequered side, or corners in two groups."""
    return np.array([_tangled({c for c in range(8) if pattern >> c & 1}) for pattern in range(256)])


def _tangled(inside: set[int]) -> bool:
    outside = set(range(8)) - inside
    for axis in (1, 2, 4):
        u, v = (a for a in (1, 2, 4) if a != axis)
        for corner in (0, axis):
            side = [corner, corner | u, corner | u | v, corner | v]
            if [c in inside for c in side] in ([True, False, True, False], [False, True, False, True]):
                return True
    return not (_connected(inside) and _connected(outside))


def _connected(corners: set[int]) -> bool:
    if not corners:
        return True
    reached = {min(corners)}
    for _ in range(8):
        reached |= {c ^ axis for c in reached for axis in (1, 2, 4)} & corners
    return reached == corners


def _grid(origin: FloatArray, counts: NDArray[np.int64], step: float) -> FloatArray:
    axes = [origin[a] + step * np.arange(counts[a]) for a in range(3)]
    return np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)


def _narrow_band(
    field: Callable[[FloatArray], FloatArray], origin: FloatArray, blocks: NDArray[np.int64], edge_mm: float
) -> NDArray[np.float32]:
    """Field values on the grid: exact in blocks the surface may cross, a block corner's value elsewhere."""
    coarse = field(_grid(origin, blocks + 1, BLOCK * edge_mm)).reshape(blocks + 1)
    corners = [
        coarse[i : i + blocks[0], j : j + blocks[1], k : k + blocks[2]] for i in (0, 1) for j in (0, 1) for k in (0, 1)
    ]
    nearest, signs = np.min(np.abs(corners), axis=0), np.sum(np.signbit(corners), axis=0)
    crossed = (nearest < 0.9 * BLOCK * edge_mm) | ((signs > 0) & (signs < 8))
    values = np.repeat(np.repeat(np.repeat(coarse[:-1, :-1, :-1], BLOCK, 0), BLOCK, 1), BLOCK, 2).astype(np.float32)
    starts = np.argwhere(crossed) * BLOCK
    offsets = np.stack(np.meshgrid(*[np.arange(BLOCK)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    at = (starts[:, None, :] + offsets).reshape(-1, 3)
    values[tuple(at.T)] = field(origin + edge_mm * at)
    return values
