"""How the faces of a surface hang together: edges, borders, connected parts."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels import mesh as mesh_kernels
from kerfmark.kernels.arrays import read_only
from kerfmark.records import FloatArray, IntArray, Surface

__all__ = ["FaceEdges", "boundary_loops", "components", "face_edges", "part_of_faces", "submesh"]


@dataclass(frozen=True, slots=True, eq=False)
class FaceEdges:
    """The edges of a surface.

    Attributes
    ----------
    edge_of : (m, 3) int32 array
        The edge of each side; side k runs from corner k to corner k + 1.
    ends : (e, 2) int32 array
        Lower and higher vertex.
    count : (e,) int32 array
        Faces on the edge: 1 on a border, 2 inside, more where the surface branches.
    balance : (e,) int32 array
        How many more faces run from the lower to the higher vertex than back; 0 where neighbours agree.
    first_two : (e, 2) int32 array
        The first two faces on it, −1 where there is no second.
    """

    edge_of: IntArray
    ends: IntArray
    count: IntArray
    balance: IntArray
    first_two: IntArray


def face_edges(surface: Surface) -> FaceEdges:
    """The edges of a surface and the faces on them."""
    return FaceEdges(*mesh_kernels.edges_of_faces(read_only(surface.faces, np.int32), len(surface.vertices_mm)))


def submesh(surface: Surface, face_mask: NDArray[np.bool_]) -> Surface:
    """The faces of `face_mask` (m,) alone, with the vertices they use."""
    faces = surface.faces[np.asarray(face_mask, dtype=bool)]
    used = np.zeros(len(surface.vertices_mm), dtype=bool)
    used[faces] = True
    number = np.cumsum(used, dtype=np.int32) - np.int32(1)
    return Surface(np.ascontiguousarray(surface.vertices_mm[used]), np.ascontiguousarray(number[faces], dtype=np.int32))


def part_of_faces(surface: Surface) -> IntArray:
    """(m,) number of the connected part (of faces that share an edge) each face belongs to, from 0."""
    edges = face_edges(surface)
    found: IntArray = mesh_kernels.label_faces(edges.edge_of, len(edges.ends))[0]
    return found


def components(surface: Surface) -> tuple[Surface, ...]:
    """The connected parts of a surface (faces that share an edge), the one with the largest area first."""
    edges = face_edges(surface)
    label, parts = mesh_kernels.label_faces(edges.edge_of, len(edges.ends))
    if parts <= 1:
        return (surface,) if parts else ()
    face_areas = mesh_kernels.face_areas(read_only(surface.vertices_mm, np.float64), read_only(surface.faces, np.int32))
    areas = np.bincount(label, weights=face_areas, minlength=parts)
    order = np.argsort(label, kind="stable")
    cuts = np.searchsorted(label[order], np.arange(parts + 1))
    return tuple(_taken(surface, order[cuts[part] : cuts[part + 1]]) for part in np.argsort(-areas, kind="stable"))


def _taken(surface: Surface, faces: NDArray[np.int64]) -> Surface:
    """The numbered faces alone, at a cost that goes with their number."""
    used, number = np.unique(surface.faces[faces], return_inverse=True)
    return Surface(
        np.ascontiguousarray(surface.vertices_mm[used]), np.ascontiguousarray(number.reshape(-1, 3), dtype=np.int32)
    )


def boundary_loops(surface: Surface) -> tuple[FloatArray, ...]:
    """The closed loops of border edges, longest first, each (k, 3) mm without repeating its first point.

    They run as the faces beside them do: counter-clockwise around the faces, seen from outside.
    """
    loops = [surface.vertices_mm[loop] for loop in border_vertices(surface, face_edges(surface))]
    return tuple(sorted(loops, key=lambda p: -float(np.linalg.norm(p - np.roll(p, 1, axis=0), axis=1).sum())))


def border_vertices(surface: Surface, edges: FaceEdges) -> list[IntArray]:
    """The vertices of each border loop."""
    sides = np.argwhere(edges.count[edges.edge_of] == 1)
    begin = surface.faces[sides[:, 0], sides[:, 1]]
    end = surface.faces[sides[:, 0], (sides[:, 1] + 1) % 3]
    loops, starts = mesh_kernels.border_loops(
        read_only(begin, np.int32), read_only(end, np.int32), len(surface.vertices_mm)
    )
    return [loops[a:b] for a, b in itertools.pairwise(starts)]
