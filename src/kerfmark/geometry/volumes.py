"""Volumes in space: greys at points, the surface at a level, the level itself where nobody states one."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfmark.errors import InputError
from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.voxels import read_voxels
from kerfmark.records import FloatArray, Surface, Volume

__all__ = [
    "bounds_of",
    "carried",
    "halfway_level",
    "labelled_surface",
    "level_surface",
    "sample_volume",
    "voxel_mm",
    "voxel_points",
]

BINS = 256
LOOKED_AT = 4_000_000
SMOOTHED_BINS = 4.0
LEAST_PROMINENCE = 0.06
LEAST_APART = 0.1
LABEL_SMOOTHED = 0.7
"""Voxels over which the steps of a label's face are evened out: less than one, so that it moves by less than half of one."""


def voxel_mm(volume: Volume) -> FloatArray:
    """(3,) lengths of a voxel's sides."""
    return np.asarray(np.linalg.norm(volume.matrix[:3, :3], axis=0))


def carried(volume: Volume, matrix: ArrayLike) -> Volume:
    """The same voxels in another frame: `matrix` (4, 4) carries the old frame's coordinates into the new one's."""
    return Volume(volume.values, np.asarray(matrix, dtype=float) @ volume.matrix)


def voxel_points(volume: Volume, indices: ArrayLike) -> FloatArray:
    """(n, 3) mm of voxel indices (n, 3), whole or not."""
    return np.asarray(np.asarray(indices, dtype=float) @ volume.matrix[:3, :3].T + volume.matrix[:3, 3])


def bounds_of(volume: Volume) -> FloatArray:
    """(2, 3) least and greatest coordinates of its outermost voxels' centres, mm."""
    last = np.array(volume.values.shape) - 1
    corners = voxel_points(volume, np.array(np.meshgrid(*zip([0, 0, 0], last, strict=True))).reshape(3, -1).T)
    return np.array([corners.min(axis=0), corners.max(axis=0)])


def sample_volume(volume: Volume, points_mm: ArrayLike, *, outside: float = np.nan) -> FloatArray:
    """Trilinear greys at points of the volume's frame.

    Parameters
    ----------
    volume : Volume
    points_mm : (n, 3) float array, mm
    outside : float
        What is given beyond the outermost voxels' centres.

    Returns
    -------
    greys : (n,) float array

    Notes
    -----
    Between two voxels nothing finer is known; trilinear reading adds no blur beyond one voxel and invents no edges.
    """
    points = read_only(points_mm, np.float64).reshape(-1, 3)
    inverse = read_only(np.linalg.inv(volume.matrix)[:3], np.float64)
    greys: FloatArray = read_voxels(volume.values, inverse, points, float(outside))
    return greys


def halfway_level(values: NDArray[np.generic]) -> float | None:
    """Halfway between the two modes of the greys; None where there are not two.

    Looks at every so many voxels of a large volume. The modes are the two peaks that stand out most, of the square root of
    the counts, so that bone is seen beside much more air.

    Examples
    --------
    >>> greys = np.concatenate([np.full(5000, -1000), np.full(900, 1500), np.arange(-1000, 1500, 5)])
    >>> abs(halfway_level(greys.reshape(-1, 5, 2)) - 250.0) < 15.0
    True
    """
    from scipy.ndimage import gaussian_filter1d
    from scipy.signal import find_peaks

    flat = values.reshape(-1, order="A")
    some = flat[:: max(1, flat.size // LOOKED_AT)].astype(float)
    low, high = (float(q) for q in np.percentile(some, [0.05, 99.95]))
    if not high > low:
        return None
    counts, edges = np.histogram(np.clip(some, low, high), bins=BINS)
    heights = np.pad(gaussian_filter1d(np.sqrt(counts.astype(float)), SMOOTHED_BINS, mode="constant"), 1)
    peaks, facts = find_peaks(heights, prominence=LEAST_PROMINENCE * heights.max(), distance=LEAST_APART * BINS)
    if len(peaks) < 2:
        return None
    middles = 0.5 * (edges[:-1] + edges[1:])
    two = peaks[np.argsort(facts["prominences"])[-2:]] - 1
    return float(middles[two].mean())


def level_surface(volume: Volume, level: float, *, closed: bool = False) -> Surface:
    """The surface where the greys pass a level (marching cubes); what is above it is inside.

    Parameters
    ----------
    volume : Volume
    level : float
    closed : bool
        Close it where the volume ends; else it is left open there.

    Returns
    -------
    surface : Surface
        In the volume's frame, counter-clockwise seen from outside.

    Raises
    ------
    InputError
        If no voxel or every voxel is above the level.
    """
    from skimage.measure import marching_cubes

    window = _window(volume.values, level)
    part = volume.values[window].astype(np.float32)
    start = np.array([s.start for s in window], dtype=float)
    if closed:
        low = np.float32(min(float(part.min()), level) - 1.0)
        part, start = np.pad(part, 1, constant_values=low), start - 1.0
    if not part.min() < level < part.max():
        raise InputError(f"the volume does not pass the level {level:g}, expected voxels on both sides of it.")
    vertices, faces, _, _ = marching_cubes(part, level=level, gradient_direction="ascent")  # type: ignore[no-untyped-call]
    if np.linalg.det(volume.matrix[:3, :3]) < 0.0:
        faces = faces[:, ::-1]
    return Surface(voxel_points(volume, vertices.astype(float) + start), np.ascontiguousarray(faces, dtype=np.int32))


def _window(values: NDArray[Any], level: float) -> tuple[slice, ...]:
    """The box of voxels above a level and one more each way, found slab by slab."""
    seen = [np.zeros(n, dtype=bool) for n in values.shape]
    for k in range(values.shape[2]):
        slab = values[:, :, k] > level
        seen[0] |= slab.any(axis=1)
        seen[1] |= slab.any(axis=0)
        seen[2][k] = slab.any()
    if not seen[2].any():
        raise InputError(f"the volume does not pass the level {level:g}, expected voxels on both sides of it.")
    spans = [np.flatnonzero(s) for s in seen]
    return tuple(slice(max(int(s[0]) - 1, 0), int(s[-1]) + 2) for s in spans)


def labelled_surface(volume: Volume, labels: ArrayLike) -> Surface:
    """The closed surface of the voxels that hold one of some labels, its steps evened out.

    Raises
    ------
    InputError
        If no voxel holds one.
    """
    from scipy.ndimage import gaussian_filter

    inside = np.isin(volume.values, np.asarray(labels)).astype(np.float32)
    if not inside.any():
        raise InputError("no voxel holds the label, expected some. Leave the label out or export the volume again.")
    padded = Volume(np.pad(inside, 2), volume.matrix @ _shifted(-2.0))
    even = gaussian_filter(padded.values, LABEL_SMOOTHED)
    return level_surface(Volume(even, padded.matrix), 0.5)


def _shifted(by: float) -> FloatArray:
    matrix = np.eye(4)
    matrix[:3, 3] = by
    return matrix
