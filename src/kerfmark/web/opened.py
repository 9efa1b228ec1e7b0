"""Exercises of the store read and made ready: the few that were asked for last, in memory."""

from __future__ import annotations

import tempfile
from collections import OrderedDict
from pathlib import Path
from threading import Lock

from kerfmark.exercise.folder import LoadedExercise
from kerfmark.exercise.prepared import Prepared
from kerfmark.pipeline import open_exercise
from kerfmark.settings import Settings
from kerfmark.sittings.exercises import unpack
from kerfmark.storage import Store
from kerfmark.web.planning.desk import Desk

__all__ = ["Opened"]

HELD = 4


class Opened:
    """Exercises by their id, in the order of last use; with the desk at which an implant is planned, where one was asked for.

    Parameters
    ----------
    settings : Settings
        Where prepared exercises are kept.
    """

    def __init__(self, settings: Settings) -> None:
        self._settings, self._lock = settings, Lock()
        self._held: OrderedDict[str, tuple[LoadedExercise, Prepared]] = OrderedDict()
        self._desks: dict[str, Desk] = {}

    def of(self, store: Store, exercise_id: str) -> tuple[LoadedExercise, Prepared]:
        """An exercise; for the program's own use, whoever asks has been let in already."""
        with self._lock:
            return self._opened(store, exercise_id)

    def desk(self, store: Store, exercise_id: str) -> Desk:
        """The desk at which an implant of this exercise is planned.

        Raises
        ------
        InputError
            If it plans none, or has no CT.
        """
        with self._lock:
            _loaded, prepared = self._opened(store, exercise_id)
            if exercise_id not in self._desks:
                self._desks[exercise_id] = Desk(prepared)
            return self._desks[exercise_id]

    def _opened(self, store: Store, exercise_id: str) -> tuple[LoadedExercise, Prepared]:
        if exercise_id not in self._held:
            with tempfile.TemporaryDirectory() as folder:
                self._held[exercise_id] = open_exercise(
                    unpack(store, exercise_id, Path(folder)), settings=self._settings
                )
            while len(self._held) > HELD:
                self._desks.pop(self._held.popitem(last=False)[0], None)
        self._held.move_to_end(exercise_id)
        return self._held[exercise_id]
