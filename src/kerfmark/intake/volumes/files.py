"""The files that may hold a series' slices: those of a folder, or the members of a zip; and a folder as one run of bytes."""

from __future__ import annotations

import zipfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import BinaryIO, Protocol

from kerfmark.errors import InputError, printable
from kerfmark.geometry.file_bytes import check_size
from kerfmark.intake.volumes.content import MARK, MARK_AT, is_dicom
from kerfmark.intake.zips import ZIP_MARK, checked_members
from kerfmark.settings import Limits

__all__ = [
    "PackedFolder",
    "SliceFile",
    "begins_as_dicom",
    "folder_files",
    "is_zip",
    "packed",
    "zip_files",
    "zip_holds_slices",
]

ZIP_TIME = (1980, 1, 1, 0, 0, 0)
LOOK_AT_MEMBERS = 64
TOLD = (zipfile.BadZipFile, OSError, ValueError, RuntimeError, NotImplementedError, EOFError)


class SliceFile(Protocol):
    """A file that may be a slice."""

    @property
    def name(self) -> str:
        """Its name without folders."""
        ...

    def open(self) -> BinaryIO:
        """Its bytes, from the first."""
        ...


@dataclass(frozen=True, slots=True)
class _OnDisk:
    path: Path

    @property
    def name(self) -> str:
        return self.path.name

    def open(self) -> BinaryIO:
        return self.path.open("rb")


@dataclass(frozen=True, slots=True)
class _InZip:
    archive: zipfile.ZipFile
    member: zipfile.ZipInfo

    @property
    def name(self) -> str:
        return self.member.filename.rpartition("/")[2]

    def open(self) -> BinaryIO:
        return BytesIO(self.archive.read(self.member))  # checked beforehand, and never more than the member says


class PackedFolder(bytes):
    """A folder's files as the bytes of a plain zip of them, the same for the same names and contents.

    A type of its own, so that only what was a folder is ever unpacked into one.
    """

    __slots__ = ()

    def members(self) -> dict[str, bytes]:
        """The files by name."""
        with zipfile.ZipFile(BytesIO(self)) as archive:
            return {name: archive.read(name) for name in archive.namelist()}


def packed(files: Iterable[tuple[str, bytes]]) -> PackedFolder:
    """Files of one folder, by their names, as one run of bytes.

    Examples
    --------
    >>> packed([("b", b"2"), ("a", b"1")]) == packed([("a", b"1"), ("b", b"2")])
    True
    """
    held = BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_STORED) as archive:
        for name, data in sorted(files):
            archive.writestr(zipfile.ZipInfo(name, ZIP_TIME), data)
    return PackedFolder(held.getvalue())


def folder_files(folder: Path) -> list[SliceFile]:
    """The files that stand in a folder itself."""
    return [_OnDisk(path) for path in sorted(folder.iterdir()) if path.is_file()]


def is_zip(first: bytes) -> bool:
    """Whether a file's first bytes are those of a zip that holds something."""
    return first.startswith(ZIP_MARK)


def zip_holds_slices(path: Path) -> bool:
    """Whether a zip holds a DICOM file among its first members: so does no other zip that a piece may come as."""
    try:
        with zipfile.ZipFile(path) as archive:
            members = [m for m in archive.infolist()[:LOOK_AT_MEMBERS] if not m.is_dir() and not m.flag_bits & 0x1]
            return any(begins_as_dicom(archive, member) for member in members)
    except TOLD:
        return False


def begins_as_dicom(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> bool:
    """Whether a member's first bytes are those of DICOM; not where it cannot be read."""
    try:
        with archive.open(member) as stream:
            return is_dicom(stream.read(MARK_AT + len(MARK)))
    except TOLD:
        return False


def zip_files(source: Path | bytes, *, name: str, limits: Limits) -> Sequence[SliceFile]:
    """The members of a zip, in whatever folders they stand, each found harmless first.

    Parameters
    ----------
    source : Path or bytes
    name : str
        What messages call it, safe to show.
    limits : Limits
        `file_mib` for the zip, `unpacked_mib` for all it holds, `slices` for the number of its files.

    Raises
    ------
    InputError
        If it is no sound zip, is too large, or a member is locked, a link or reaches outside.
    """
    if not isinstance(source, PackedFolder):  # which holds many files, none of them too large by itself
        size = len(source) if isinstance(source, bytes) else source.stat().st_size
        check_size(size, name=name, smaller="Crop the series", limits=limits)
    try:
        archive = zipfile.ZipFile(BytesIO(source) if isinstance(source, bytes) else source)
    except TOLD as error:
        reason = printable(error, limit=80) or type(error).__name__
        raise InputError(
            f"{name}: cannot be read as a zip ({reason}), expected one of DICOM slices. Make the zip anew."
        ) from error
    if len(archive.infolist()) > 2 * limits.slices:
        raise InputError(
            f"{name}: holds {len(archive.infolist())} members, expected at most limits.slices = {limits.slices} files. Zip one series "
            "alone or raise KERFMARK_LIMIT_SLICES."
        )
    members = checked_members(archive.infolist(), name, limits)
    return [_InZip(archive, members[key]) for key in sorted(members)]
