"""Every failure a person can meet. Each message says where, what was found, what is accepted, what to do next."""

from __future__ import annotations

__all__ = [
    "AlignmentError",
    "ConflictError",
    "EvidenceError",
    "InputError",
    "KerfmarkError",
    "MeasurementError",
    "MissingError",
    "RightsError",
    "StoreError",
    "UsageError",
    "printable",
]


class KerfmarkError(Exception):
    """A failure whose message is meant for the person at the keyboard; `exit_status` is what the shell returns."""

    exit_status = 1


class InputError(KerfmarkError):
    """A file, a value or an option is not what it has to be."""

    exit_status = 2


class UsageError(InputError):
    """The command was asked for something it does not offer."""


class AlignmentError(KerfmarkError):
    """The piece cannot be laid over the exercise: a mirror image, another tooth, too little of it, too large a residual."""

    exit_status = 3


class MeasurementError(KerfmarkError):
    """No criterion's reading could be measured on this piece, or the exercise cannot be cut or marked."""

    exit_status = 3


class EvidenceError(KerfmarkError):
    """The data cannot answer what was asked of them: too few people, no spread, groups that are not linked.

    A statistic raises it in place of a number that would mean nothing; a report shows its sentence where the number
    would have stood.
    """

    exit_status = 3


class RightsError(KerfmarkError):
    """Somebody asked for what they may not see or do."""

    exit_status = 2


class MissingError(InputError):
    """There is no such thing, or none that this person may know of."""


class ConflictError(InputError):
    """It was done already, or what stands now does not allow it."""


class StoreError(KerfmarkError):
    """The store cannot be used as it is: it does not answer, a file is damaged, the disk is full."""


def printable(text: object, *, limit: int = 200) -> str:
    r"""Text from a file made safe to show: control characters escaped, long runs cut.

    Parameters
    ----------
    text : object
        Anything a file may have held; shown as `str(text)`.
    limit : int
        Longest result in characters, the cut mark included.

    Returns
    -------
    shown : str

    Examples
    --------
    >>> printable("a\x1b[31mb\n")
    'a\\x1b[31mb\\n'
    """
    shown = "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in str(text))
    return shown if len(shown) <= limit else shown[: limit - 1] + "…"
