"""The same sweep on a CUDA device, for who has one: `pip install "kerfmark[cuda]"`.

The same poses, the same rule for the time of cut; each voxel is one thread and takes the poses in their order. Its results differ
from the processor's by the last bits of single precision (`docs/replay.md`).
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import InputError
from kerfmark.records import FloatArray, IntArray, Motion

if TYPE_CHECKING:
    from kerfmark.replay.sweep import Head

__all__ = ["DeviceSweep", "swept_on_device"]

WINDOW, THREADS = 16, 512


def swept_on_device(
    motion: Motion,
    cuts: NDArray[np.bool_],
    candidates: IntArray,
    *,
    heads: tuple[Head, ...],
    origin_mm: FloatArray,
    spacing_mm: float,
    band_mm: float,
    step_mm: float,
) -> tuple[IntArray, NDArray[np.float32], NDArray[np.float32], int]:
    """Blocks that a motion's heads came near to, their distances and times, and how many poses were swept.

    Parameters
    ----------
    motion : Motion
    cuts : (n,) bool array
        From `kerfmark.replay.poses.cutting_stretches`.
    candidates : (m, 3) int array
        Blocks to look at, in lexicographic order.
    heads : tuple of Head
        One for each of `motion.instruments`.
    origin_mm, spacing_mm, band_mm
        Of the grid.
    step_mm : float
        No point of a head moves farther from one pose to the next.

    Raises
    ------
    InputError
        If no CUDA device, or not the library that speaks to one, is there.
    """
    device = DeviceSweep(candidates, origin_mm=origin_mm, spacing_mm=spacing_mm, band_mm=band_mm)
    changes = np.flatnonzero(np.diff(motion.instrument)) + 1
    poses = 0
    for run in np.split(np.arange(len(cuts)), changes):
        own = np.zeros(len(cuts), dtype=bool)
        own[run] = cuts[run]
        poses += device.take(
            motion.tip_mm,
            motion.orientation,
            motion.time_s,
            own,
            head=heads[motion.instrument[run[0]]],
            step_mm=step_mm,
        )
    return (*device.blocks(), poses)


class DeviceSweep:
    """A grid's blocks on the device.

    Parameters
    ----------
    places : (n, 3) int array
        Blocks of 8 × 8 × 8 voxels, counted from the grid's origin.
    origin_mm : (3,) float array
    spacing_mm, band_mm : float
    """

    def __init__(self, places: IntArray, *, origin_mm: FloatArray, spacing_mm: float, band_mm: float) -> None:
        cupy = self._cupy = _cupy()
        source = Path(__file__).with_name("sweep.cu").read_text(encoding="utf-8")
        self._module = cupy.RawModule(code=source, options=("--std=c++17",))
        self._places = cupy.asarray(np.ascontiguousarray(places, dtype=np.int32))
        self._origin = cupy.asarray(np.asarray(origin_mm, dtype=np.float64))
        self._spacing, self._band = np.float32(spacing_mm), np.float32(band_mm)
        self._distance = cupy.full((len(places), 8, 8, 8), self._band, cupy.float32)
        self._time = cupy.full(self._distance.shape, cupy.inf, cupy.float32)

    def take(
        self,
        tip_mm: FloatArray,
        orientation: FloatArray,
        time_s: FloatArray,
        cuts: NDArray[np.bool_],
        *,
        head: Head,
        step_mm: float,
    ) -> int:
        """Sweep the stretches that cut; how many poses that took.

        Parameters
        ----------
        tip_mm, orientation, time_s, cuts
            Of the samples, as in `Motion`.
        head : Head
        step_mm : float
        """
        cupy, n = self._cupy, len(time_s)
        tip, turn, seconds = (
            cupy.asarray(np.ascontiguousarray(a, dtype=np.float64)) for a in (tip_mm, orientation, time_s)
        )
        cut = cupy.asarray(np.ascontiguousarray(cuts, dtype=np.bool_))
        counts, each, reach = cupy.empty(n, cupy.int64), -(-n // 256), float(np.hypot(head.length_mm, head.radius_mm))
        self._run("count_poses", each, 256, tip, turn, cut, np.int32(n), np.float64(reach), np.float64(step_mm), counts)
        ends = cupy.cumsum(counts)
        total = int(ends[-1])
        if total == 0:
            return 0
        poses, linked = cupy.empty((7, total), cupy.float32), cupy.empty(total, cupy.bool_)
        self._run(
            "write_poses", each, 256, tip, turn, seconds, cut, ends, np.int32(n), self._origin, np.int64(total), poses,
            linked,
        )  # fmt: skip
        self._sweep(poses, linked, head, reach)
        return total

    def _sweep(self, poses: Any, linked: Any, head: Head, reach: float) -> None:
        cupy = self._cupy
        windows, strides = (self._windows(poses, size, reach) for size in (WINDOW, WINDOW * WINDOW))
        faces, fans, segments = (
            cupy.asarray(np.ascontiguousarray(a, dtype=np.float32)) for a in (head.faces, head.fans, head.segments)
        )
        self._run(
            "sweep", len(self._places), THREADS, self._places, self._spacing, self._band, poses, linked,
            np.int64(poses.shape[1]), windows, np.int32(windows.shape[1]), strides, np.int32(strides.shape[1]), faces,
            np.int32(len(faces)), fans, np.int32(len(fans)), segments, np.int32(len(segments)), self._distance, self._time,
        )  # fmt: skip

    def _windows(self, poses: Any, size: int, reach: float) -> Any:
        """Runs of so many poses: the middle pose of each, and how far the head strays from it."""
        total = poses.shape[1]
        count = -(-total // size)
        windows = self._cupy.empty((7, count), self._cupy.float32)
        self._run(
            "write_windows", -(-count // 64), 64, poses, np.int64(total), np.float32(reach), np.int32(size), windows,
            np.int32(count),
        )  # fmt: skip
        return windows

    def blocks(self) -> tuple[IntArray, NDArray[np.float32], NDArray[np.float32]]:
        """Places (n, 3), distances and times (n, 8, 8, 8) of the blocks that a head came near to."""
        near = self._distance.reshape(len(self._places), -1).min(axis=1) < self._band
        return tuple(self._cupy.asnumpy(a[near]) for a in (self._places, self._distance, self._time))

    def _run(self, name: str, blocks: int, threads: int, *arguments: Any) -> None:
        self._module.get_function(name)((blocks,), (threads,), arguments)


def _cupy() -> Any:
    try:
        import cupy

        cupy.cuda.runtime.getDeviceCount()
    except Exception as missing:
        raise InputError(
            f"--device cuda: {type(missing).__name__} on asking for a CUDA device, expected one and the library cupy. "
            'Install it with pip install "kerfmark[cuda]", or leave the option out: the result is the same.'
        ) from missing
    return cupy
