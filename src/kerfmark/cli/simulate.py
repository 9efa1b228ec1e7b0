"""`kerfmark simulate`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from kerfmark.cli.options import Seed, check_one_of
from kerfmark.cli.saying import Progress
from kerfmark.outputs import Outputs, check_suffix, check_targets

__all__ = ["simulate"]


def simulate(
    exercise: Annotated[
        str, typer.Argument(metavar="EXERCISE", help="The name of a built-in exercise (`kerfmark list`).")
    ],
    out: Annotated[
        Path,
        typer.Option(
            "--out",
            metavar="FILE",
            help="Where to write it: .stl, .ply, .obj, .3mf or .glb a simulated scan, .parquet or .csv a simulated motion; "
            "of an implant exercise also .nrrd a simulated CT, .toml a simulated plan.",
        ),
    ],
    level: Annotated[str, typer.Option(metavar="LEVEL", help="novice, middle or able.")] = "middle",
    seed: Seed = 0,
    hand: Annotated[str, typer.Option(metavar="HAND", help="Of a motion: right or left.")] = "right",
) -> None:
    """Make a simulated scan or recorded motion of a piece of a built-in exercise, to try things out with.

    A scan's neighbours, as they were left, are written beside it: piece-mesial.stl, piece-distal.stl.
    """
    from kerfmark.geometry.mesh_files import FORMATS
    from kerfmark.settings import read_settings

    check_suffix(out, (*FORMATS, "parquet", "csv", "nrrd", "toml"))
    check_targets((out,))
    check_one_of(hand, ("right", "left"), option="--hand")
    progress, settings = Progress(), read_settings()
    beside: list[Path] = []
    with Outputs() as outputs:
        if out.suffix.lower() in (".parquet", ".csv"):
            from kerfmark.demo.operators import write_simulated_motion

            progress("simulating an operator")
            write_simulated_motion(outputs.at(out), exercise, level=level, seed=seed, settings=settings, hand=hand)
        elif out.suffix.lower() in (".nrrd", ".toml"):
            from kerfmark.demo.implant_work import write_simulated

            progress("simulating a plan" if out.suffix.lower() == ".toml" else "drilling and imaging a simulated piece")
            write_simulated(outputs.at(out), exercise, level=level, seed=seed, settings=settings)
        else:
            from kerfmark.demo.learners import simulated_piece

            progress("cutting and scanning a simulated piece")
            written = simulated_piece(exercise, level=level, seed=seed, settings=settings).write(outputs.at(out))
            beside = [out.with_name(file.name) for file in written.values()]
    progress.done()
    typer.echo(f"{out}: simulated piece, {level}, seed {seed}")
    for file in beside:
        typer.echo(f"{file}: its neighbour as it was left")
