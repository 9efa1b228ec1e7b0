"""`kerfmark list`."""

from __future__ import annotations

import typer

__all__ = ["list_exercises"]


def list_exercises() -> None:
    """List the built-in exercises."""
    from kerfmark.exercise import builtin

    for name in builtin.names():
        typer.echo(f"{name:<24} {builtin.title(name)}")
