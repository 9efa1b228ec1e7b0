"""Pieces ready to be cut by a plane of the reader's choice: the few that were asked of last, in memory."""

from __future__ import annotations

from collections import OrderedDict
from threading import Lock

from kerfmark.errors import MissingError
from kerfmark.reports.drawn import PieceScene, piece_scene
from kerfmark.reports.scene import read_scene, section_at
from kerfmark.sittings.piece_files import drawing
from kerfmark.sittings.pieces import PiecePage
from kerfmark.sittings.rights import PROGRAM, Actor
from kerfmark.storage import Store
from kerfmark.web.drawn import PLAIN_SCENE, SCENE
from kerfmark.web.opened import Opened

__all__ = ["Scenes"]

PIECES = 6


class Scenes:
    """Scenes by piece, in the order of last use.

    Parameters
    ----------
    opened : Opened
        The exercises they are of.
    """

    def __init__(self, opened: Opened) -> None:
        self._opened, self._lock = opened, Lock()
        self._scenes: OrderedDict[str, PieceScene] = OrderedDict()

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
        loaded, prepared = self._opened.of(store, piece.exercise_id)
        scene = self._scenes[piece.id] = piece_scene(read_scene(content), prepared, loaded)
        while len(self._scenes) > PIECES:
            self._scenes.popitem(last=False)
        return scene
