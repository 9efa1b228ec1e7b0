"""Layers on a grid: signed distances with sub-voxel faces, labels, and the NRRD file that carries them."""

from __future__ import annotations

import gzip
from collections.abc import Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import InputError
from kerfmark.geometry.grids import distance_grid
from kerfmark.geometry.mesh import bounds_mm
from kerfmark.geometry.mesh_files import SIMULATED
from kerfmark.records import FloatArray, Grid, Surface

__all__ = ["LABELS", "label_grid", "layer_grids", "write_nrrd"]

LABELS = {"enamel": 1, "dentine": 2, "pulp": 3, "caries": 4, "cortical": 5, "cancellous": 6, "gingiva": 7}
"""Numbers of tissues in a label volume; 0 is outside."""

_TYPES = {"uint8": "uint8", "int16": "int16", "float32": "float"}


def layer_grids(
    layers: Mapping[str, Surface], *, spacing_mm: float, band_mm: float | None = None, memory_mib: int = 1024
) -> dict[str, Grid]:
    """Signed distance of each layer on one grid that holds them all, so that faces stand between voxels where they are.

    Parameters
    ----------
    layers : mapping of str to Surface
        Closed.
    spacing_mm : float, mm
    band_mm : float, mm, optional
        Distances are exact this far; four voxels if left out.
    memory_mib : int
        Refuse grids that together take more than this.

    Raises
    ------
    InputError
        If the spacing is not above 0, or the grids would not fit in the memory.
    """
    low, high = _frame(layers, spacing_mm, memory_mib)
    band = 4 * spacing_mm if band_mm is None else band_mm
    box = np.stack([low, high])
    return {
        name: distance_grid(layer, spacing_mm=spacing_mm, band_mm=band, bounds_mm=box) for name, layer in layers.items()
    }


def label_grid(grids: Mapping[str, Grid], labels: Mapping[str, int] | None = None) -> tuple[NDArray[np.uint8], Grid]:
    """The number of the layer each voxel's centre lies in, 0 for none; where layers overlap the later one wins."""
    numbers = LABELS if labels is None else labels
    first = next(iter(grids.values()))
    found = np.zeros(first.values.shape, dtype=np.uint8)
    for name, grid in grids.items():
        found[grid.values < 0] = numbers[name]
    return found, first


def write_nrrd(
    path: str | Path,
    values: NDArray[np.generic],
    *,
    origin_mm: FloatArray,
    spacing_mm: float,
    simulated: bool = False,
) -> None:
    """Write a volume as NRRD, gzipped, axes x, y, z in array order.

    The frame is written as it is, millimetres, and called left-posterior-superior, the space every reader knows; a tooth
    frame has no patient about it. With `simulated` its head says that it is.

    Raises
    ------
    InputError
        If the values are not 8-bit, 16-bit or single-precision numbers.
    """
    if values.dtype.name not in _TYPES or values.ndim != 3:
        raise InputError(
            f"{Path(path).name}: values are {values.ndim}-dimensional {values.dtype.name}, expected three dimensions of "
            f"{', '.join(_TYPES)}. Convert them first."
        )
    way = " ".join("(" + ",".join(f"{spacing_mm if a == b else 0.0:.17g}" for b in range(3)) + ")" for a in range(3))
    head = [
        "NRRD0004",
        *((f"# {SIMULATED}",) if simulated else ()),
        f"type: {_TYPES[values.dtype.name]}",
        "dimension: 3",
        f"sizes: {' '.join(map(str, values.shape))}",
        "space: left-posterior-superior",
        f"space directions: {way}",
        "kinds: domain domain domain",
        f"space origin: ({','.join(f'{c:.17g}' for c in origin_mm)})",
        "endian: little",
        "encoding: gzip",
    ]
    # Fastest axis first: array order x, y, z is Fortran order on disk. The time in the gzip header is left out, so that
    # the same volume is the same file.
    data = np.asarray(values, dtype=values.dtype.newbyteorder("<")).tobytes(order="F")
    Path(path).write_bytes(("\n".join(head) + "\n\n").encode("ascii") + gzip.compress(data, 6, mtime=0))


def _frame(layers: Mapping[str, Surface], spacing_mm: float, memory_mib: int) -> tuple[FloatArray, FloatArray]:
    if not (np.isfinite(spacing_mm) and spacing_mm > 0):
        raise InputError(f"spacing_mm is {spacing_mm:g}, expected more than 0. Choose a spacing such as 0.1.")
    boxes = np.array([bounds_mm(layer) for layer in layers.values()])
    low, high = boxes[:, 0].min(axis=0) - 2 * spacing_mm, boxes[:, 1].max(axis=0) + 2 * spacing_mm
    voxels = float(np.prod(np.ceil((high - low) / spacing_mm) + 1))
    needed = 4 * voxels * len(layers) / 2**20
    if needed > memory_mib:
        raise InputError(
            f"{len(layers)} grids {spacing_mm:g} mm fine take {needed:.0f} MiB, expected at most {memory_mib} MiB. "
            "Choose a wider spacing or fewer layers."
        )
    return low, high
