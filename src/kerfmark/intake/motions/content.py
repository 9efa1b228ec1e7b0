"""What a file holds, by its first bytes."""

from __future__ import annotations

from pathlib import Path

from kerfmark.errors import InputError, printable
from kerfmark.settings import Limits

__all__ = ["MAGIC", "bytes_of", "looks_like_motion"]

MAGIC = b"PAR1"
LOOK_AT = 4096
BYTE_ORDER_MARK = b"\xef\xbb\xbf"


def looks_like_motion(path: Path) -> bool:
    """Whether a file is a recorded motion: Parquet, or text whose first row names `time_s`.

    A file that cannot be read is none; whoever reads it says why.

    Examples
    --------
    >>> looks_like_motion(Path("no such file"))
    False
    """
    try:
        with path.open("rb") as stream:
            start = stream.read(LOOK_AT)
    except (OSError, ValueError):
        return False
    first = start.removeprefix(BYTE_ORDER_MARK).lstrip().split(b"\n", 1)[0]
    return start.startswith(MAGIC) or b"time_s" in first.replace(b'"', b"")


def bytes_of(path: Path, *, name: str, limits: Limits) -> bytes:
    """All of a motion file.

    Raises
    ------
    InputError
        If it is not a regular file, cannot be read, is empty or larger than the limit.
    """
    try:
        if path.exists() and not path.is_file():
            raise InputError(
                f"{name}: is not a regular file, expected a motion (Parquet or CSV). Give the file itself."
            )
        with path.open("rb") as stream:
            data = stream.read(limits.file_mib * 2**20 + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(
            f"{name}: cannot be read ({printable(reason, limit=80)}), expected a motion (Parquet or CSV). Check its path."
        ) from error
    if len(data) > limits.file_mib * 2**20:
        raise InputError(
            f"{name}: is larger than limits.file_mib = {limits.file_mib} MiB, expected at most that. Hand in a shorter "
            "record or raise KERFMARK_LIMIT_FILE_MIB."
        )
    if not data.strip():
        raise InputError(f"{name}: is empty, expected a motion (Parquet or CSV). Export it again.")
    return data
