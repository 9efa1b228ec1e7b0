"""`kerfmark live`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from kerfmark.cli.options import ExerciseArgument, GridUm
from kerfmark.cli.saying import Progress
from kerfmark.errors import InputError, printable

__all__ = ["live"]


def live(
    exercise: ExerciseArgument,
    port: Annotated[
        int, typer.Option(metavar="NUMBER", help="Port on this machine; 0 takes a free one.", min=0, max=65535)
    ] = 8765,
    out: Annotated[
        Path, typer.Option("--out", metavar="FOLDER", help="Where the records of finished sessions go.")
    ] = Path(),
    grid_um: GridUm = 50.0,
) -> None:
    """Serve live sessions to a rig on this machine, over a WebSocket, until stopped (see `docs/live.md`)."""
    from kerfmark.live.server import LiveServer
    from kerfmark.pipeline import open_exercise
    from kerfmark.recorded import check_grid_um
    from kerfmark.settings import read_settings

    check_grid_um(grid_um)
    if not out.is_dir():
        raise InputError(f"{printable(out)}: is no folder, expected an existing one. Make it or name another.")
    progress = Progress()
    progress("preparing the exercise")
    loaded, prepared = open_exercise(exercise, settings=read_settings())
    progress.done()
    server = LiveServer(prepared, out=out, port=port, grid_um=grid_um)
    typer.echo(f"{loaded.exercise.id}: ws://127.0.0.1:{server.port}")
    try:
        server.run()
    finally:
        server.close()
