"""A learner's volume as a surface: a CT of what was cut, made ready for registration like any other scan."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from kerfmark.errors import printable
from kerfmark.geometry.edges import face_edges
from kerfmark.geometry.material import bodies_of, material_surface
from kerfmark.geometry.mending import Health
from kerfmark.geometry.volumes import voxel_mm
from kerfmark.intake.surfaces import TakenIn
from kerfmark.intake.volumes import read_volume
from kerfmark.records import Remark
from kerfmark.settings import Limits

__all__ = ["COARSE_MM", "take_in_volume"]

COARSE_MM = 0.5
"""Voxels above this leave a surface that tenths of a millimetre cannot be read from."""


def take_in_volume(
    path: Path,
    *,
    name: str,
    limits: Limits,
    labels: Mapping[int, str],
    threshold: float | None,
    series: str | None = None,
) -> TakenIn:
    """Read a piece's volume and find the surface of its material.

    Parameters
    ----------
    path : Path
        A folder of DICOM slices, NRRD or NIfTI.
    name : str
        What messages call it.
    limits : Limits
    labels : label → name
        The exercise's table; the volume holds labels where it has one and states no threshold.
    threshold : float or None
        The grey above which a voxel is material.
    series : str, optional
        Which DICOM series.

    Returns
    -------
    taken : TakenIn
        Bodies in LPS mm, largest first; open where the volume ends.

    Raises
    ------
    InputError
        If the volume cannot be read, holds no material, or labels that are not in the table.
    """
    shown = printable(name, limit=120)
    file = read_volume(path, name=name, limits=limits, series=series)
    held = labels if threshold is None else {}
    surface, remarks = material_surface(file.volume, labels=held, threshold=threshold, closed=False, name=shown)
    parts = bodies_of(surface, limits=limits, name=shown)
    coarse = float(voxel_mm(file.volume).max())
    if coarse > COARSE_MM:
        words = f"its voxels are up to {coarse:.2g} mm; a surface found between them is sure to about a tenth of that"
        remarks = (*remarks, Remark("coarse-voxels", shown, words))
    open_edges = int((face_edges(parts[0]).count == 1).sum())
    health = Health(open_edges, 0, 0, len(parts), 0, 0, 0)
    return TakenIn(parts, file.sha256, health, (*file.remarks, *remarks))
