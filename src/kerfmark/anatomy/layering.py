"""A tooth cut into enamel, dentine and pulp that tile it: shared faces are the same faces."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.grids import surface_of
from kerfmark.geometry.solids import Solid, difference, intersection
from kerfmark.records import FloatArray, Grid, IntArray, Surface

__all__ = ["core_surface", "cut_enamel", "with_cavity"]


def cut_enamel(outer: Surface, field: Grid, *, bottom_mm: float, edge_mm: float) -> tuple[Surface, Surface, Surface]:
    """The tooth cut along the enamel–dentine junction.

    Parameters
    ----------
    outer : Surface
        Closed.
    field : Grid
        Positive in enamel (`enamel.enamel_field`).
    bottom_mm : float, mm
        A level under the whole cervical line at which the field is negative inside the tooth and beside it.
    edge_mm : float, mm
        About the edge length of the junction.

    Returns
    -------
    whole, enamel, rest : Surface
        Closed, every edge with two faces. The last two share the junction's faces and together are the first.
    """
    whole = Solid.from_surface(outer, name="tooth")
    core = Solid.from_surface(core_surface(field, bottom_mm=bottom_mm, edge_mm=edge_mm), name="junction")
    enamel, rest = difference(whole, core).parts()[0], intersection(whole, core).parts()[0]
    return whole.surface(), enamel.surface(), rest.surface()


def core_surface(field: Grid, *, bottom_mm: float, edge_mm: float) -> Surface:
    """What the field is negative in, above a level, carried on downwards and outwards past any root, closed."""
    first = int(np.ceil((bottom_mm - field.origin_mm[2]) / field.spacing_mm))
    fine, spacing = _finer(field.values[:, :, first:], field.spacing_mm, edge_mm)
    cap = surface_of(Grid(field.origin_mm + np.array([0.0, 0.0, first * field.spacing_mm]), spacing, fine))
    return _skirted(cap, field.origin_mm[2] - 1.0)


def with_cavity(body: Surface, cavity: Surface) -> Surface:
    """A closed body with a closed cavity that lies inside it: the cavity's own faces, turned inside out."""
    vertices = np.vstack([body.vertices_mm, cavity.vertices_mm])
    faces = np.vstack([body.faces, cavity.faces[:, ::-1] + len(body.vertices_mm)])
    return Surface(vertices, np.ascontiguousarray(faces, dtype=np.int32))


def _finer(values: NDArray[np.float32], spacing_mm: float, edge_mm: float) -> tuple[NDArray[np.float32], float]:
    """Values on a grid halved until it is about as fine as an edge."""
    fine = np.asarray(values, dtype=np.float32)
    halvings = max(0, round(np.log2(spacing_mm / edge_mm)))
    for _ in range(halvings):
        for axis in range(3):
            fine = _doubled(fine, axis)
    return fine, spacing_mm / 2**halvings


def _doubled(values: NDArray[np.float32], axis: int) -> NDArray[np.float32]:
    """Values with one more halfway between each two along an axis: cubic (−1, 9, 9, −1) / 16, linear at the ends."""
    here = np.moveaxis(values, axis, 0)
    fine = np.empty((2 * len(here) - 1, *here.shape[1:]), dtype=np.float32)
    fine[::2] = here
    between = fine[1::2]
    np.add(here[:-1], here[1:], out=between)
    between *= 0.5
    between[1:-1] *= 1.125
    between[1:-1] -= 0.0625 * (here[:-3] + here[3:])
    return np.moveaxis(fine, 0, axis)


def _skirted(cap: Surface, floor_mm: float) -> Surface:
    """A cap open at its lower rim, closed by a skirt that spreads 3 mm below the rim, falls to a floor, and a fan."""
    rim = _open_edges(cap.faces)
    corners, ends = np.unique(rim, return_inverse=True)
    ends = ends.reshape(-1, 2)
    n, k = len(cap.vertices_mm), len(corners)
    upper = cap.vertices_mm[corners]
    middle = upper.mean(axis=0)
    wide = middle + (upper - middle) * [2.0, 2.0, 1.0] - [0.0, 0.0, 3.0]
    low = np.column_stack([wide[:, :2], np.full(k, floor_mm)])
    rings: list[NDArray[np.intp]] = [corners.astype(np.intp), n + np.arange(k), n + k + np.arange(k)]
    faces = [cap.faces]
    for ring, under in pairwise(rings):
        a, b, c, d = ring[ends[:, 0]], ring[ends[:, 1]], under[ends[:, 0]], under[ends[:, 1]]
        faces += [np.column_stack([b, a, c]), np.column_stack([b, c, d])]
    last = rings[2]
    faces.append(np.column_stack([last[ends[:, 1]], last[ends[:, 0]], np.full(len(ends), n + 2 * k)]))
    points: FloatArray = np.vstack([cap.vertices_mm, wide, low, [[middle[0], middle[1], floor_mm]]])
    return Surface(points, np.ascontiguousarray(np.vstack(faces), dtype=np.int32))


def _open_edges(faces: IntArray) -> IntArray:
    """Edges of one face only, as that face runs along them; (k, 2)."""
    edges = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2).astype(np.int64)
    key = edges.min(axis=1) << 32 | edges.max(axis=1)
    order = np.argsort(key, kind="stable")
    ranked = key[order]
    alone = np.ones(len(ranked), dtype=bool)
    alone[1:] &= ranked[1:] != ranked[:-1]
    alone[:-1] &= ranked[1:] != ranked[:-1]
    return edges[order[alone]].astype(np.int32)
