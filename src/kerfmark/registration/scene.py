"""What a scan is searched in: everything the exercise expects, what of it is not cut, where cutting is allowed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from kerfmark.exercise.prepared import Prepared
from kerfmark.geometry.grids import sample
from kerfmark.kernels import search
from kerfmark.kernels.arrays import read_only
from kerfmark.records import FloatArray, Grid
from kerfmark.registration.samples import Cells, cells_of

__all__ = ["ALLOWED", "FIXED", "Scene", "SearchGrid", "scene_of"]

SearchGrid: TypeAlias = tuple[NDArray[np.float32], NDArray[np.uint8], FloatArray, float]
"""Signed distances, flags, origin and spacing, as the search kernels take them."""
FIXED = 1
"""Bit of a voxel that has uncut surface within two voxels."""
ALLOWED = 2
"""Bit of a voxel in which material may be missing."""
FIXED_REACH_VOXELS = 2
OFF_LATTICE_MM = np.array([1.3e-5, 1.7e-5, 0.0])
ON_MM = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """An exercise as the search sees it, in the tooth frame.

    Attributes
    ----------
    values, flags : (nx, ny, nz) float32 and uint8 arrays
        The search grid and, voxel by voxel, the bits `FIXED` and `ALLOWED`.
    flags_alone : (nx, ny, nz) uint8 array
        The same with only the subject's own uncut surface `FIXED`, for a scan of the subject alone.
    origin_mm, spacing_mm
        Of both.
    boxes_mm : (b, 2, 3) float array
        The box of the subject, then that of everything.
    bodies : tuple of Grid
        Fine grids: the subject's, then the neighbours'.
    fixed : Cells
        Points that are not cut.
    fixed_normals : (k, 3) float array
    fixed_body : (k,) int array
        On which of the bodies each lies; `len(bodies)` for the gingiva.
    surface_points : (m, 3) float array
        Points of the subject's surface, cut or not.
    """

    values: NDArray[np.float32]
    flags: NDArray[np.uint8]
    flags_alone: NDArray[np.uint8]
    origin_mm: FloatArray
    spacing_mm: float
    boxes_mm: FloatArray
    bodies: tuple[Grid, ...]
    fixed: Cells
    fixed_normals: FloatArray
    fixed_body: NDArray[np.int64]
    surface_points: FloatArray

    @property
    def fixed_own(self) -> NDArray[np.bool_]:
        """Which fixed points lie on the subject itself."""
        return np.asarray(self.fixed_body == 0)

    @property
    def everything(self) -> Grid:
        """Signed distance of all that is expected."""
        return Grid(self.origin_mm, self.spacing_mm, self.values)

    @property
    def grid(self) -> SearchGrid:
        """What the search kernels take."""
        return self.values, self.flags, self.origin_mm, self.spacing_mm

    @property
    def grid_alone(self) -> SearchGrid:
        """The same for a scan of the subject alone."""
        return self.values, self.flags_alone, self.origin_mm, self.spacing_mm


def scene_of(prepared: Prepared) -> Scene:
    """The scene of an exercise (milliseconds)."""
    grid = prepared.search_grid
    values, origin = read_only(grid.values, np.float32), read_only(grid.origin_mm, np.float64)
    fixed = np.ascontiguousarray(prepared.fixed_points, dtype=np.float64)
    shape = np.array(values.shape, dtype=np.int32)
    bodies = (prepared.subject_grid, *prepared.neighbour_grids.values())
    body = _body_of(fixed, bodies)
    allowed = _allowed(prepared, origin=origin, spacing_mm=grid.spacing_mm, shape=values.shape)
    flags = allowed | search.flag_near(read_only(fixed, np.float64), shape, origin, grid.spacing_mm, FIXED_REACH_VOXELS)
    flags_alone = flags
    if body.any():
        own = read_only(fixed[body == 0], np.float64)
        flags_alone = allowed | search.flag_near(own, shape, origin, grid.spacing_mm, FIXED_REACH_VOXELS)
    return Scene(
        values=values,
        flags=flags,
        flags_alone=flags_alone,
        origin_mm=origin,
        spacing_mm=float(grid.spacing_mm),
        boxes_mm=_boxes(prepared),
        bodies=bodies,
        fixed=cells_of(fixed, width_mm=_reach_mm(fixed)),
        fixed_normals=np.asarray(prepared.fixed_normals, dtype=np.float64),
        fixed_body=body,
        surface_points=np.asarray(prepared.surface_points, dtype=np.float64),
    )


def _body_of(points: FloatArray, bodies: tuple[Grid, ...]) -> NDArray[np.int64]:
    """Number of the first body each point lies on, `len(bodies)` where it lies on none."""
    on = np.array([np.abs(sample(body, points)) < ON_MM for body in bodies])
    return np.where(on.any(axis=0), on.argmax(axis=0), len(bodies))


def _allowed(prepared: Prepared, *, origin: FloatArray, spacing_mm: float, shape: tuple[int, ...]) -> NDArray[np.uint8]:
    """`ALLOWED` inside the envelope and one voxel about it; everywhere, where the exercise has none."""
    if prepared.envelope is None:
        return np.full(shape, ALLOWED, dtype=np.uint8)
    flags = np.zeros(shape, dtype=np.uint8)
    vertices, faces = read_only(prepared.envelope.vertices_mm, np.float64), read_only(prepared.envelope.faces, np.int32)
    search.flag_inside(flags, ALLOWED, vertices, faces, origin + OFF_LATTICE_MM, spacing_mm)
    for axis in range(3):
        before = np.moveaxis(flags.copy(), axis, 0)
        after = np.moveaxis(flags, axis, 0)
        after[1:] |= before[:-1]
        after[:-1] |= before[1:]
    return flags


def _boxes(prepared: Prepared) -> FloatArray:
    """Boxes of the subject and of everything expected."""
    grid = prepared.search_grid
    solid = grid.values < grid.spacing_mm
    low, high = np.empty(3), np.empty(3)
    for axis in range(3):
        filled = np.flatnonzero(solid.any(axis=tuple(a for a in range(3) if a != axis)))
        low[axis], high[axis] = grid.origin_mm[axis] + grid.spacing_mm * filled[[0, -1]]
    if prepared.subject is None:
        return np.array([[low, high]])
    own = np.array([prepared.subject.vertices_mm.min(axis=0), prepared.subject.vertices_mm.max(axis=0)])
    alone = np.abs(own - [low, high]).max() < 1.0
    return own[None] if alone else np.array([own, [low, high]])


def _reach_mm(points: FloatArray) -> float:
    """How near a place must come to a fixed point to count as fixed: three times the usual spacing, at least 0.25 mm."""
    thinning = max(1, len(points) // 4000)
    few = points[::thinning]
    squares = ((few[:: max(1, len(few) // 64), None, :] - few) ** 2).sum(axis=-1)
    squares[squares == 0.0] = np.inf
    return float(max(0.25, 3.0 * np.median(np.sqrt(squares.min(axis=1))) / np.sqrt(thinning)))
