"""The pulp: a chamber whose walls keep one distance from the outside, horns under the cusps, canals to the apices.

Tooth frame, mesial on +x, millimetres. Laws of the chamber floor: Krasner & Rankow 2004 — the chamber lies at the level of
the cervical line, its walls are concentric with the outer surface there and equally far from it all round, and orifices lie
at the corners of its floor.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from kerfmark.anatomy.depth import Depths
from kerfmark.anatomy.enamel import smooth_max
from kerfmark.anatomy.tissues import PulpPlan
from kerfmark.geometry.grids import sample, surface_of
from kerfmark.records import FloatArray, Grid, Surface

__all__ = ["Pulp", "chamber_levels", "pulp_of"]

SPACING_MM = 0.1
HORN_DEPTH_MM = 4.2
"""How far under its cusp tip or edge a horn stops, at the least."""
CORE_HORN_MM = 0.9
"""How far from the axis horns rise at most in teeth without a chamber floor."""
ROUND_MM = 0.35
"""Width of the rounding between chamber, horns and canals."""


@dataclass(frozen=True, slots=True, eq=False)
class Pulp:
    """The pulp's closed surface, its orifices by canal, and the middle line of each canal from orifice to end."""

    surface: Surface
    orifices: Mapping[str, FloatArray]
    canals_mm: Mapping[str, FloatArray]


def chamber_levels(plan: PulpPlan, *, furcation_mm: float | None, cusp_mm: float | None) -> tuple[float, float]:
    """Ceiling and floor of the chamber, heights in the tooth frame, mm.

    With a furcation the chamber stands where both published distances are met best: its ceiling 6.3 mm under the buccal
    cusp, its floor 3 mm over the furcation (Deutsch & Musikant 2004). Without, the plan's ceiling holds and there is no
    floor: the chamber passes into the canal.
    """
    if plan.height_mm <= 0:
        return plan.ceiling_mm, plan.ceiling_mm - 3.5
    if furcation_mm is None or cusp_mm is None:
        return plan.ceiling_mm, plan.ceiling_mm - plan.height_mm
    floor = 0.5 * ((cusp_mm - 6.3 - plan.height_mm) + (furcation_mm + 3.0))
    return floor + plan.height_mm, floor


def pulp_of(
    depths: Depths,
    *,
    plan: PulpPlan,
    levels_mm: tuple[float, float],
    horns_mm: Sequence[FloatArray],
    paths_mm: Mapping[str, FloatArray],
) -> Pulp:
    """The pulp of a tooth.

    Parameters
    ----------
    depths : Depths
    plan : PulpPlan
    levels_mm : (2,) float, mm
        Heights of the chamber's ceiling and floor.
    horns_mm : sequence of (3,) float array, mm
        What each horn points at: cusp tips, or corners of an incisal edge.
    paths_mm : mapping of str to (k, 3) float array, mm
        The middle of each canal's root, from the floor's level down to the apex.
    """
    grid = _frame(depths, levels_mm, plan, paths_mm)
    points = _points(grid)
    floored = plan.height_mm > 0
    soft = _level_depths(depths) if floored else _soft(depths)
    if floored:
        chamber = _chamber(soft, points, plan, levels_mm)
    else:
        middle = next(iter(paths_mm.values()))
        chamber = smooth_max(_core(soft, points, plan, levels_mm), _slim(points, middle, plan), 2 * ROUND_MM)
    orifices = {name: _drawn_in(soft, path[0], plan) for name, path in paths_mm.items()}
    canals = {name: _canal(depths, orifices[name], path, plan) for name, path in paths_mm.items()}
    parts = [_horn(soft, points, tip, plan, levels_mm) for tip in horns_mm if tip[2] - HORN_DEPTH_MM > levels_mm[0]]
    parts += [_tube(points, canal, _radii(canal, plan)) for canal in canals.values()]
    field = chamber
    for part in parts:
        field = -smooth_max(-field, -part, 2 * ROUND_MM)
    field = np.maximum(field, plan.least_mm + sample(depths.grid, points))
    values = field.reshape(grid.values.shape).astype(np.float32)
    return Pulp(_one_piece(surface_of(Grid(grid.origin_mm, grid.spacing_mm, values))), orifices, canals)


def _soft(depths: Depths) -> Grid:
    """Depths of the filled tooth, smoothed by a voxel, so that what is cut along them is smooth."""
    from scipy.ndimage import gaussian_filter

    soft = gaussian_filter(depths.filled, 1.0).astype(np.float32)
    return Grid(depths.grid.origin_mm, depths.grid.spacing_mm, soft)


def _frame(depths: Depths, levels_mm: tuple[float, float], plan: PulpPlan, paths_mm: Mapping[str, FloatArray]) -> Grid:
    """An empty grid that holds the pulp with room to spare."""
    tops = depths.filled < -(plan.wall_mm - 0.3)
    x, y, z = (axis.ravel() for axis in depths.axes_mm)
    held = tops & ((z > levels_mm[1] - 0.5) & (z < levels_mm[0] + 0.5))[None, None, :]
    cells = np.argwhere(held)
    corners = [np.column_stack([x[cells[:, 0]], y[cells[:, 1]], z[cells[:, 2]]]), *paths_mm.values()]
    low, high = np.vstack(corners).min(axis=0) - 1.0, np.vstack(corners).max(axis=0) + 1.0
    high[2] = levels_mm[0] + plan.horn_mm + 1.0
    shape = np.ceil((high - low) / SPACING_MM).astype(int) + 1
    return Grid(low, SPACING_MM, np.empty(tuple(shape), dtype=np.float32))


def _points(grid: Grid) -> FloatArray:
    index = np.indices(grid.values.shape).reshape(3, -1).T
    points: FloatArray = grid.origin_mm + grid.spacing_mm * index
    return points


def _level_depths(depths: Depths) -> Grid:
    """Depth within each level alone: the wall's distance, whatever the furcation below or the table above."""
    from scipy.ndimage import distance_transform_edt, gaussian_filter

    grid = depths.grid
    inside = depths.filled < 0
    across = np.zeros(inside.shape, dtype=float)
    for k in range(inside.shape[2]):
        if inside[:, :, k].any():
            length, nearest = distance_transform_edt(inside[:, :, k], return_indices=True)
            # The nearest voxel outside is itself some way past the surface.
            across[:, :, k] = np.maximum(grid.spacing_mm * length - depths.filled[*nearest, k], 0.0)
    return Grid(grid.origin_mm, grid.spacing_mm, -gaussian_filter(across, 1.0).astype(np.float32))


def _chamber(soft: Grid, points: FloatArray, plan: PulpPlan, levels_mm: tuple[float, float]) -> FloatArray:
    """One wall thickness all round, between ceiling and floor."""
    ceiling, floor = levels_mm
    lid = np.maximum(points[:, 2] - ceiling, floor - points[:, 2])
    return smooth_max(plan.wall_mm + sample(soft, points), lid, 2 * ROUND_MM)


def _core(soft: Grid, points: FloatArray, plan: PulpPlan, levels_mm: tuple[float, float]) -> FloatArray:
    """The middle of a tooth without a chamber floor: what lies deeper than the deepest point of its level less a reach.

    Such a core follows the outer form, round where the root is round, a ribbon where it is flat. Its reach is what the
    wall leaves at the cervical line, less upwards, and tapers to the canal's end at the apex.
    """
    from scipy.ndimage import gaussian_filter1d

    z = soft.origin_mm[2] + soft.spacing_mm * np.arange(soft.values.shape[2])
    deepest = gaussian_filter1d(-soft.values.min(axis=(0, 1)).astype(float), 2.0)
    neck = float(np.interp(0.0, z, deepest)) - plan.wall_mm
    bottom = float(z[np.flatnonzero(deepest > 0)[0]]) + 1.0
    reach = np.interp(z, [bottom, 0.5 * bottom, 0.0, levels_mm[0]], [plan.tip_mm, 0.5 * neck, neck, 0.5 * neck])
    walls = np.interp(points[:, 2], z, deepest - gaussian_filter1d(reach, 4.0)) + sample(soft, points)
    dome = points[:, 2] - levels_mm[0] + 0.2 * (points[:, 0] ** 2 + points[:, 1] ** 2)
    return smooth_max(walls, dome, 4 * ROUND_MM)


def _slim(points: FloatArray, path: FloatArray, plan: PulpPlan) -> FloatArray:
    """About the distance from what may be pulp in a flat root: within 1.6 mm of its middle at the neck, less apically."""
    order = np.argsort(path[:, 2])
    middle = [np.interp(points[:, 2], path[order, 2], path[order, axis]) for axis in (0, 1)]
    allowed = np.interp(points[:, 2], [path[:, 2].min(), 0.35 * path[:, 2].min(), 0.0], [plan.tip_mm, 0.9, 1.6])
    distance: FloatArray = np.hypot(points[:, 0] - middle[0], points[:, 1] - middle[1]) - allowed
    return distance


def _drawn_in(soft: Grid, orifice: FloatArray, plan: PulpPlan) -> FloatArray:
    """An orifice moved level towards the axis until it lies inside the chamber's wall line."""
    axis = np.array([0.0, 0.0, orifice[2]])
    steps = orifice + np.linspace(0.0, 1.0, 41)[:, None] * (axis - orifice)
    inside = sample(soft, steps + np.array([0.0, 0.0, 0.4])) < -(plan.wall_mm + 0.25)
    drawn: FloatArray = steps[int(np.argmax(inside))] if inside.any() else orifice
    return drawn


def _canal(depths: Depths, orifice: FloatArray, path: FloatArray, plan: PulpPlan) -> FloatArray:
    """The canal's middle line: from the orifice bent into the root's middle, ending short of the apex."""
    share = np.clip((orifice[2] - path[:, 2]) / 3.0, 0.0, 1.0)[:, None]
    bent = path + (1.0 - share * share * (3.0 - 2.0 * share)) * (orifice - path[0]) * [1.0, 1.0, 0.0]
    deep = sample(depths.grid, bent) < -(plan.least_mm + plan.tip_mm)
    middle: FloatArray = bent[: len(bent) - int(np.argmax(deep[::-1]))]
    return middle


def _radii(canal: FloatArray, plan: PulpPlan) -> FloatArray:
    """Wide at the orifice, quickly narrower, then tapering evenly to the end."""
    along = np.linspace(0.0, 1.0, len(canal))
    radii: FloatArray = plan.tip_mm + (plan.canal_mm - plan.tip_mm) * (1.0 - along) + 0.2 * np.exp(-along / 0.08)
    return radii


def _horn(
    soft: Grid, points: FloatArray, tip: FloatArray, plan: PulpPlan, levels_mm: tuple[float, float]
) -> FloatArray:
    """A cone from the ceiling's edge towards what it points at."""
    base = _drawn_in(soft, np.array([tip[0], tip[1], levels_mm[0] - 0.5]), plan)
    if plan.height_mm <= 0:
        # A slim core ends nearer the axis than the wall would let it.
        base = base * [*[min(1.0, CORE_HORN_MM / max(float(np.hypot(*base[:2])), 1e-9))] * 2, 1.0]
    rise = min(plan.horn_mm, tip[2] - HORN_DEPTH_MM - levels_mm[0]) + 0.5
    lean = np.clip((tip - base)[:2] / max(tip[2] - base[2], 1.0), -0.4, 0.4)
    end = base + rise * np.array([*lean, 1.0])
    line = base + np.linspace(0.0, 1.0, 9)[:, None] * (end - base)
    return _tube(points, line, np.linspace(min(0.5, plan.canal_mm), 0.16, 9))


def _tube(points: FloatArray, line: FloatArray, radii: FloatArray) -> FloatArray:
    """About the distance from a tube of changing radius about a polyline: from the nearest of its sampled balls."""
    near = np.full(len(points), 10.0)
    low, high = line.min(axis=0) - radii.max() - 0.8, line.max(axis=0) + radii.max() + 0.8
    chosen = np.flatnonzero(((points >= low) & (points <= high)).all(axis=1))
    near[chosen] = _balls(points[chosen], *_dense(line, radii))
    return near


def _dense(line: FloatArray, radii: FloatArray, step_mm: float = 0.05) -> tuple[FloatArray, FloatArray]:
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    at = np.linspace(0.0, along[-1], max(int(along[-1] / step_mm), 1) + 1)
    return np.column_stack([np.interp(at, along, line[:, k]) for k in range(3)]), np.interp(at, along, radii)


def _balls(points: FloatArray, centres: FloatArray, radii: FloatArray) -> FloatArray:
    """Distance from the ball at each point's own height (canals run downwards, so that is the nearest but for a little)."""
    order = np.argsort(centres[:, 2])
    heights = centres[order, 2]
    index = np.clip(np.searchsorted(heights, points[:, 2]), 0, len(heights) - 1)
    centre, radius = centres[order][index], radii[order][index]
    distance: FloatArray = np.linalg.norm(points - centre, axis=1) - radius
    return distance


def _one_piece(surface: Surface) -> Surface:
    """The largest part: specks cut off by the least distance are no pulp."""
    from kerfmark.geometry.mesh import components

    return components(surface)[0]
