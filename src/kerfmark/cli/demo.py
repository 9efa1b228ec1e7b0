"""`kerfmark demo`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from kerfmark.cli.options import Seed

__all__ = ["demo"]


def demo(
    out: Annotated[
        Path, typer.Option("--out", metavar="FOLDER", help="Where the pieces, reports and overview go.")
    ] = Path("kerfmark-demo"),
    learners: Annotated[int, typer.Option(metavar="N", help="How many simulated learners.", min=3, max=240)] = 24,
    seed: Seed = 7,
) -> None:
    """Run a whole invented sitting: simulated learners cut, everything is assessed, reports and an overview are written."""
    from kerfmark.demo import run_demo
    from kerfmark.settings import read_settings

    run_demo(out, learners=learners, seed=seed, settings=read_settings(), say=typer.echo)
