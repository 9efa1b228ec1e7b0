"""Arguments and options that several commands share, and the checks of what was given to them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, TypeAlias

import typer

from kerfmark.errors import InputError, printable

__all__ = [
    "ExerciseArgument",
    "GridUm",
    "HtmlTo",
    "JsonTo",
    "PdfTo",
    "RigFile",
    "Seed",
    "check_one_of",
    "json_file",
    "neighbour_files",
]

ExerciseArgument: TypeAlias = Annotated[
    str, typer.Argument(metavar="EXERCISE", help="Folder, zip, or the name of a built-in exercise (`kerfmark list`).")
]
JsonTo: TypeAlias = Annotated[
    str | None, typer.Option("--json", metavar="FILE|-", help="Write everything as JSON; - for standard output.")
]
HtmlTo: TypeAlias = Annotated[Path | None, typer.Option("--html", metavar="FILE", help="Write the report as one page.")]
PdfTo: TypeAlias = Annotated[
    Path | None, typer.Option("--pdf", metavar="FILE", help="Write the report as printable sheets.")
]
RigFile: TypeAlias = Annotated[
    Path | None,
    typer.Option(
        "--rig", metavar="FILE", help="rig.toml of a motion recorded in other coordinates than the exercise's."
    ),
]
GridUm: TypeAlias = Annotated[
    float, typer.Option("--grid-um", metavar="NUMBER", help="Voxels a motion is replayed on, 5 to 1000 µm.")
]
Seed: TypeAlias = Annotated[
    int, typer.Option("--seed", metavar="NUMBER", help="The same seed gives the same result.", min=0)
]


def json_file(json_to: str | None) -> Path | None:
    """Where `--json` writes to, None for nowhere and for standard output."""
    return None if json_to in (None, "-") else Path(str(json_to))


def check_one_of(value: str, known: tuple[str, ...], *, option: str) -> None:
    """Refuse a value that is none of those an option takes."""
    if value not in known:
        raise InputError(
            f"{option} is '{printable(value, limit=40)}', expected {' or '.join(known)}. Choose one of them."
        )


def neighbour_files(texts: list[str]) -> dict[str, str]:
    """The file of each side, from SIDE=FILE."""
    sides: dict[str, str] = {}
    for text in texts:
        side, sign, file = text.partition("=")
        if not sign or not file:
            raise InputError(
                f"--neighbour '{printable(text)}': expected SIDE=FILE, such as mesial=mesial.stl. Correct it."
            )
        if side in sides:
            raise InputError(f"--neighbour names {printable(side)} twice, expected one file a side. Leave one out.")
        sides[side] = file
    return sides
