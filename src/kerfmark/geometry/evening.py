"""Evening out the triangles of a surface to about one size, its points staying where they are and its creases sharp."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.edges import face_edges, submesh
from kerfmark.kernels import remeshing as kernels
from kerfmark.kernels.arrays import read_only
from kerfmark.records import FloatArray, Surface

__all__ = ["evened", "refined"]

LONG, SHORT = 4.0 / 3.0, 0.5
TOLERANCE_MM = 5e-4
ASTRAY_MM = 0.05
ROUNDS, PASSES = 3, 8


def evened(surface: Surface, edge_mm: float) -> Surface:
    """Nearly the same surface in triangles with sides of about `edge_mm`, without slivers where it is smooth.

    Edges longer than 4/3 of it are split, shorter than half of it collapsed, and edges are turned inside flat
    quadrangles. Every point lies on the old surface, and old points that are left out lie within about 1 µm of the new.

    Parameters
    ----------
    surface : Surface
        A border is kept.
    edge_mm : float

    Notes
    -----
    Source: splitting, collapsing and turning edges as in Botsch & Kobbelt, A remeshing approach to multiresolution
    modeling (2004), without their smoothing, which would move points off the surface.
    """
    even = _collapsed(surface, edge_mm)
    for _ in range(ROUNDS):
        even = _collapsed(_turned(refined(even, edge_mm)), edge_mm)
    return _laid_back(_turned(even), surface)


def _laid_back(even: Surface, surface: Surface) -> Surface:
    """Each point on the very surface again: what every round lets slip adds up, always towards the hollow side."""
    closest, distance, _ = ClosestPoint(surface).query(even.vertices_mm, max_distance_mm=ASTRAY_MM)
    points = np.where(np.isfinite(distance)[:, None], closest, even.vertices_mm)
    return Surface(points, even.faces)


def _turned(surface: Surface) -> Surface:
    """Edges turned inside flat quadrangles until nearly none is left to turn."""
    vertices = read_only(surface.vertices_mm, np.float64)
    faces, stirred = read_only(surface.faces, np.int32), np.ones(len(vertices), dtype=bool)
    for _ in range(PASSES):
        faces, stirred, turned = kernels.turn_pass(vertices, read_only(faces, np.int32), stirred, TOLERANCE_MM)
        if turned * 1000 < len(faces):
            break
    return Surface(surface.vertices_mm, faces)


def _collapsed(surface: Surface, edge_mm: float) -> Surface:
    """Short edges collapsed until nearly none that may is left."""
    vertices = read_only(surface.vertices_mm, np.float64)
    faces, stirred = read_only(surface.faces, np.int32), np.ones(len(vertices), dtype=bool)
    border = np.zeros(len(vertices), dtype=bool)
    for _ in range(PASSES):
        faces = read_only(faces, np.int32)
        start, held = kernels.faces_round(faces, len(vertices))
        ends, lengths = kernels.short_edges(vertices, faces, start, held, stirred, SHORT * edge_mm, border)
        ends = ends[np.argsort(lengths, kind="stable")]
        faces, stirred, gone = kernels.collapse_pass(
            vertices, faces, start, held, ends, border, LONG * edge_mm, TOLERANCE_MM
        )
        if gone * 500 < len(faces) + gone:
            break
    return submesh(Surface(surface.vertices_mm, faces), np.ones(len(faces), dtype=bool))


def refined(surface: Surface, edge_mm: float) -> Surface:
    """The same surface with every edge longer than 4/3 of `edge_mm` split in the middle until none is left."""
    while True:
        edges = face_edges(surface)
        a, b = surface.vertices_mm[edges.ends[:, 0]], surface.vertices_mm[edges.ends[:, 1]]
        long = np.linalg.norm(b - a, axis=1) > 4.0 / 3.0 * edge_mm
        if not long.any():
            return surface
        number = np.where(long, np.cumsum(long) - 1 + len(surface.vertices_mm), -1)
        vertices = np.concatenate([surface.vertices_mm, 0.5 * (a + b)[long]])
        surface = Surface(vertices, _split(surface.faces, number[edges.edge_of], vertices))


def _split(faces: NDArray[np.int32], middle: NDArray[np.int32], vertices: FloatArray) -> NDArray[np.int32]:
    """Faces cut at the middles (−1: none) of their sides into 1, 2, 3 or 4."""
    cut = middle >= 0
    cuts = cut.sum(axis=1)
    turn = np.zeros(len(faces), dtype=int)
    turn[cuts == 1] = np.argmax(cut[cuts == 1], axis=1)
    turn[cuts == 2] = (np.argmin(cut[cuts == 2], axis=1) + 1) % 3
    index = (np.arange(3) + turn[:, None]) % 3
    v, m = np.take_along_axis(faces, index, 1), np.take_along_axis(middle, index, 1)
    one, two, three = v[cuts == 1], v[cuts == 2], v[cuts == 3]
    m1, m2, m3 = m[cuts == 1], m[cuts == 2], m[cuts == 3]
    pieces = [v[cuts == 0], np.column_stack([one[:, 0], m1[:, 0], one[:, 2]]), np.column_stack([m1[:, 0], one[:, 1:]])]
    if len(two):
        pieces += _split_in_three(two, m2, vertices)
    pieces += [
        np.column_stack([three[:, 0], m3[:, 0], m3[:, 2]]), np.column_stack([m3[:, 0], three[:, 1], m3[:, 1]]),
        np.column_stack([m3[:, 2], m3[:, 1], three[:, 2]]), m3,
    ]  # fmt: skip
    return np.ascontiguousarray(np.concatenate(pieces), dtype=np.int32)


def _split_in_three(v: NDArray[np.int32], m: NDArray[np.int32], vertices: FloatArray) -> list[NDArray[np.int32]]:
    """Sides 0 and 1 are cut: the corner between them comes off, and what is left is cut along its shorter diagonal."""
    corner = np.column_stack([m[:, 0], v[:, 1], m[:, 1]])
    across = np.linalg.norm(vertices[m[:, 0]] - vertices[v[:, 2]], axis=1)
    other = np.linalg.norm(vertices[v[:, 0]] - vertices[m[:, 1]], axis=1)
    p, q = across <= other, across > other
    return [
        corner,
        np.column_stack([v[p, 0], m[p, 0], v[p, 2]]), np.column_stack([m[p, 0], m[p, 1], v[p, 2]]),
        np.column_stack([v[q, 0], m[q, 0], m[q, 1]]), np.column_stack([v[q, 0], m[q, 1], v[q, 2]]),
    ]  # fmt: skip
