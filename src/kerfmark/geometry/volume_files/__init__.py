"""Volume files of one piece: NRRD and NIfTI, told apart by their content, read strictly and within limits, in LPS millimetres."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

import numpy as np

from kerfmark.errors import InputError, printable
from kerfmark.geometry.file_bytes import check_size, file_bytes
from kerfmark.geometry.mesh_files import SIMULATED
from kerfmark.geometry.volume_files.content import VolumeFile
from kerfmark.geometry.volume_files.nifti import is_nifti, read_nifti
from kerfmark.geometry.volume_files.nrrd import attached, data_file_of, is_nrrd, read_nrrd
from kerfmark.records import Remark
from kerfmark.settings import Limits

__all__ = ["SMALLER", "VolumeFile", "looks_like_volume", "read_volume_file"]

READERS = {"nrrd": read_nrrd, "nifti": read_nifti}
SUFFIXES = {".nrrd": "nrrd", ".nii": "nifti", ".nii.gz": "nifti"}
SMALLER = "Crop it to the jaw"
LOOK_AT = 65536
PLAIN_NAME = re.compile(r"(?!LIST$)[\w][\w .+-]*")
"""Of a data file: no folder, no pattern or list of several files."""


def looks_like_volume(first: bytes) -> bool:
    """Whether a file's first bytes are those of an NRRD or NIfTI volume."""
    return _format_of(first) is not None


def read_volume_file(source: Path | bytes, *, name: str, limits: Limits) -> VolumeFile:
    """A volume from a file.

    Parameters
    ----------
    source : Path or bytes
        The file, or what it holds.
    name : str
        What messages call it; its suffix is compared with the content.
    limits : Limits

    Returns
    -------
    file : VolumeFile
        In LPS, with a remark `suffix-differs` where the suffix says another format than the content.

    Raises
    ------
    InputError
        If the file is neither, is damaged, says too little about where its voxels are, or is beyond a limit.
    """
    shown = printable(name, limit=120)
    data = (
        source
        if isinstance(source, bytes)
        else file_bytes(source, what="a volume", name=shown, smaller=SMALLER, limits=limits)
    )
    check_size(len(data), name=shown, smaller=SMALLER, limits=limits)
    if isinstance(source, Path) and is_nrrd(data):
        data = _with_voxels(data, source, name=shown, limits=limits)
    form = _format_of(data[:LOOK_AT])
    if form is None:
        raise InputError(
            f"{shown}: is neither NRRD nor NIfTI by its content, expected one of them or a folder of DICOM slices. Export it again."
        )
    with np.errstate(invalid="ignore", over="ignore"):  # what is not finite is refused by the reader in words
        volume, remarks = READERS[form](data, name=shown, limits=limits)
    said = next((f for suffix, f in SUFFIXES.items() if name.lower().endswith(suffix)), None)
    if said not in (None, form):
        remarks += (Remark("suffix-differs", shown, f"holds {form.upper()}; read as what it holds"),)
    if SIMULATED.encode("ascii") in data[:LOOK_AT]:
        remarks += (Remark("simulated", shown, "says of itself that it is simulated: nobody cut it"),)
    return VolumeFile(volume, hashlib.sha256(data).hexdigest(), remarks)


def _with_voxels(head: bytes, path: Path, *, name: str, limits: Limits) -> bytes:
    """An NRRD with its voxels: of a detached head those of the file it names, where that lies beside it; else as it is."""
    named = data_file_of(head)
    if named is None or not PLAIN_NAME.fullmatch(named):
        return head
    beside = path.parent / named
    if not beside.is_file() or beside.resolve().parent != path.resolve().parent:
        return head
    voxels = file_bytes(beside, what="its voxels", name=f"{name}: {named}", smaller=SMALLER, limits=limits)
    return attached(head, voxels)


def _format_of(first: bytes) -> str | None:
    if is_nrrd(first):
        return "nrrd"
    return "nifti" if is_nifti(first) else None
