"""What is wrong with a mesh, and mending what is harmless: faults that a file picks up on its way and that no cut made."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.closest import self_intersections
from kerfmark.geometry.edges import FaceEdges, border_vertices, face_edges, submesh
from kerfmark.kernels import mesh as mesh_kernels
from kerfmark.kernels.arrays import read_only
from kerfmark.records import FloatArray, IntArray, Remark, Surface

__all__ = ["Health", "health", "mend", "merged"]

NO_AREA_MM2 = 1e-12
PINHOLE_EDGES = 12
PINHOLE_MM = 0.5
DUST_MM = 1.0
FLAT = 0.01


@dataclass(frozen=True, slots=True)
class Health:
    """What was found in a mesh, counted before anything was mended.

    Attributes
    ----------
    open_edges : int
        Edges with one face: borders and holes.
    non_manifold_edges : int
        Edges with three faces or more.
    flipped_faces : int
        Faces turned against most of their part, or all faces of a part that was inside out.
    components : int
        Parts that hang together through edges.
    duplicate_faces : int
        Faces on the same three vertices as an earlier one.
    degenerate_faces : int
        Faces without area.
    pinholes : int
        Border loops of at most 12 edges and less than 0.5 mm across.
    self_intersections : int or None
        Pairs of faces that cut through each other; None where this was not looked for.
    """

    open_edges: int
    non_manifold_edges: int
    flipped_faces: int
    components: int
    duplicate_faces: int
    degenerate_faces: int
    pinholes: int
    self_intersections: int | None = None

    @property
    def closed(self) -> bool:
        """Whether the surface had no border and did not branch."""
        return self.open_edges == 0 and self.non_manifold_edges == 0


def health(surface: Surface, *, look_for_self_intersections: bool = False) -> Health:
    """What is wrong with a surface; pairs of faces that cut through each other are counted only when asked for."""
    found = mend(surface)[1]
    return replace(found, self_intersections=self_intersections(surface)) if look_for_self_intersections else found


def mend(surface: Surface, *, where: str = "surface", merge: bool = True) -> tuple[Surface, Health, tuple[Remark, ...]]:
    """A surface without its harmless faults: equal vertices merged, doubled faces and faces without area dropped, turned
    faces turned back, pinholes closed.

    Parameters
    ----------
    surface : Surface
    where : str
        What the remarks call it.
    merge : bool
        Make vertices at the same place one first; not needed for what `read_mesh_file` returns.

    Returns
    -------
    mended : Surface
    found : Health
        Counted before mending.
    remarks : tuple of Remark
        Code `mesh-mended`, one for each kind of fault.
    """  # noqa: D205
    surface = merged(surface) if merge else surface
    surface, no_area = _without_thin_faces(surface)
    surface, edges, doubled = _without_doubles(surface, face_edges(surface))
    label, parts = mesh_kernels.label_faces(edges.edge_of, len(edges.ends))
    surface, turned = _turned_outward(surface, edges, label, int(parts))
    edges = face_edges(surface) if turned else edges
    found = Health(
        open_edges=int(np.count_nonzero(edges.count == 1)),
        non_manifold_edges=int(np.count_nonzero(edges.count > 2)),
        flipped_faces=turned,
        components=int(parts),
        duplicate_faces=doubled,
        degenerate_faces=no_area,
        pinholes=0,
    )
    surface, closed = _without_pinholes(surface, edges, label, int(parts)) if found.open_edges else (surface, 0)
    found = replace(found, pinholes=closed)
    return surface, found, _remarks(found, where)


def _remarks(found: Health, where: str) -> tuple[Remark, ...]:
    said = (
        (found.degenerate_faces, "face without area dropped", "faces without area dropped"),
        (found.duplicate_faces, "doubled face dropped", "doubled faces dropped"),
        (found.flipped_faces, "turned face turned back", "turned faces turned back"),
        (found.pinholes, "pinhole closed", "pinholes closed"),
    )
    return tuple(Remark("mesh-mended", where, f"{n} {one if n == 1 else many}") for n, one, many in said if n)


def merged(surface: Surface) -> Surface:
    """The surface with vertices at exactly the same place made one, and unused ones left out."""
    words = np.ascontiguousarray(surface.vertices_mm + 0.0).view(np.uint64)
    number, distinct = mesh_kernels.first_of_equal(read_only(words, np.uint64))
    if distinct == len(number):
        return _used_only(surface)
    first = np.empty(distinct, dtype=np.int64)
    first[number[::-1]] = np.arange(len(number))[::-1]
    return _used_only(Surface(surface.vertices_mm[first], number[surface.faces]))


def _used_only(surface: Surface) -> Surface:
    used = np.zeros(len(surface.vertices_mm), dtype=bool)
    used[surface.faces] = True
    return surface if used.all() else submesh(surface, np.ones(len(surface.faces), dtype=bool))


def _without_thin_faces(surface: Surface) -> tuple[Surface, int]:
    """Faces without area dropped, but for those that close a seam between their neighbours; and how many were dropped."""
    thin = _areas(surface) <= NO_AREA_MM2
    if not thin.any():
        return surface, 0
    f, edges = surface.faces, face_edges(surface)
    repeated = (f[:, 0] == f[:, 1]) | (f[:, 1] == f[:, 2]) | (f[:, 2] == f[:, 0])
    seam = (edges.count[edges.edge_of] == 2).all(axis=1)
    drop = repeated | (thin & ~seam)
    return submesh(surface, ~drop) if drop.any() else surface, int(np.count_nonzero(drop))


def _without_doubles(surface: Surface, edges: FaceEdges) -> tuple[Surface, FaceEdges, int]:
    """Faces on the same vertices as an earlier one dropped; only a mesh that branches or lies on itself can have any."""
    a, b, c = (edges.first_two[edges.edge_of[:, k]] for k in range(3))
    twins = (a == b).all(axis=1) & (b == c).all(axis=1)
    if not (edges.count > 2).any() and not (twins & (a[:, 1] >= 0)).any():
        return surface, edges, 0
    number, distinct = mesh_kernels.first_of_equal(read_only(np.sort(surface.faces, axis=1), np.uint64))
    doubled = len(number) - int(distinct)
    if not doubled:
        return surface, edges, 0
    keep = np.zeros(len(number), dtype=bool)
    keep[np.unique(number, return_index=True)[1]] = True
    surface = submesh(surface, keep)
    return surface, face_edges(surface), doubled


def _turned_outward(surface: Surface, edges: FaceEdges, label: IntArray, parts: int) -> tuple[Surface, int]:
    """Faces turned so that neighbours agree and each part looks outwards; and how many were turned."""
    areas, faces = _areas(surface), surface.faces
    turn = np.zeros(len(faces), dtype=bool)
    if np.any((edges.count == 2) & (edges.balance != 0)):
        turn = mesh_kernels.turn_consistently(
            read_only(faces, np.int32), edges.edge_of, edges.count, edges.first_two, areas
        )
        faces = np.ascontiguousarray(np.where(turn[:, None], faces[:, ::-1], faces))
        edges = face_edges(Surface(surface.vertices_mm, faces))
    inward = _inside_out(Surface(surface.vertices_mm, faces), edges, areas, label, parts)
    turn = turn if inward is None else turn ^ inward
    if not turn.any():
        return surface, 0
    faces = np.where(turn[:, None], surface.faces[:, ::-1], surface.faces)
    return Surface(surface.vertices_mm, np.ascontiguousarray(faces, dtype=np.int32)), int(np.count_nonzero(turn))


def _inside_out(
    surface: Surface, edges: FaceEdges, areas: FloatArray, label: IntArray, parts: int
) -> NDArray[np.bool_] | None:
    """Faces of parts that look inwards: what they enclose, seen from the middle of their border, is clearly negative.

    A part inside another one's box may be a cavity and is left alone; so is a part too flat to tell.
    """
    area, volume, box = mesh_kernels.part_sums(*_arrays(surface), areas, edges.edge_of, edges.count, label, parts)
    suspect = volume < -FLAT * area**1.5
    if not suspect.any():
        return None
    low, high = box[:, :3], box[:, 3:]
    for part in np.flatnonzero(suspect):
        around = (low <= low[part]).all(axis=1) & (high >= high[part]).all(axis=1)
        around[part] = False
        suspect[part] = not around.any()
    inward: NDArray[np.bool_] = suspect[label]
    return inward


def _without_pinholes(surface: Surface, edges: FaceEdges, label: IntArray, parts: int) -> tuple[Surface, int]:
    """Small holes closed by a fan; the borders of parts that are dust themselves are left alone."""
    box = mesh_kernels.part_sums(*_arrays(surface), _areas(surface), edges.edge_of, edges.count, label, parts)[2]
    large = np.linalg.norm(box[:, 3:] - box[:, :3], axis=1) >= DUST_MM
    part_of = np.zeros(len(surface.vertices_mm), dtype=np.int32)
    part_of[surface.faces] = label[:, None]
    points, faces, closed = [surface.vertices_mm], [surface.faces], 0
    total = len(surface.vertices_mm)
    for loop in border_vertices(surface, edges):
        rim = surface.vertices_mm[loop]
        if (
            len(loop) > PINHOLE_EDGES
            or not large[part_of[loop[0]]]
            or np.linalg.norm(np.ptp(rim, axis=0)) >= PINHOLE_MM
        ):
            continue
        after = np.roll(loop, -1)
        if len(loop) == 3:
            fan = np.array([[loop[0], loop[2], loop[1]]])
        else:
            fan = np.column_stack([after, loop, np.full(len(loop), total)])
            points.append(rim.mean(axis=0)[None])
            total += 1
        faces.append(fan.astype(np.int32))
        closed += 1
    return (Surface(np.concatenate(points), np.concatenate(faces)), closed) if closed else (surface, 0)


def _arrays(surface: Surface) -> tuple[FloatArray, IntArray]:
    return read_only(surface.vertices_mm, np.float64), read_only(surface.faces, np.int32)


def _areas(surface: Surface) -> FloatArray:
    areas: FloatArray = mesh_kernels.face_areas(*_arrays(surface))
    return areas
