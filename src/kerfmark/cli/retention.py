"""`kerfmark retention`."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

import typer

from kerfmark.cli.stores import FilesOption, StoreOption, open_existing
from kerfmark.errors import InputError, printable

__all__ = ["retention"]

ALWAYS = "always"


def retention(
    practice: Annotated[
        str | None,
        typer.Option(
            "--practice", metavar="DAYS|always", help="Days that files of practice stay after its sitting closed."
        ),
    ] = None,
    exam: Annotated[
        str | None,
        typer.Option("--exam", metavar="DAYS|always", help="The same for exams; at least 90, for appeals."),
    ] = None,
    now: Annotated[bool, typer.Option("--now", help="Let go at once of what has been kept long enough.")] = False,
    store: StoreOption = None,
    files: FilesOption = None,
) -> None:
    """Say, or choose, how long the files of pieces stay. Readings, rulings and marks stay either way."""
    from kerfmark.sittings import keeping
    from kerfmark.sittings.rights import PROGRAM

    opened = open_existing(store, files)
    try:
        rules = keeping.retention(opened)
        if practice is not None:
            rules = replace(rules, practice_files_days=_days(practice, "--practice"))
        if exam is not None:
            rules = replace(rules, exam_files_days=_days(exam, "--exam"))
        if practice is not None or exam is not None:
            keeping.set_retention(opened, PROGRAM, rules)
        typer.echo(f"files of practice stay {_words(rules.practice_files_days)}")
        typer.echo(f"files of exams stay {_words(rules.exam_files_days)}")
        if now:
            typer.echo(f"{keeping.sweep(opened)} files were let go")
    finally:
        opened.close()


def _days(text: str, option: str) -> int | None:
    if text == ALWAYS:
        return None
    if not text.isascii() or not text.isdigit():
        raise InputError(
            f"{option} is '{printable(text, limit=40)}', expected a number of days or 'always'. Correct it."
        )
    return int(text)


def _words(days: int | None) -> str:
    return "as long as the store" if days is None else f"{days} days after their sitting has closed"
