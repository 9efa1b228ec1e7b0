"""What the scene keeps of each surface: soft normals, tissue and times per vertex, and coarser ghosts."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.grids import sample
from kerfmark.geometry.mesh import vertex_normals
from kerfmark.records import CutField, FloatArray, Piece, Surface
from kerfmark.reports.scene.container import Part, line_pairs

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = [
    "coarser",
    "curves_part",
    "first_touched_s",
    "laid_bare_s",
    "packed_normals",
    "surface_of_part",
    "surface_part",
    "tissues",
]  # fmt: skip

TISSUE_DEPTH_MM: Final = 0.06


def surface_part(name: str, surface: Surface, *, more: Mapping[str, NDArray[Any]] | None = None, **facts: Any) -> Part:
    """A surface as a part of the scene; positions become float32 (half a nanometre on a tooth)."""
    attributes = {"POSITION": surface.vertices_mm.astype("<f4"), **(more or {})}
    return Part(name, surface.faces.astype(np.uint32), attributes, facts)


def surface_of_part(part: Part) -> Surface:
    """The surface a part was made from."""
    return Surface(part.attributes["POSITION"].astype(float), part.indices.astype(np.int32))


def curves_part(name: str, curves_mm: tuple[FloatArray, ...], **facts: Any) -> Part:
    """Polylines as line pieces."""
    kept = [curve for curve in curves_mm if len(curve) > 1]
    points = np.vstack(kept).astype("<f4") if kept else np.empty((0, 3), "<f4")
    return Part(name, line_pairs([len(curve) for curve in kept]), {"POSITION": points}, facts)


def packed_normals(normals: FloatArray) -> NDArray[np.int16]:
    """Unit normals (n, 3) folded onto an octahedron: two 16-bit numbers each, true to 0.004°.

    Notes
    -----
    Source: Meyer et al. (2010), On floating-point normal vectors. The view unfolds them the same way.
    """
    unit = normals / np.maximum(np.abs(normals).sum(axis=1, keepdims=True), 1e-12)
    flat = unit[:, :2]
    folded = (1.0 - np.abs(flat[:, ::-1])) * np.where(flat >= 0.0, 1.0, -1.0)
    return np.asarray(np.round(np.where(unit[:, 2:] < 0.0, folded, flat) * 32767.0), dtype="<i2")


def coarser(surface: Surface, *, cell_mm: float) -> Surface:
    """The surface with all vertices of a cube drawn together to their mean: for ghosts, true to about half the cube.

    Parameters
    ----------
    surface : Surface
    cell_mm : float
        Edge of the cubes.

    Returns
    -------
    surface : Surface
        Without the faces that came to nothing.
    """
    place = np.floor(surface.vertices_mm / cell_mm).astype(np.int64)
    place -= place.min(axis=0, initial=0)
    size = place.max(axis=0, initial=0) + 1
    _, cell = np.unique((place[:, 0] * size[1] + place[:, 1]) * size[2] + place[:, 2], return_inverse=True)
    count = np.maximum(np.bincount(cell), 1)
    points = np.column_stack([np.bincount(cell, weights=column) / count for column in surface.vertices_mm.T])
    faces = cell[surface.faces]
    kept = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    return Surface(points, faces[kept].astype(np.int32))


def tissues(piece: Piece, prepared: Prepared) -> NDArray[np.uint8] | None:
    """Which tissue lies bare at each vertex, (n, 4) with the layer's place from 1 in the first column; None without layers."""
    if not prepared.layer_grids:
        return None
    inside = piece.surface.vertices_mm - TISSUE_DEPTH_MM * vertex_normals(piece.surface)
    found = np.zeros((len(inside), 4), dtype=np.uint8)
    for number, grid in enumerate(prepared.layer_grids.values(), 1):
        found[sample(grid, inside) < 0.0, 0] = number
    return found


def laid_bare_s(piece: Piece, prepared: Prepared) -> NDArray[np.float32] | None:
    """When each vertex of a recorded piece was laid bare, s after the motion's first; −1 where the tool never came; None of a scan."""
    if piece.cut is None:
        return None
    from scipy.spatial import KDTree

    from kerfmark.replay import cut_surface

    whole = cut_surface(piece.cut, prepared.subject_grid)
    _, nearest = KDTree(whole.surface.vertices_mm).query(piece.surface.vertices_mm, workers=2)
    time = whole.time_s[nearest]
    return np.where(np.isfinite(time), time, -1.0).astype("<f4")


def first_touched_s(points_mm: FloatArray, cut: CutField) -> NDArray[np.float32]:
    """When the head first reached each point, by the eight voxels about it, s after the motion's first; −1 where it never did."""
    edge, counts = cut.distance_mm.shape[1], np.array(cut.shape) // cut.distance_mm.shape[1]
    slot = np.full(counts.tolist(), -1, dtype=np.int64)
    slot[tuple(cut.blocks.T)] = np.arange(len(cut.blocks))
    lowest = np.floor((points_mm - cut.origin_mm) / cut.spacing_mm).astype(np.int64)
    earliest = np.full(len(points_mm), np.inf, dtype="<f4")
    for corner in np.indices((2, 2, 2)).reshape(3, -1).T:
        voxel = lowest + corner
        held = np.flatnonzero(((voxel >= 0) & (voxel < counts * edge)).all(axis=1))
        block, within = np.divmod(voxel[held], edge)
        at = slot[tuple(block.T)]
        held, spot = held[at >= 0], (at[at >= 0], *within[at >= 0].T)
        time = np.where(cut.distance_mm[spot] <= 0.0, cut.time_s[spot], np.inf)
        earliest[held] = np.minimum(earliest[held], time)
    return np.where(np.isfinite(earliest), earliest, -1.0).astype("<f4")
