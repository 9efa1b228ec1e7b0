"""The note a written file carries where its format keeps one, and the one note that is looked for in what comes in."""

from __future__ import annotations

__all__ = ["SIMULATED", "says_simulated"]

SIMULATED = "simulated by kerfmark"
"""Every simulated piece or motion we write says so of itself, so that nobody takes it for somebody's work."""
HEAD, TAIL = 4096, 256


def says_simulated(data: bytes) -> bool:
    """Whether a mesh file says that it is simulated: in its header, or at its end (the comment of a zip)."""
    note = SIMULATED.encode("ascii")
    return note in data[:HEAD] or note in data[-TAIL:]
