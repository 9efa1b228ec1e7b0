"""Signed-distance grids: made from a closed surface, read between voxels, turned back into a surface."""

from __future__ import annotations

import itertools
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.errors import InputError
from kerfmark.geometry.closest import BoxTree
from kerfmark.geometry.mesh import FaceEdges, face_edges, face_normals, vertex_normals
from kerfmark.geometry.mesh import bounds_mm as surface_bounds_mm
from kerfmark.kernels import closest as closest_kernels
from kerfmark.kernels import distance as distance_kernels
from kerfmark.kernels.arrays import read_only
from kerfmark.records import FloatArray, Grid, Surface

__all__ = ["distance_grid", "sample", "sample_with_gradient", "surface_of"]

THREADS = 2


def distance_grid(
    surface: Surface,
    *,
    spacing_mm: float,
    band_mm: float,
    bounds_mm: ArrayLike | None = None,
    limit_mib: int | None = None,
) -> Grid:
    """Signed distance from a closed surface, negative inside; exact within the band, ± the band beyond it.

    Parameters
    ----------
    surface : Surface
        Closed; parts may lie side by side or as cavities inside one another, but must not overlap.
    spacing_mm : float
    band_mm : float
        At least the spacing.
    bounds_mm : (2, 3) float array, optional
        What the grid has to cover; without it the surface and a margin of one band.
    limit_mib : int, optional
        Refuse a grid larger than this.

    Returns
    -------
    grid : Grid

    Raises
    ------
    InputError
        If the surface has open edges, the band is narrower than the spacing, or the grid would be too large.

    Notes
    -----
    Sign from the angle-weighted normal of the closest feature: Bærentzen & Aanæs (2005). Distance to rounding of float32.
    """
    edges = face_edges(surface)
    _check_grid_input(edges, spacing_mm, band_mm)
    origin, shape = _grid_frame(surface, spacing_mm, band_mm, bounds_mm)
    _check_grid_size(shape, limit_mib)
    around = _Around(surface, edges)
    values = np.full(shape, np.nan, dtype=np.float32)
    marked = distance_kernels.mark_blocks(
        around.tree.corners, origin, float(spacing_mm), np.array(shape, dtype=np.int32), float(band_mm)
    )
    blocks = np.argwhere(marked).astype(np.int32)
    cuts = np.linspace(0, len(blocks), THREADS + 1).astype(int)
    with ThreadPoolExecutor(THREADS) as pool:
        jobs = [
            pool.submit(around.fill, values, blocks, span, origin=origin, spacing=spacing_mm, band=band_mm)
            for span in itertools.pairwise(cuts.tolist())
        ]
        for job in jobs:
            job.result()
    distance_kernels.flood_sign(values, float(band_mm), around.sign(origin) if np.isnan(values[0, 0, 0]) else 1.0)
    return Grid(origin, float(spacing_mm), values)


class _Around:
    """A surface made ready to be asked for signed distances."""

    def __init__(self, surface: Surface, edges: FaceEdges) -> None:
        self.tree = BoxTree(surface)
        self.faces = read_only(surface.faces, np.int32)
        self.edge_of = edges.edge_of
        self.units = face_normals(surface)
        pairs = edges.first_two
        self.edge_normals = self.units[pairs[:, 0]] + self.units[pairs[:, 1]]
        self.corner_normals = vertex_normals(surface)

    def fill(
        self,
        values: np.ndarray,
        blocks: np.ndarray,
        span: tuple[int, int],
        *,
        origin: FloatArray,
        spacing: float,
        band: float,
    ) -> None:
        tree = self.tree
        distance_kernels.fill_blocks(
            values, blocks, int(span[0]), int(span[1]), origin, float(spacing), float(band), tree.boxes, tree.levels,
            tree.corners, tree.discs, tree.order, self.faces, self.edge_of, self.units, self.edge_normals, self.corner_normals,
        )  # fmt: skip

    def sign(self, point: FloatArray) -> float:
        """+1 outside, −1 inside, for one point anywhere."""
        tree = self.tree
        stack, squares = np.empty(128, np.int32), np.empty(128)
        x, y, z = point.tolist()
        t, feature, _, qx, qy, qz = closest_kernels.closest_in_tree(
            tree.boxes, tree.levels, tree.corners, tree.discs, stack, squares, x, y, z, np.inf, -1
        )
        side = distance_kernels.side_of_surface(
            t, feature, tree.order, self.faces, self.edge_of, self.units, self.edge_normals, self.corner_normals,
            x - qx, y - qy, z - qz,
        )  # fmt: skip
        return -1.0 if side < 0 else 1.0


def _check_grid_input(edges: FaceEdges, spacing_mm: float, band_mm: float) -> None:
    if not 0 < spacing_mm <= band_mm < np.inf:
        raise InputError(
            f"the grid's spacing is {spacing_mm} mm and its band {band_mm} mm, expected 0 < spacing ≤ band. Widen the band."
        )
    open_edges = int(np.count_nonzero(edges.balance))
    if open_edges:
        raise InputError(
            f"the surface has {open_edges} open edges, expected a closed surface to tell inside from outside. Close its holes."
        )


def _grid_frame(
    surface: Surface, spacing_mm: float, band_mm: float, bounds_mm: ArrayLike | None
) -> tuple[FloatArray, tuple[int, int, int]]:
    low, high = np.asarray(surface_bounds_mm(surface) if bounds_mm is None else bounds_mm, dtype=float)
    if bounds_mm is None:
        low, high = low - band_mm - 0.5 * spacing_mm, high + band_mm + 0.5 * spacing_mm
    nx, ny, nz = np.maximum(np.ceil((high - low) / spacing_mm - 1e-9).astype(int) + 1, 2)
    return np.ascontiguousarray(low, dtype=float), (int(nx), int(ny), int(nz))


def _check_grid_size(shape: tuple[int, int, int], limit_mib: int | None) -> None:
    mib = 4 * shape[0] * shape[1] * shape[2] / 2**20
    if limit_mib is not None and mib > limit_mib:
        raise InputError(
            f"a distance grid of {shape[0]} × {shape[1]} × {shape[2]} voxels takes {mib:.0f} MiB, expected at most "
            f"limits.grid_mib = {limit_mib}. Give a smaller surface or raise KERFMARK_LIMIT_GRID_MIB."
        )


def sample(grid: Grid, points_mm: ArrayLike) -> FloatArray:
    """Trilinear values at points; + the band outside the grid.

    Parameters
    ----------
    grid : Grid
    points_mm : (n, 3) float array, mm

    Returns
    -------
    value : (n,) float array
    """
    values = read_only(grid.values, np.float32)
    origin, points = read_only(grid.origin_mm, np.float64), read_only(points_mm, np.float64).reshape(-1, 3)
    out: FloatArray = distance_kernels.read_grid(values, origin, float(grid.spacing_mm), points)
    return _outside_filled(out, values)


def sample_with_gradient(grid: Grid, points_mm: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Trilinear values and their gradients (mm per mm); + the band and 0 outside the grid.

    Parameters
    ----------
    grid : Grid
    points_mm : (n, 3) float array, mm

    Returns
    -------
    value : (n,) float array
    gradient : (n, 3) float array
    """
    values = read_only(grid.values, np.float32)
    origin, points = read_only(grid.origin_mm, np.float64), read_only(points_mm, np.float64).reshape(-1, 3)
    out, gradient = distance_kernels.read_grid_and_slope(values, origin, float(grid.spacing_mm), points)
    return _outside_filled(out, values), gradient


def _outside_filled(out: FloatArray, values: np.ndarray) -> FloatArray:
    """Points outside get the band, which stands in the grid's corners (a grid reaches its band beyond the surface on every side)."""
    outside = np.isnan(out)
    if outside.any():
        out[outside] = float(
            np.abs(
                values[:: max(1, values.shape[0] - 1), :: max(1, values.shape[1] - 1), :: max(1, values.shape[2] - 1)]
            ).max()
        )
    return out


def surface_of(grid: Grid, level_mm: float = 0.0) -> Surface:
    """The surface where the grid's value is `level_mm` (marching cubes), faces counter-clockwise from the larger values.

    Raises
    ------
    InputError
        If the grid does not cross the level.
    """
    from skimage.measure import marching_cubes

    values = np.asarray(grid.values)
    if not values.min() < level_mm < values.max():
        raise InputError(
            f"the grid does not cross {level_mm} mm, expected a level between its least and greatest value."
        )
    vertices, faces, _, _ = marching_cubes(  # type: ignore[no-untyped-call]
        values, level=level_mm, gradient_direction="descent"
    )
    return Surface(
        vertices.astype(float) * grid.spacing_mm + grid.origin_mm, np.ascontiguousarray(faces, dtype=np.int32)
    )
