"""The record of a session, grown without ever copying what is there: a copy would make a step late."""

from __future__ import annotations

import numpy as np

from kerfmark.errors import InputError
from kerfmark.records import FloatArray, Motion

__all__ = ["Log"]

ROWS = 8192


class Log:
    """Samples in time order."""

    def __init__(self) -> None:
        self._parts: list[FloatArray] = []
        self._used = ROWS
        self.last_cutting = False

    def add(self, time_s: float, tip: FloatArray, turn: FloatArray, joined: bool, cutting: bool) -> None:
        """One more sample."""
        if self._used == ROWS:
            self._parts.append(np.empty((ROWS, 10)))
            self._used = 0
        row = self._parts[-1][self._used]
        row[0], row[1:4], row[4:8], row[8], row[9] = time_s, tip, turn, joined, cutting
        self._used += 1
        self.last_cutting = cutting

    def motion(self, instrument: str) -> Motion:
        """The whole of it."""
        if not self._parts:
            raise InputError("live session: no sample came, expected at least one. Send samples before finishing.")
        rows = np.vstack([*self._parts[:-1], self._parts[-1][: self._used]])
        return Motion(
            rows[:, 0].copy(), rows[:, 1:4].copy(), rows[:, 4:8].copy(), rows[:, 8] > 0.5, rows[:, 9] > 0.5,
            np.zeros(len(rows), dtype=np.int32), (instrument,),
        )  # fmt: skip
