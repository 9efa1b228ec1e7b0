"""Volumes as they come in: a folder of DICOM slices, NRRD or NIfTI, told apart by their content, in LPS millimetres."""

from __future__ import annotations

from pathlib import Path

from kerfmark.errors import InputError, printable
from kerfmark.geometry.volume_files import VolumeFile, looks_like_volume, read_volume_file
from kerfmark.intake.volumes.content import is_dicom
from kerfmark.settings import Limits

__all__ = ["VolumeFile", "is_volume", "read_volume"]

LOOK_AT = 65536
SUFFIXES = (".nrrd", ".nhdr", ".nii", ".nii.gz", ".dcm")


def is_volume(path: Path) -> bool:
    """Whether this is a volume: a folder, a DICOM, NRRD or NIfTI file by its content, or by its suffix where its content is none."""
    try:
        if path.is_dir():
            return True
        with path.open("rb") as stream:
            first = stream.read(LOOK_AT)
    except (OSError, ValueError):
        return path.name.lower().endswith(SUFFIXES)
    return is_dicom(first) or looks_like_volume(first) or path.name.lower().endswith(SUFFIXES)


def read_volume(path: Path, *, name: str, limits: Limits, series: str | None = None) -> VolumeFile:
    """A volume in LPS.

    Parameters
    ----------
    path : Path
        A folder of DICOM slices, or a file.
    name : str
        What messages call it.
    limits : Limits
    series : str, optional
        Which DICOM series: its UID or number.

    Returns
    -------
    file : VolumeFile

    Raises
    ------
    InputError
        If it cannot be read whole and in its place.
    """
    from kerfmark.intake.volumes.dicom import read_frames, read_series  # a heavy library, loaded for those who need it

    shown = printable(name, limit=120)
    try:
        if path.is_dir():
            return read_series(path, name=shown, limits=limits, series=series)
        with path.open("rb") as stream:
            first = stream.read(LOOK_AT)
        if series is not None:
            raise InputError(f"{shown}: is one file, and --series goes with a folder of DICOM slices. Leave it out.")
        if is_dicom(first):
            return read_frames(path, name=shown, limits=limits)
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError(
            f"{shown}: cannot be read ({printable(reason, limit=80)}), expected a folder of DICOM slices, NRRD or NIfTI. Check its path."
        ) from error
    return read_volume_file(path, name=name, limits=limits)
