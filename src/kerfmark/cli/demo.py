"""`kerfmark demo`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from kerfmark.cli.options import Seed

__all__ = ["demo"]


def demo(
    out: Annotated[
        Path,
        typer.Option("--out", metavar="FOLDER", help="Where the term's store goes, or with --reports the reports."),
    ] = Path("kerfmark-demo"),
    port: Annotated[
        int,
        typer.Option("--port", metavar="NUMBER", help="Port on this machine; 0 takes a free one.", min=0, max=65535),
    ] = 8750,
    serve: Annotated[
        bool, typer.Option("--serve/--no-serve", help="Serve its pages, or end once the term is made.")
    ] = True,
    reports: Annotated[
        bool, typer.Option("--reports", help="No term: one sitting, its pieces, reports and overview as files.")
    ] = False,
    learners: Annotated[
        int,
        typer.Option("--learners", metavar="N", help="How many simulated learners, with --reports.", min=3, max=240),
    ] = 24,
    seed: Seed = 7,
) -> None:
    """Make a whole invented term, then serve its pages on this machine until stopped (Ctrl-C)."""
    from kerfmark.settings import read_settings

    if reports:
        from kerfmark.demo import run_demo

        run_demo(out, learners=learners, seed=seed, settings=read_settings(), say=typer.echo)
        return
    from kerfmark.web.demonstration import run_demonstration

    run_demonstration(out / "store", read_settings(), seed=seed, port=port, serve=serve, say=typer.echo)
