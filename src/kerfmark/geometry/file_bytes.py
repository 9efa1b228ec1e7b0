"""What a file of measured data holds, read whole: a regular file, within the limit, or a sentence that says why not."""

from __future__ import annotations

import stat
from pathlib import Path

from kerfmark.errors import InputError, printable
from kerfmark.settings import Limits

__all__ = ["check_size", "file_bytes"]


def file_bytes(path: Path, *, name: str, what: str, smaller: str, limits: Limits) -> bytes:
    """The bytes of a file.

    Parameters
    ----------
    path : path
    name : str
        What messages call it.
    what : str
        What it should be, with its article: `a mesh file`.
    smaller : str
        How to make such a file smaller: `Export it coarser`.
    limits : Limits

    Raises
    ------
    InputError
        If it cannot be read, is no regular file, or is beyond the limit.
    """
    try:
        with path.open("rb") as stream:
            status = path.stat()
            if not stat.S_ISREG(status.st_mode):
                raise InputError(f"{printable(name)}: is not a regular file, expected {what}. Give the file itself.")
            check_size(status.st_size, name=name, smaller=smaller, limits=limits)
            return stream.read(limits.file_mib * 2**20 + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(
            f"{printable(name)}: cannot be read ({printable(reason, limit=80)}), expected {what}. Check its path."
        ) from error


def check_size(size: int, *, name: str, smaller: str, limits: Limits) -> None:
    """Refuse so many bytes where they are more than a file may have."""
    if size > limits.file_mib * 2**20:
        raise InputError(
            f"{printable(name)}: is {size / 2**20:.0f} MiB, expected at most limits.file_mib = {limits.file_mib}. {smaller} or "
            "raise KERFMARK_LIMIT_FILE_MIB."
        )
