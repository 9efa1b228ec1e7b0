"""Volumes as they come in: DICOM slices in a folder or a zip, NRRD or NIfTI, told apart by their content, in LPS millimetres."""

from __future__ import annotations

from pathlib import Path

from kerfmark.errors import InputError, printable
from kerfmark.geometry.file_bytes import check_size
from kerfmark.geometry.volume_files import SMALLER, VolumeFile, looks_like_volume, read_volume_file
from kerfmark.intake.volumes.content import is_dicom
from kerfmark.intake.volumes.files import PackedFolder, folder_files, is_zip, zip_files, zip_holds_slices
from kerfmark.settings import Limits

__all__ = ["VolumeFile", "is_volume", "read_volume", "read_volume_bytes"]

LOOK_AT = 65536
SUFFIXES = (".nrrd", ".nhdr", ".nii", ".nii.gz", ".dcm")


def is_volume(path: Path) -> bool:
    """Whether this is a volume: a folder, a zip of DICOM slices, a DICOM, NRRD or NIfTI file by its content, or by its suffix where its content is none."""
    try:
        if path.is_dir():
            return True
        with path.open("rb") as stream:
            first = stream.read(LOOK_AT)
    except (OSError, ValueError):
        return path.name.lower().endswith(SUFFIXES)
    held = zip_holds_slices(path) if is_zip(first) else is_dicom(first) or looks_like_volume(first)
    return held or path.name.lower().endswith(SUFFIXES)


def read_volume(path: Path, *, name: str, limits: Limits, series: str | None = None) -> VolumeFile:
    """A volume in LPS.

    Parameters
    ----------
    path : Path
        A folder of DICOM slices, a zip of them, or a file.
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
    from kerfmark.intake.volumes.dicom import read_series  # a heavy library, loaded for those who need it

    shown = printable(name, limit=120)
    try:
        if path.is_dir():
            deeper = any(p.is_dir() for p in path.iterdir())
            return read_series(folder_files(path), name=shown, limits=limits, series=series, deeper=deeper)
        with path.open("rb") as stream:
            first = stream.read(LOOK_AT)
        if is_zip(first):
            return read_series(zip_files(path, name=shown, limits=limits), name=shown, limits=limits, series=series)
        _check_no_series(series, "--series", name=shown)
        if is_dicom(first):
            check_size(path.stat().st_size, name=shown, smaller=SMALLER, limits=limits)
            return read_volume_bytes(path.read_bytes(), name=name, limits=limits)
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError(
            f"{shown}: cannot be read ({printable(reason, limit=80)}), expected a folder of DICOM slices, NRRD or NIfTI. Check its path."
        ) from error
    return read_volume_file(path, name=name, limits=limits)


def read_volume_bytes(data: bytes, *, name: str, limits: Limits, series: str | None = None) -> VolumeFile:
    """As `read_volume`, of what a file holds, or of a whole folder (`PackedFolder`); for an exercise's own volume."""
    from kerfmark.intake.volumes.dicom import read_frames, read_series

    shown = printable(name, limit=120)
    if is_zip(data) or isinstance(data, PackedFolder):
        return read_series(zip_files(data, name=shown, limits=limits), name=shown, limits=limits, series=series)
    _check_no_series(series, "[subject] series", name=shown)
    if is_dicom(data):
        check_size(len(data), name=shown, smaller=SMALLER, limits=limits)
        return read_frames(data, name=shown, limits=limits)
    return read_volume_file(data, name=name, limits=limits)


def _check_no_series(series: str | None, key: str, *, name: str) -> None:
    if series is not None:
        raise InputError(f"{name}: is one file, and {key} goes with a folder or zip of DICOM slices. Leave it out.")
