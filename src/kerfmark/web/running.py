"""Sessions of rigs that are running now, as the rigs tell of them: kept in memory, gone when a rig falls silent."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

__all__ = ["Running", "RunningSessions"]

SILENT_S = 10.0
"""A rig tells once a second; one that has not for so long is taken to have stopped."""
MOST = 1000


@dataclass(frozen=True, slots=True)
class Running:
    """One session: whose seat it is for, on which rig, and for how long the tool has been recorded."""

    sitting_id: str
    seat_id: str
    rig: str
    recorded_s: float
    told_at_s: float = 0.0


class RunningSessions:
    """What is running; `changes` grows whenever that changes, so that open pages are told.

    Parameters
    ----------
    clock : callable
        Seconds that only grow.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock, self._lock = clock, threading.Lock()
        self._sessions: dict[tuple[str, str], Running] = {}
        self._changes = 0

    def tell(self, who: str, session: str, running: Running) -> None:
        """Take what a rig tells of one of its sessions."""
        with self._lock:
            self._drop_silent()
            if (who, session) in self._sessions or len(self._sessions) < MOST:
                self._sessions[who, session] = replace(running, told_at_s=self._clock())
                self._changes += 1

    def end(self, who: str, session: str) -> None:
        """A rig says that a session is over."""
        with self._lock:
            self._changes += self._sessions.pop((who, session), None) is not None

    def of(self, sitting_id: str) -> dict[str, Running]:
        """What is running in a sitting, by seat."""
        with self._lock:
            self._drop_silent()
            return {one.seat_id: one for one in self._sessions.values() if one.sitting_id == sitting_id}

    @property
    def changes(self) -> int:
        """How often something has changed so far."""
        with self._lock:
            self._drop_silent()
            return self._changes

    def _drop_silent(self) -> None:
        silent = [key for key, one in self._sessions.items() if self._clock() - one.told_at_s > SILENT_S]
        for key in silent:
            del self._sessions[key]
        self._changes += len(silent)
