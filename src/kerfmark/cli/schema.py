"""`kerfmark schema`."""

from __future__ import annotations

import typer

__all__ = ["schema"]


def schema() -> None:
    """Print the JSON Schema of exercise.toml."""
    import json

    from kerfmark.exercise.schema import exercise_schema

    typer.echo(json.dumps(exercise_schema(), indent=2, ensure_ascii=False))
