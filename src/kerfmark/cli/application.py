"""The command itself, which each file beside this one adds its own to."""

from __future__ import annotations

import time
from typing import Annotated

import typer

from kerfmark.version import __version__

__all__ = ["STARTED", "app"]

STARTED = time.perf_counter()
"""When the command began."""

app = typer.Typer(
    name="kerfmark",
    help="Measure the cut, mark the work. Exercises only: nothing here is for use on patients.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"kerfmark {__version__}")
        raise typer.Exit


@app.callback()
def common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and exit.")
    ] = False,
) -> None:
    """Measure the cut, mark the work. Exercises only: nothing here is for use on patients."""
