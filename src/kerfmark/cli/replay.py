"""`kerfmark replay`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from kerfmark.cli.application import STARTED
from kerfmark.cli.options import ExerciseArgument, GridUm, JsonTo, RigFile, check_one_of, json_file
from kerfmark.cli.saying import Progress, show_remarks, values_text
from kerfmark.errors import InputError
from kerfmark.outputs import Outputs, check_folder_of, check_suffix, check_targets

__all__ = ["replay"]


def replay(
    exercise: ExerciseArgument,
    motion: Annotated[Path, typer.Argument(metavar="MOTION", help="The recorded motion: Parquet or CSV.")],
    grid_um: GridUm = 50.0,
    surface_to: Annotated[
        Path | None,
        typer.Option(
            "--surface", metavar="FILE", help="Write what is left, with the time of cut of each vertex: PLY or GLB."
        ),
    ] = None,
    field_to: Annotated[
        Path | None, typer.Option("--field", metavar="FOLDER", help="Write the cut field as a Zarr folder.")
    ] = None,
    json_to: JsonTo = None,
    rig: RigFile = None,
    keep: Annotated[
        Path | None,
        typer.Option(
            "--keep", metavar="FILE", help="Keep here how far it has come, and go on from there if it was broken off."
        ),
    ] = None,
    device: Annotated[
        str, typer.Option(metavar="cpu|cuda", help="What sweeps the instrument: the processor, or a CUDA device.")
    ] = "cpu",
) -> None:
    """Replay a recorded motion: what it removed, by tissue; the surface it left; when each place was cut.

    Without --surface, --field or --json a summary is shown on a terminal, and JSON is written to a pipe.
    """
    from kerfmark.replay.stored import check_field_place
    from kerfmark.replayed import replay_motion
    from kerfmark.settings import read_settings

    check_one_of(device, ("cpu", "cuda"), option="--device")
    check_targets((surface_to, json_file(json_to)), inputs=(Path(exercise), motion, rig))
    _check_kept(keep, device, inputs=(Path(exercise), motion, rig, surface_to))
    check_suffix(surface_to, ("ply", "glb"))
    if field_to is not None:
        check_folder_of(field_to)
        check_field_place(field_to)
    progress = Progress()
    done = replay_motion(
        exercise, motion, grid_um=grid_um, rig=rig, with_surface=surface_to is not None,
        keep=keep, device="cuda" if device == "cuda" else "cpu", settings=read_settings(),
        progress=progress, started=STARTED,
    )  # fmt: skip
    show_remarks(done.remarks)
    progress("writing")
    with Outputs() as outputs:
        surface, field = outputs.at_each(surface_to, field_to)
        done.write(surface=surface, field=field)
        if (file := json_file(json_to)) is not None:
            outputs.at(file).write_text(values_text(done.as_json()) + "\n", encoding="utf-8")
    progress.done()
    nothing_asked = surface_to is None and field_to is None and json_to is None
    if json_to == "-" or (nothing_asked and not sys.stdout.isatty()):
        typer.echo(values_text(done.as_json()))
    elif nothing_asked:
        for text in done.summary_lines():
            typer.echo(text)


def _check_kept(keep: Path | None, device: str, *, inputs: tuple[Path | None, ...]) -> None:
    """Where the state is kept must be no other file of the command, and only the processor's sweep can be broken off."""
    if keep is None:
        return
    check_targets((keep,), inputs=inputs)
    if device == "cuda":
        raise InputError("--keep goes with --device cpu, but the device is cuda, which takes no second. Leave one out.")
