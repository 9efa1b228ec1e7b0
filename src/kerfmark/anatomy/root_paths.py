"""The middle of each root from its apex up, and where roots part: read off slices of the tooth.

Tooth frame, mesial on +x, millimetres.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.anatomy.depth import Depths
from kerfmark.records import FloatArray

__all__ = ["ONE_CANAL", "RootPath", "furcation", "root_paths", "split_paths"]

ONE_CANAL = "canal"
"""What the canal is called in a tooth with one."""
CANAL_ASIDE = 0.45
"""How far two canals of one root lie from its middle, as a share of its half depth: each about as deep as one would."""


@dataclass(frozen=True, slots=True, eq=False)
class RootPath:
    """A root's middle line from its apex up to where it joins another root or the crown, and its half depth in y."""

    points_mm: FloatArray
    half_depth_mm: FloatArray


def root_paths(depths: Depths, apices_mm: Mapping[str, FloatArray], *, top_mm: float) -> dict[str, RootPath]:
    """The middle of each root, slice by slice.

    Parameters
    ----------
    depths : Depths
    apices_mm : mapping of str to (3,) float array, mm
    top_mm : float, mm
        Highest level followed: the floor of the chamber, or the cervical line.
    """
    _, _, z = (axis.ravel() for axis in depths.axes_mm)
    levels = np.flatnonzero((z > min(apex[2] for apex in apices_mm.values())) & (z <= top_mm))
    at = {name: apex[:2] for name, apex in apices_mm.items()}
    found: dict[str, list[FloatArray]] = {name: [] for name in apices_mm}
    for k in map(int, levels):
        labels = _pieces(depths, k)
        here = {name: _label_near(depths, labels, at[name]) for name in apices_mm if z[k] > apices_mm[name][2]}
        for name, label in here.items():
            if label and list(here.values()).count(label) == 1 and (len(here) == 1 or not _joined(found, name, z[k])):
                found[name].append(_middle(depths, labels == label, k, z[k]))
                at[name] = found[name][-1][:2]
    return {name: _path(np.array(rows), apices_mm[name]) for name, rows in found.items()}


def split_paths(paths: Mapping[str, RootPath], canals: Sequence[tuple[str, int]]) -> dict[str, FloatArray]:
    """A middle line a canal, from the top down: roots named in `canals` hold two, buccal and lingual, that part evenly."""
    doubled = {root for root, number in canals if number == 2}
    lines: dict[str, FloatArray] = {}
    for name, path in paths.items():
        root = name.removesuffix("apex").strip()
        points = path.points_mm[::-1]
        if root not in doubled:
            lines[root or ONE_CANAL] = points
            continue
        aside = np.zeros_like(points)
        aside[:, 1] = CANAL_ASIDE * path.half_depth_mm[::-1]
        half = {"mesial": "mesio", "distal": "disto"}[root]
        lines |= {f"{half}buccal": points + aside, f"{half}lingual": points - aside}
    return lines


def furcation(depths: Depths, paths: Mapping[str, RootPath]) -> FloatArray | None:
    """The highest point of the roof between the roots; None for a tooth with one root.

    Notes
    -----
    Over the middle of the roots' upper ends, the outer surface first met going down from the cervical line.
    """
    if len(paths) < 2:
        return None
    x, y, z = (axis.ravel() for axis in depths.axes_mm)
    middle = np.mean([path.points_mm[-1, :2] for path in paths.values()], axis=0)
    near = np.hypot(x[:, None] - middle[0], y[None, :] - middle[1]) <= 1.2
    below = np.flatnonzero(z <= 0.0)[::-1]
    columns = depths.grid.values[near][:, below].astype(float)
    outside = columns > 0
    first: NDArray[np.intp] = np.where(outside.any(axis=1), np.argmax(outside, axis=1), len(below) - 1)
    row = np.arange(len(columns))
    cut: NDArray[np.intp] = np.maximum(first, 1)
    under, over = columns[row, cut], columns[row, cut - 1]
    share = np.clip(
        under / np.maximum(under - over, 1e-9), 0.0, 1.0
    )  # a column that never leaves the tooth has no crossing
    height = z[below][cut] + depths.grid.spacing_mm * share
    best = int(np.argmax(height))
    i, j = np.argwhere(near)[best]
    return np.array([x[i], y[j], height[best]])


def _pieces(depths: Depths, k: int) -> NDArray[np.int32]:
    from scipy.ndimage import label

    labels: NDArray[np.int32] = np.asarray(label(depths.grid.values[:, :, k] < 0)[0], dtype=np.int32)
    return labels


def _label_near(depths: Depths, labels: NDArray[np.int32], at: FloatArray) -> int:
    """The piece that holds a point, or the nearest one within 1 mm; 0 for none."""
    x, y, _ = (axis.ravel() for axis in depths.axes_mm)
    square = (x[:, None] - at[0]) ** 2 + (y[None, :] - at[1]) ** 2
    square = np.where(labels > 0, square, np.inf)
    nearest = int(np.argmin(square))
    return int(labels.ravel()[nearest]) if square.ravel()[nearest] < 1.0 else 0


def _joined(found: Mapping[str, list[FloatArray]], name: str, z: float) -> bool:
    """Whether the root has met another one lower down."""
    rows = found[name]
    return bool(rows) and z - rows[-1][2] > 0.5


def _middle(depths: Depths, piece: NDArray[np.bool_], k: int, z: float) -> FloatArray:
    """The piece's middle weighed by depth, so that it lies where a canal would, and its half depth in y."""
    x, y, _ = (axis.ravel() for axis in depths.axes_mm)
    i, j = np.nonzero(piece)
    weight = -depths.grid.values[i, j, k].astype(float)
    weight /= weight.sum()
    return np.array([weight @ x[i], weight @ y[j], z, 0.5 * float(np.ptp(y[j]))])


def _path(rows: FloatArray, apex: FloatArray) -> RootPath:
    """The rows smoothed along the root, the apex put first."""
    from scipy.ndimage import gaussian_filter1d

    soft = gaussian_filter1d(rows, 2.5, axis=0, mode="nearest")
    soft[:, 2] = rows[:, 2]
    kept = soft[soft[:, 2] > apex[2] + 0.6]
    points = np.vstack([apex, kept[:, :3]])
    return RootPath(points, np.concatenate([[0.0], kept[:, 3]]))
