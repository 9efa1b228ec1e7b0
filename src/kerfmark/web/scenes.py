"""Pieces ready to be cut by a plane of the reader's choice: the few that were asked of last, in memory."""

from __future__ import annotations

import tempfile
from collections import OrderedDict
from pathlib import Path
from threading import Lock

from kerfmark.errors import MissingError
from kerfmark.exercise.folder import LoadedExercise
from kerfmark.exercise.prepared import Prepared
from kerfmark.pipeline import open_exercise
from kerfmark.reports.drawn import PieceScene, piece_scene
from kerfmark.reports.scene import read_scene, section_at
from kerfmark.settings import Settings
from kerfmark.sittings.exercises import unpack
from kerfmark.sittings.piece_files import drawing
from kerfmark.sittings.pieces import PiecePage
from kerfmark.sittings.rights import PROGRAM, Actor
from kerfmark.storage import Store
from kerfmark.web.drawn import PLAIN_SCENE, SCENE

__all__ = ["Scenes"]

PIECES, EXERCISES = 6, 4


class Scenes:
    """Scenes by piece, exercises by version, each in the order of last use.

    Parameters
    ----------
    settings : Settings
        Where prepared exercises are kept.
    """

    def __init__(self, settings: Settings) -> None:
        self._settings, self._lock = settings, Lock()
        self._scenes: OrderedDict[str, PieceScene] = OrderedDict()
        self._exercises: OrderedDict[str, tuple[LoadedExercise, Prepared]] = OrderedDict()

    def section(
        self,
        store: Store,
        actor: Actor,
        piece: PiecePage,
        *,
        plane: str,
        offset_mm: float,
        turn_deg: float,
        plain: bool,
    ) -> str:
        """A section of a piece as SVG; bare with `plain`.

        Raises
        ------
        MissingError
            If the piece has no scene.
        RightsError
            If what was measured may not be seen and `plain` was not asked for.
        """
        if drawing(store, actor, piece.id, PLAIN_SCENE if plain else SCENE) is None:
            raise MissingError("there is no view of this piece yet. Come back when it has been measured.")
        with self._lock:
            scene = self._scene(store, piece)
            return section_at(scene, plane=plane, offset_mm=offset_mm, turn_deg=turn_deg, plain=plain)

    def _scene(self, store: Store, piece: PiecePage) -> PieceScene:
        if piece.id in self._scenes:
            self._scenes.move_to_end(piece.id)
            return self._scenes[piece.id]
        content = drawing(store, PROGRAM, piece.id, SCENE)
        assert content is not None
        loaded, prepared = self._exercise(store, piece.exercise_id)
        scene = self._scenes[piece.id] = piece_scene(read_scene(content), prepared, loaded)
        while len(self._scenes) > PIECES:
            self._scenes.popitem(last=False)
        return scene

    def _exercise(self, store: Store, exercise_id: str) -> tuple[LoadedExercise, Prepared]:
        if exercise_id not in self._exercises:
            with tempfile.TemporaryDirectory() as folder:
                self._exercises[exercise_id] = open_exercise(
                    unpack(store, exercise_id, Path(folder)), settings=self._settings
                )
            while len(self._exercises) > EXERCISES:
                self._exercises.popitem(last=False)
        self._exercises.move_to_end(exercise_id)
        return self._exercises[exercise_id]
