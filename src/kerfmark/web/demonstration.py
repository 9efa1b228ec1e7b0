"""`kerfmark demo`: an invented term made while its server already answers, with a page that says where to look first."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

from kerfmark.demo.school import make_term
from kerfmark.errors import InputError, KerfmarkError, printable
from kerfmark.kernels.ahead import start_compiling
from kerfmark.settings import Serving, Settings
from kerfmark.sittings.roles import in_use
from kerfmark.storage import Store, open_store
from kerfmark.web.drawn import draw_for_pages
from kerfmark.web.options import Demonstration
from kerfmark.web.security.forms import new_secret
from kerfmark.web.security.passwords import hashed
from kerfmark.web.serving import serve_store

__all__ = ["run_demonstration"]


def run_demonstration(
    folder: Path, settings: Settings, *, seed: int = 7, port: int = 8750, serve: bool = True, say: Callable[[str], None]
) -> None:
    """Make the term into a folder, unless it stands there already, and serve it on this machine until stopped.

    Parameters
    ----------
    folder : Path
        Made where needed.
    settings : Settings
    seed : int
        The same seed gives the same pieces and readings.
    port : int
        0 takes a free one.
    serve : bool
        False: only make the term, then end.
    say : callable
        Called with each line for the person.

    Raises
    ------
    InputError
        If the folder cannot be made.
    """
    if folder.parent.exists() and not folder.parent.is_dir():
        raise InputError(f"--out {printable(folder.parent)} is a file, expected a folder to write to. Name another.")
    if not folder.parent.absolute().parent.is_dir():
        raise InputError(
            f"--out {printable(folder.parent)}: the folder it would stand in does not exist. Make that first or name another."
        )
    demonstration = Demonstration()
    store = open_store(folder)
    making = None if in_use(store) else _Making(store, settings, seed, demonstration, say)
    if making is not None:
        start_compiling(settings.threads)
    if making is None:
        demonstration.said.append("The term stood here already.")
        demonstration.ready.set()
    if serve:
        if making is not None:
            making.start()
        serve_store(
            settings, Serving(), store_at=str(folder), port=port, workers=1, say=say, demonstration=demonstration
        )
    elif making is not None:
        making.run()
    if making is not None and making.failure is not None:
        raise making.failure
    store.close()


class _Making(threading.Thread):
    """The term while it is made; the server shows it as it grows."""

    def __init__(
        self, store: Store, settings: Settings, seed: int, demonstration: Demonstration, say: Callable[[str], None]
    ) -> None:
        super().__init__(name="invented term", daemon=True)
        self._store, self._settings, self._seed = store, settings, seed
        self._demonstration, self._say = demonstration, say
        self.failure: KerfmarkError | None = None

    def run(self) -> None:
        """Make it."""
        try:
            make_term(
                self._store,
                settings=self._settings,
                seed=self._seed,
                password_hash=hashed(new_secret()),
                draw=draw_for_pages,
                say=self._told,
            )
        except KerfmarkError as failure:
            self.failure = failure
            self._told(f"error: {failure}")
        self._demonstration.ready.set()

    def _told(self, line: str) -> None:
        self._demonstration.said.append(line)
        self._say(line)
