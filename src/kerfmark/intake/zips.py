"""Zips that others made: every member is found harmless before any is read."""

from __future__ import annotations

import stat
import zipfile
from collections.abc import Sequence

from kerfmark.errors import InputError, printable
from kerfmark.settings import Limits

__all__ = ["PASSED_OVER", "ZIP_MARK", "checked_members"]

ZIP_MARK = b"PK\x03\x04"
PASSED_OVER = ("__MACOSX/", ".DS_Store")
"""What some systems add to a zip."""


def checked_members(members: Sequence[zipfile.ZipInfo], shown: str, limits: Limits) -> dict[str, zipfile.ZipInfo]:
    """The files of a zip by name, once every member has been found harmless; how many there may be is the caller's to say.

    What the members say they unpack to is trusted: reading one never gives more than it said.

    Raises
    ------
    InputError
        If they unpack to too much, or one of them is locked, a link, reaches outside or is there twice.
    """
    total = sum(member.file_size for member in members)
    if total > limits.unpacked_mib * 2**20:
        raise InputError(
            f"{shown} unpacks to {total / 2**20:.1f} MiB, expected at most unpacked_mib = {limits.unpacked_mib}. "
            "Reduce the files or raise KERFMARK_LIMIT_UNPACKED_MIB."
        )
    files: dict[str, zipfile.ZipInfo] = {}
    for member in members:
        fault = _fault(member, files)
        if fault is not None:
            name = printable(member.orig_filename, limit=80)
            raise InputError(
                f"{shown}: member '{name}' {fault}, expected plain files in one folder, each once. Make the zip anew."
            )
        if not member.is_dir() and not member.filename.startswith(PASSED_OVER):
            files[member.filename] = member
    return files


def _fault(member: zipfile.ZipInfo, known: dict[str, zipfile.ZipInfo]) -> str | None:
    """What makes a member unacceptable, in words."""
    name = member.orig_filename
    segments = name.rstrip("/").split("/")
    if name.startswith("/") or "\\" in name or (len(name) > 1 and name[1] == ":"):
        return "has an absolute name or a backslash"
    if any(segment in ("", ".", "..") for segment in segments):
        return "has a name with '..', '.' or nothing between two '/'"
    if not name.isprintable():
        return "has control characters in its name"
    if member.flag_bits & 0x1:
        return "is locked by a password"
    mode = member.external_attr >> 16
    if stat.S_IFMT(mode) not in (0, stat.S_IFREG, stat.S_IFDIR):
        return "is a link or a device"
    return "is there twice" if member.filename in known else None
