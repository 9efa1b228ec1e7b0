"""What a file holds, by its first bytes."""

from __future__ import annotations

__all__ = ["MARK", "MARK_AT", "is_dicom"]

MARK_AT, MARK = 128, b"DICM"


def is_dicom(first: bytes) -> bool:
    """Whether a file's first bytes are those of DICOM.

    Examples
    --------
    >>> is_dicom(bytes(128) + b"DICM")
    True
    """
    return first[MARK_AT : MARK_AT + len(MARK)] == MARK
