"""`kerfmark assess`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from kerfmark.cli.options import ExerciseArgument, GridUm, HtmlTo, JsonTo, PdfTo, RigFile, json_file, neighbour_files
from kerfmark.cli.saying import Progress, show_remarks
from kerfmark.outputs import Outputs, check_targets

if TYPE_CHECKING:
    from kerfmark.records import Assessment

__all__ = ["assess"]


def assess(
    exercise: ExerciseArgument,
    piece: Annotated[
        Path,
        typer.Argument(
            metavar="PIECE",
            help="Surface of what was cut (STL, PLY, OBJ, 3MF, GLB), the motion that cut it (Parquet, CSV), or a CT of it "
            "(folder of DICOM slices, NRRD, NIfTI).",
        ),
    ],
    json_to: JsonTo = None,
    html_to: HtmlTo = None,
    pdf_to: PdfTo = None,
    neighbour: Annotated[
        list[str] | None, typer.Option(metavar="SIDE=FILE", help="Scan of a neighbour, mesial=FILE or distal=FILE.")
    ] = None,
    unit: Annotated[
        str | None, typer.Option(metavar="UNIT", help="Unit of the piece's file: mm, cm, m, in or um.")
    ] = None,
    rig: RigFile = None,
    series: Annotated[
        str | None, typer.Option(metavar="UID", help="Which DICOM series of a folder: its UID or number.")
    ] = None,
    grid_um: GridUm = 50.0,
) -> None:
    """Measure and mark one piece.

    Without --json, --html or --pdf a summary is shown on a terminal, and JSON is written to a pipe.
    """
    from kerfmark.pipeline import assess_prepared, open_exercise, remarks_of
    from kerfmark.recorded import check_grid_um
    from kerfmark.reports import write_reports
    from kerfmark.reports.results import as_json_text
    from kerfmark.settings import read_settings

    sides = neighbour_files(neighbour or [])
    check_grid_um(grid_um)
    check_targets(
        (html_to, pdf_to, json_file(json_to)),
        inputs=(Path(exercise), piece, rig, *(Path(file) for file in sides.values())),
    )
    settings, progress = read_settings(), Progress()
    progress("preparing the exercise")
    loaded, prepared = open_exercise(exercise, settings=settings)
    assessment = assess_prepared(
        loaded,
        prepared,
        piece,
        neighbours=sides,
        unit=unit,
        rig=rig,
        series=series,
        grid_um=grid_um,
        settings=settings,
        progress=progress,
    )
    show_remarks(remarks_of(assessment))
    progress("writing the reports")
    with Outputs() as outputs:
        html, pdf = outputs.at_each(html_to, pdf_to)
        write_reports(assessment, prepared, loaded, html=html, pdf=pdf, labels={"piece": piece.name})
        if (file := json_file(json_to)) is not None:
            outputs.at(file).write_text(as_json_text(assessment) + "\n", encoding="utf-8")
    progress.done()
    nothing_asked = html_to is None and pdf_to is None and json_to is None
    if json_to == "-" or (nothing_asked and not sys.stdout.isatty()):
        typer.echo(as_json_text(assessment))
    elif nothing_asked:
        show_summary(assessment)


def show_summary(assessment: Assessment) -> None:
    from kerfmark.reports.results import summary_lines

    for line in summary_lines(assessment):
        typer.echo(line)
