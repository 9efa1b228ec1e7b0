"""What the permitted instruments cannot take away, how much of it, where, and why."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from kerfmark.exercise.reach.task import Task
from kerfmark.exercise.reach.tools import CELL_MM, Tool, directions, head_places, turned
from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.reach import take_away
from kerfmark.records import FloatArray

__all__ = ["ALLOWANCE_MM", "Cause", "Leftover", "reach"]

Cause: TypeAlias = Literal["neighbour", "shank", "corner"]

ALLOWANCE_MM = 0.03
"""A tool may come this much too deep: less is the lattice's own doubt."""
REACHED_MM, ENOUGH_MM = -0.03, -0.02
TOLD_DEPTH_MM = 0.1
THREADS = 2


@dataclass(frozen=True, slots=True, eq=False)
class Leftover:
    """What stays although it should go.

    Attributes
    ----------
    instrument : str or None
        The one instrument alone; None for all of them together.
    volume_mm3, depth_mm : float
        Volume that cannot be reached, and the farthest any of it lies from what can; 0 where all is reached.
    deepest_mm : (3,) float array
        Where that is, tooth frame.
    points_mm : (k, 3) float array
        Lattice points of what stays.
    cause : str or None
        `neighbour` or `shank` in the way, or a `corner` sharper than every permitted tip; of all together only.
    """

    instrument: str | None
    volume_mm3: float
    depth_mm: float
    deepest_mm: FloatArray
    points_mm: FloatArray
    cause: Cause | None = None

    @property
    def is_small(self) -> bool:
        """Whether what stays is thinner than 0.1 mm everywhere."""
        return self.depth_mm < TOLD_DEPTH_MM


def reach(task: Task, tools: Sequence[Tool]) -> tuple[Leftover, tuple[Leftover, ...]]:
    """What all tools together leave, and what each leaves alone.

    A tool is tried from every lattice point and from 30 directions: up to 30 degrees about occlusal and from facial; of a planned
    bed along its axis alone. It may cut 0.05 mm into what must stay; neighbours are in the way, the gingiva is not.

    Parameters
    ----------
    task : Task
    tools : sequence of Tool
        At least one.

    Returns
    -------
    together : Leftover
    alone : tuple of Leftover
        In the order of `tools`.
    """
    field = np.minimum(task.keep, task.neighbours)
    with ThreadPoolExecutor(THREADS) as pool:
        depths = list(pool.map(lambda tool: _depths(task, tool, field, tool.probes_mm), tools))
    together = np.max(depths, axis=0)
    alone = tuple(_leftover(task, depth, tool.name, None) for depth, tool in zip(depths, tools, strict=True))
    stays = together < REACHED_MM
    cause = _cause(task, tools, stays) if stays.any() else None
    return _leftover(task, together, None, cause), alone


def _depths(task: Task, tool: Tool, field: NDArray[np.float32], probes_mm: FloatArray) -> FloatArray:
    """How deep inside the tool each place can come to lie, mm; far below 0 where it cannot."""
    lattice = task.lattice
    best = np.full(len(task.points_mm), -np.inf)
    steps = (task.points_mm - lattice.origin_mm) / lattice.spacing_mm
    places = read_only(np.rint(steps), np.int32)
    beside = read_only((steps - np.rint(steps)) * lattice.spacing_mm, np.float64)
    plain, table = read_only(field, np.float32), read_only(tool.table, np.float64)
    standing = np.empty((*lattice.shape, 4), dtype=np.float32)
    for axis in directions() if task.axis is None else (task.axis,):
        if not (best < ENOUGH_MM).any():
            break
        probes = probes_mm.copy()
        probes[:, :3] = probes_mm[:, :3] @ turned(axis).T
        offsets, depths = head_places(tool, axis, spacing_mm=lattice.spacing_mm)
        standing[..., 0] = np.nan
        take_away(
            best, places, beside, plain, lattice.finer().spacing_mm, standing, read_only(probes, np.float64),
            read_only(offsets, np.int32), read_only(depths, np.float64), table, CELL_MM, read_only(axis, np.float64),
            task.far_mm, ALLOWANCE_MM, lattice.spacing_mm, ENOUGH_MM,
        )  # fmt: skip
    return best


def _leftover(task: Task, depths: FloatArray, instrument: str | None, cause: Cause | None) -> Leftover:
    """Volume and depth of the places that are not reached."""
    from scipy.spatial import cKDTree

    stays = depths < REACHED_MM
    points = task.points_mm
    if not stays.any():
        return Leftover(instrument, 0.0, 0.0, np.zeros(3), np.empty((0, 3)))
    volume = float(task.volumes_mm3[stays].sum())
    away = -depths[stays]
    far = ~np.isfinite(away)
    if stays.all():
        away[far] = float(np.ptp(points, axis=0).max())
    elif far.any():
        away[far] = cKDTree(points[~stays]).query(points[stays][far])[0]
    deepest = int(np.argmax(away))
    return Leftover(instrument, volume, float(away[deepest]), points[stays][deepest], points[stays], cause)


def _cause(task: Task, tools: Sequence[Tool], stays: NDArray[np.bool_]) -> Cause:
    """Try what stays again without neighbours, then with heads that have no shank; what still stays is a sharp corner."""
    rest = task.only(stays)
    half = 0.5 * len(rest.points_mm)
    for cause, whole in (("neighbour", True), ("shank", False)):
        if cause == "neighbour" and float(task.neighbours.min()) >= task.far_mm:
            continue
        tried = [_depths(rest, tool, task.keep, tool.probes_mm if whole else tool.short_probes_mm) for tool in tools]
        if (np.max(tried, axis=0) >= REACHED_MM).sum() > half:
            return "neighbour" if cause == "neighbour" else "shank"
    return "corner"
