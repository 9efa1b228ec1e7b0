"""`kerfmark live`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from kerfmark.cli.options import ExerciseArgument, GridUm
from kerfmark.cli.saying import Progress
from kerfmark.cli.submit import KeyFile, target_of
from kerfmark.cli.telling import Teller
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
    sitting: Annotated[
        str | None, typer.Option(metavar="ID", help="Tell the server of running sessions, as of this sitting.")
    ] = None,
    learner: Annotated[str | None, typer.Option(metavar="CODE", help="Whose sessions they are.")] = None,
    server_at: Annotated[
        str | None, typer.Option("--server", metavar="URL", help="The server; KERFMARK_SERVER if left out.")
    ] = None,
    key_file: KeyFile = None,
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
    settings = read_settings()
    target = None if sitting is None else target_of(server_at, key_file, settings)
    loaded, prepared = open_exercise(exercise, settings=settings)
    progress.done()
    server = LiveServer(prepared, out=out, port=port, grid_um=grid_um)
    typer.echo(f"{loaded.exercise.id}: ws://127.0.0.1:{server.port}")
    teller = (
        None if target is None else Teller(target, learner=learner, sitting=sitting or "", under_way=server.under_way)
    )
    try:
        if teller is not None:
            teller.start()
        server.run()
    finally:
        if teller is not None:
            teller.stop()
        server.close()
