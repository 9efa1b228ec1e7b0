"""Properties of a surface: normals, areas, volume, bounds, parts. Health and mending stand in `geometry.mending`."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.geometry.edges import FaceEdges, boundary_loops, components, face_edges, part_of_faces, submesh
from kerfmark.geometry.frames import transform_points
from kerfmark.geometry.mending import Health, health, mend
from kerfmark.kernels import mesh as mesh_kernels
from kerfmark.kernels.arrays import read_only
from kerfmark.records import FloatArray, IntArray, Surface

__all__ = [
    "FaceEdges", "Health", "area_mm2", "boundary_loops", "bounds_mm", "components", "even_edge_mm", "face_areas_mm2", "face_edges",
    "face_normals", "health", "is_closed", "joined", "mend", "part_of_faces", "smoothed_vertices", "submesh", "transformed", "vertex_normals", "volume_mm3",
]  # fmt: skip


def face_normals(surface: Surface) -> FloatArray:
    """Unit normal of each face (m, 3), outward; 0 for a face without area."""
    normals: FloatArray = mesh_kernels.unit_normals(*_arrays(surface))
    return normals


def face_areas_mm2(surface: Surface) -> FloatArray:
    """Area of each face (m,), mm²."""
    areas: FloatArray = mesh_kernels.face_areas(*_arrays(surface))
    return areas


def vertex_normals(surface: Surface) -> FloatArray:
    """Unit normal of each vertex (n, 3): its faces' normals weighted by their angles there; 0 for an unused vertex.

    Notes
    -----
    Source: Thürmer & Wüthrich, Computing vertex normals from polygonal facets (1998).
    """
    vertices, faces = _arrays(surface)
    return _unit(mesh_kernels.corner_angle_normals(vertices, faces, face_normals(surface)))


def smoothed_vertices(surface: Surface, *, rounds: int) -> FloatArray:
    """Vertices (n, 3) as means of themselves and their neighbours, round after round.

    For saying which points of a noisy surface lie beside one another, not for measuring: edges are rounded off, and a vertex
    that no face uses is left where it is.

    Examples
    --------
    >>> points = np.array([[0.0, 0, 3], [1, 0, 0], [0, 1, 0], [-1, 0, 0], [0, -1, 0]])
    >>> tent = Surface(points, np.array([[0, 1, 2], [0, 2, 3], [0, 3, 4], [0, 4, 1]], np.int32))
    >>> round(float(smoothed_vertices(tent, rounds=1)[0, 2]), 3)
    1.0
    """
    points, faces = surface.vertices_mm, surface.faces
    count = len(points)
    uses = np.bincount(faces.ravel(), minlength=count)
    for _ in range(rounds):
        total = points[faces].sum(axis=1)
        around = np.column_stack(
            [np.bincount(faces.ravel(), np.repeat(t, 3), minlength=count) for t in np.ascontiguousarray(total.T)]
        )
        points = np.where(uses[:, None] > 0, around / np.maximum(3 * uses, 1)[:, None], points)
    return points


def area_mm2(surface: Surface) -> float:
    """Area of all faces, mm²."""
    return float(face_areas_mm2(surface).sum())


def even_edge_mm(surface: Surface) -> float:
    """Side of even triangles as large as a surface's median one, from a sample of them."""
    faces = surface.faces[:: max(1, len(surface.faces) // 5000)]
    a, b, c = (surface.vertices_mm[faces[:, i]] for i in range(3))
    areas = 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1)
    return float(np.sqrt(np.median(areas) * 4.0 / np.sqrt(3.0))) if len(faces) else 0.1


def volume_mm3(surface: Surface) -> float:
    """Volume inside a closed surface, mm³; negative where its faces look inwards.

    Examples
    --------
    >>> from kerfmark.geometry.solids import Solid
    >>> round(volume_mm3(Solid.box([0, 0, 0], [1, 2, 3]).surface()), 12)
    6.0
    """
    vertices, faces = _arrays(surface)
    middle = read_only(bounds_mm(surface).mean(axis=0), np.float64) if len(vertices) else np.zeros(3)
    return float(mesh_kernels.signed_volume(vertices, faces, read_only(middle, np.float64)))


def bounds_mm(surface: Surface) -> FloatArray:
    """Lowest and highest coordinates of the vertices, (2, 3) mm."""
    return np.array([surface.vertices_mm.min(axis=0), surface.vertices_mm.max(axis=0)])


def transformed(surface: Surface, matrix: ArrayLike) -> Surface:
    """The surface carried by a 4 × 4 matrix; a mirroring matrix also turns the faces, so that they stay outward."""
    matrix = np.asarray(matrix, dtype=float)
    mirrored = np.linalg.det(matrix[:3, :3]) < 0
    faces = np.ascontiguousarray(surface.faces[:, ::-1]) if mirrored else surface.faces
    return Surface(transform_points(matrix, surface.vertices_mm), faces)


def joined(surfaces: Iterable[Surface]) -> Surface:
    """All surfaces side by side in one, nothing merged."""
    surfaces = list(surfaces)
    if not surfaces:
        return Surface(np.empty((0, 3)), np.empty((0, 3), dtype=np.int32))
    shift = np.cumsum([0] + [len(s.vertices_mm) for s in surfaces])
    faces: list[IntArray] = [s.faces + np.int32(k) for s, k in zip(surfaces, shift, strict=False)]
    return Surface(np.concatenate([s.vertices_mm for s in surfaces]), np.concatenate(faces))


def is_closed(surface: Surface) -> bool:
    """Whether every edge is passed as often one way as the other, so that inside and outside can be told apart."""
    return len(surface.faces) > 0 and not face_edges(surface).balance.any()


def _arrays(surface: Surface) -> tuple[FloatArray, IntArray]:
    return read_only(surface.vertices_mm, np.float64), read_only(surface.faces, np.int32)


def _unit(vectors: FloatArray) -> FloatArray:
    lengths = np.linalg.norm(vectors, axis=1, keepdims=True)
    unit: FloatArray = np.divide(vectors, lengths, out=np.zeros_like(vectors), where=lengths > 0)
    return unit
