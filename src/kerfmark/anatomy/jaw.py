"""The bone round an arch: cortical shell, cancellous core, sockets, mandibular canal or maxillary sinus.

The jaw frame is the arch's (`arch.py`): +z occlusal, +y forward, millimetres. The bone is one field on a grid; its parts
are read off the same grid, so that they tile.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from kerfmark.anatomy.arch import Arch, Placed
from kerfmark.anatomy.enamel import smooth_max
from kerfmark.anatomy.gingiva import footprint
from kerfmark.anatomy.notation import position
from kerfmark.errors import InputError
from kerfmark.geometry.frames import transform_points
from kerfmark.geometry.grids import surface_of
from kerfmark.geometry.mesh import components, joined, volume_mm3
from kerfmark.records import FloatArray, Grid, Surface

__all__ = ["JawBone", "jaw_bone", "typodont_base"]

LIGAMENT_MM = 0.25
CREST_MM = 1.5
"""Width of the periodontal ligament space, and how far the crest lies under the cervical line (1 to 2 mm, practice)."""
CORTEX_MM = {"upper": 1.0, "lower": 1.8}
"""Thickness of the cortical plates (practice: upper thin, lower 1.5 to 3 mm)."""
BODY_MM = {"upper": 20.0, "lower": 29.0}
"""Height of the bone under the crest."""
CANAL_RADIUS_MM, CANAL_UNDER_APEX_MM = 1.4, 3.0
SPECK_MM3 = 1.0
WALL_MM = 0.6
"""Bone round the canal, and between roots and sinus."""


@dataclass(frozen=True, slots=True, eq=False)
class JawBone:
    """The bone of a jaw, in the arch's frame.

    Attributes
    ----------
    parts : mapping of str to Surface
        `cortical`, `cancellous`: closed, sockets left open to the crest.
    canals_mm : mapping of str to (k, 3) float array, mm
        Lower jaw: middle line of the mandibular canal of each side, from behind to the mental foramen.
    foramina_mm : mapping of str to (3,) float array, mm
        Lower jaw: the mental foramen of each side, on the facial plate.
    sinuses : mapping of str to Surface
        Upper jaw: the maxillary sinus of each side, a cavity of the bone.
    bone_grid : Grid
        Signed distance to about a voxel, negative in bone.
    cancellous_grid, sinus_grid : Grid
        The same of the cancellous part and of the sinuses.
    ridge_grid : Grid
        The same of the bone's outside, with no socket, canal or sinus taken off.
    """

    parts: Mapping[str, Surface]
    canals_mm: Mapping[str, FloatArray]
    foramina_mm: Mapping[str, FloatArray]
    sinuses: Mapping[str, Surface]
    bone_grid: Grid
    cancellous_grid: Grid
    sinus_grid: Grid
    ridge_grid: Grid


def jaw_bone(teeth: Arch, *, spacing_mm: float = 0.4) -> JawBone:
    """The bone round an arch.

    Parameters
    ----------
    teeth : Arch
    spacing_mm : float, mm
        Of the grid it is built on, 0.2 to 1.

    Raises
    ------
    InputError
        If the spacing is out of range: below 0.2 mm a jaw takes more than 1 GiB.
    """
    if not 0.2 <= spacing_mm <= 1.0:
        raise InputError(
            f"jaw spacing_mm is {spacing_mm:g}, expected 0.2 to 1 mm: finer takes more than 1 GiB. Choose a value in between."
        )
    grid, axes = _frame(teeth, spacing_mm)
    outside = _ridge(teeth, axes, spacing_mm)
    sockets = _sockets(teeth, axes, outside)
    canals = _canals(teeth) if teeth.jaw == "lower" else {}
    tubes = _tubes(canals, axes, outside.shape)
    sinus = _sinus(teeth, axes, outside) if teeth.jaw == "upper" else np.full(outside.shape, 9.0)
    bone = np.maximum(np.maximum(outside, -sockets), np.maximum(CANAL_RADIUS_MM - tubes, -sinus))
    core = np.maximum(outside + CORTEX_MM[teeth.jaw], WALL_MM + CANAL_RADIUS_MM - tubes)
    core = np.maximum(core, np.maximum(WALL_MM - sockets, WALL_MM - sinus))
    grids = [Grid(grid.origin_mm, spacing_mm, field.astype(np.float32)) for field in (bone, core, sinus, outside)]
    shell = np.maximum(bone, -core)
    parts = {"cortical": _closed(grid, shell), "cancellous": _closed(grid, core)}
    sides = {side: canal[-1] for side, canal in canals.items()}
    return JawBone(parts, canals, sides, _sinuses(grids[2]) if teeth.jaw == "upper" else {}, *grids)


def typodont_base(teeth: Arch, *, height_mm: float = 15.0, under_mm: float = 4.0, spacing_mm: float = 0.5) -> Surface:
    """A plain model base under an arch and its gingiva: level above and below, with sockets for the teeth.

    `under_mm` is how far its top lies under the lowest neck, `height_mm` its height.
    """
    grid, axes = _frame(teeth, spacing_mm)
    side, crest = _plan(teeth, axes, spacing_mm)
    top = float(crest.min()) + CREST_MM - under_mm
    z = np.broadcast_to(axes[2][None, None, :], (*side.shape, len(axes[2])))
    field = smooth_max(np.maximum(z - top, top - height_mm - z), side[:, :, None] - 3.5, 1.0)
    return _closed(grid, np.maximum(field, 0.15 - _sockets(teeth, axes, field)))


def _frame(teeth: Arch, spacing_mm: float) -> tuple[Grid, tuple[FloatArray, FloatArray, FloatArray]]:
    necks = np.vstack([_rim(p) for p in (*teeth.teeth, *teeth.empty)])
    low = necks.min(axis=0) - np.array([11.0, 12.0, BODY_MM[teeth.jaw] + 3.0])
    high = necks.max(axis=0) + np.array([11.0, 11.0, 1.0])
    shape = np.ceil((high - low) / spacing_mm).astype(int) + 1
    x, y, z = (low[k] + spacing_mm * np.arange(shape[k]) for k in range(3))
    return Grid(low, spacing_mm, np.empty((0, 0, 0), dtype=np.float32)), (x, y, z)


def _rim(placed: Placed) -> FloatArray:
    return transform_points(placed.matrix, placed.form.cervical_line_mm)


def _plan(
    teeth: Arch, axes: tuple[FloatArray, FloatArray, FloatArray], spacing_mm: float
) -> tuple[FloatArray, FloatArray]:
    """From above: signed distance from the row of necks, and the level of the crest."""
    from scipy.ndimage import gaussian_filter
    from scipy.spatial import cKDTree

    rims = [_rim(p) for p in (*teeth.teeth, *teeth.empty)]
    side = footprint(axes[0], axes[1], rims, spacing_mm)
    flat = np.stack(np.meshgrid(axes[0], axes[1], indexing="ij"), axis=-1).reshape(-1, 2)
    points = np.vstack(rims)
    distance, near = cKDTree(points[:, :2]).query(flat, k=16)
    weight: FloatArray = 1.0 / (np.asarray(distance) + 0.5) ** 2
    crest = ((weight * points[near, 2]).sum(axis=1) / weight.sum(axis=1)).reshape(side.shape) - CREST_MM
    smooth: FloatArray = gaussian_filter(crest, 1.0 / spacing_mm)
    return side, smooth


def _ridge(teeth: Arch, axes: tuple[FloatArray, FloatArray, FloatArray], spacing_mm: float) -> FloatArray:
    """The bone's outside: narrow at the crest, wider below, rounded at the lower border."""
    from scipy.ndimage import gaussian_filter

    side, crest = _plan(teeth, axes, spacing_mm)
    under = crest[:, :, None] - axes[2][None, None, :]
    # Over the roots the plate follows them; deeper it runs evenly along the arch.
    deeper = np.clip(under / 7.0, 0.0, 1.0)
    even = gaussian_filter(side, 3.5 / spacing_mm)[:, :, None]
    beside = 0.9 + 2.2 * -np.expm1(-np.maximum(under, 0.0) / 5.0)
    field = smooth_max(-under, side[:, :, None] + deeper * (even - side[:, :, None]) - beside, 1.2)
    lower = gaussian_filter(crest, 8.0 / spacing_mm)[:, :, None] - BODY_MM[teeth.jaw]
    return smooth_max(field, lower - axes[2][None, None, :], 5.0)


def _sockets(teeth: Arch, axes: tuple[FloatArray, FloatArray, FloatArray], field: FloatArray) -> FloatArray:
    """Distance from the teeth and their ligament, negative within; 5 mm where no tooth is near."""
    found = np.full(field.shape, 5.0)
    for placed in teeth.teeth:
        corners = np.array(np.meshgrid(*placed.form.bounds_mm.T)).reshape(3, -1).T
        box = transform_points(placed.matrix, corners)
        low, high = box.min(axis=0) - 1.2, box.max(axis=0) + 1.2
        span = tuple(slice(*np.searchsorted(axis, (low[k], high[k]))) for k, axis in enumerate(axes))
        points = np.stack(np.meshgrid(*(axis[s] for axis, s in zip(axes, span, strict=True)), indexing="ij"), axis=-1)
        distance = placed.field(points.reshape(-1, 3)).reshape(points.shape[:3]) - LIGAMENT_MM
        found[span] = np.minimum(found[span], distance)
    return found


def _canals(teeth: Arch) -> dict[str, FloatArray]:
    """The mandibular canal of each side: under the molars' apices, then out to the foramen beside the second premolar."""
    canals = {}
    for side, sign in (("right", 1.0), ("left", -1.0)):
        row = [p for p in (*teeth.teeth, *teeth.empty) if np.sign(p.matrix[0, 3]) == sign and position(p.fdi) >= 5]
        row.sort(key=lambda p: -position(p.fdi))
        knots = [_under(p) for p in row]
        behind = knots[0] + (knots[0] - knots[1]) + np.array([0.0, 0.0, 3.0])
        last = row[-1]
        facial = last.matrix[:3, 1]
        foramen = knots[-1] + facial * 7.5 + np.array([0.0, 1.0, 2.5])
        turn = knots[-1] + facial * 2.0 + np.array([0.0, 2.0, 0.0])
        canals[side] = _curve(np.array([behind, *knots, turn, foramen]))
    return canals


def _under(placed: Placed) -> FloatArray:
    apices = [s.point_mm for s in placed.form.sites.values() if s.role == "apex"]
    ends = transform_points(placed.matrix, np.array(apices))
    return np.array([*ends[:, :2].mean(axis=0), ends[:, 2].min() - CANAL_UNDER_APEX_MM - CANAL_RADIUS_MM])


def _curve(knots: FloatArray) -> FloatArray:
    """A smooth line through points, 0.25 mm apart."""
    from scipy.interpolate import PchipInterpolator

    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(knots, axis=0), axis=1))])
    at = np.linspace(0.0, along[-1], int(along[-1] / 0.25) + 1)
    line: FloatArray = PchipInterpolator(along, knots)(at)
    return line


def _tubes(
    canals: Mapping[str, FloatArray], axes: tuple[FloatArray, FloatArray, FloatArray], shape: tuple[int, ...]
) -> FloatArray:
    """Distance from the canals' middle lines, at most 4 mm."""
    from scipy.spatial import cKDTree

    found = np.full(shape, 4.0)
    for line in canals.values():
        span = tuple(
            slice(*np.searchsorted(axis, (line[:, k].min() - 3, line[:, k].max() + 3))) for k, axis in enumerate(axes)
        )
        points = np.stack(np.meshgrid(*(axis[s] for axis, s in zip(axes, span, strict=True)), indexing="ij"), axis=-1)
        distance = cKDTree(line).query(points.reshape(-1, 3), distance_upper_bound=4.0)[0]
        found[span] = np.minimum(found[span], np.minimum(np.asarray(distance), 4.0).reshape(points.shape[:3]))
    return found


def _sinus(teeth: Arch, axes: tuple[FloatArray, FloatArray, FloatArray], outside: FloatArray) -> FloatArray:
    """Distance from the sinuses, negative within: a hollow over the molars' apices, inside the plates."""
    found = np.full(outside.shape, 9.0)
    for sign in (1.0, -1.0):
        row = [p for p in (*teeth.teeth, *teeth.empty) if np.sign(p.matrix[0, 3]) == sign and position(p.fdi) >= 5]
        ends = np.array([_under(p) for p in row])
        middle, floor = ends.mean(axis=0), float(ends[:, 2].max()) + CANAL_RADIUS_MM + 1.5
        x, y, z = axes[0][:, None, None], axes[1][None, :, None], axes[2][None, None, :]
        ball = (
            np.sqrt(((x - middle[0]) / 8.0) ** 2 + ((y - middle[1]) / 14.0) ** 2 + ((z - floor + 9.0) / 9.0) ** 2) - 1.0
        )
        found = np.minimum(found, 8.0 * ball)
    within: FloatArray = np.maximum(found, outside + CORTEX_MM[teeth.jaw])
    return within


def _sinuses(grid: Grid) -> dict[str, Surface]:
    pieces = components(_closed(grid, grid.values.astype(float)))[:2]
    return {("left" if piece.vertices_mm[:, 0].mean() > 0 else "right"): piece for piece in pieces}


def _closed(grid: Grid, field: FloatArray) -> Surface:
    """The closed surface of a field, walled at the edge of its grid, without specks under `SPECK_MM3`."""
    walled = np.pad(field, 1, constant_values=grid.spacing_mm).astype(np.float32)
    whole = surface_of(Grid(grid.origin_mm - grid.spacing_mm, grid.spacing_mm, walled))
    return joined([piece for piece in components(whole) if abs(volume_mm3(piece)) >= SPECK_MM3])
