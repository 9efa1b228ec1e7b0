"""A rig tells the school's server of the sessions that are running on it."""

from __future__ import annotations

import http.client
import threading
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from kerfmark.spool import Target

__all__ = ["Teller"]

EVERY_S = 1.0


class Teller:
    """Tells once a second what is under way, until stopped; a server that does not answer is asked again and holds nothing up.

    Parameters
    ----------
    target : Target
    learner, sitting : str
        Whose sessions they are.
    under_way : callable
        Gives the seconds recorded of each session.
    """

    def __init__(
        self, target: Target, *, learner: str | None, sitting: str, under_way: Callable[[], Mapping[str, float]]
    ) -> None:
        self._target, self._about, self._under_way = target, {"learner": learner, "sitting": sitting}, under_way
        self._told: set[str] = set()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="telling", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """Say of every session that it is over, and end."""
        self._stopping.set()
        self._thread.join()

    def tell(self, running: Mapping[str, float]) -> None:
        """Tell once of what is running, and of what is no more."""
        from kerfmark.spool import ask

        try:
            for session, recorded_s in running.items():
                ask(self._target, "PUT", f"/running/{session}", {**self._about, "recorded_s": recorded_s})
                self._told.add(session)
            for session in self._told - set(running):
                ask(self._target, "DELETE", f"/running/{session}")
                self._told.discard(session)
        except (OSError, http.client.HTTPException):
            return  # told again in a second; cutting goes on

    def _run(self) -> None:
        while not self._stopping.wait(EVERY_S):
            self.tell(self._under_way())
        self.tell({})
