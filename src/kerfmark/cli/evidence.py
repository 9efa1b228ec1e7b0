"""`kerfmark evidence`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypedDict

import typer

from kerfmark.cli.options import HtmlTo, JsonTo, PdfTo, Seed, json_file
from kerfmark.cli.saying import Progress
from kerfmark.cli.stores import FilesOption, open_existing
from kerfmark.errors import InputError, printable
from kerfmark.outputs import Outputs, check_targets

if TYPE_CHECKING:
    from kerfmark.evidence import Action, ContentLine, Evidence, Options, Panel
    from kerfmark.evidence.table import Table

__all__ = ["evidence"]


def evidence(
    table: Annotated[
        str,
        typer.Argument(
            metavar="STORE|FILE",
            help="A store's address, or a CSV with one row a thing said about a piece (docs/evidence/data.md).",
        ),
    ],
    html_to: HtmlTo = None,
    pdf_to: PdfTo = None,
    json_to: JsonTo = None,
    panel: Annotated[
        Path | None, typer.Option("--panel", metavar="FILE", help="CSV of a panel's judgements: Angoff, Ebel, Hofstee.")
    ] = None,
    exercise: Annotated[
        list[str] | None,
        typer.Option(
            "--exercise",
            metavar="[CODE=]EXERCISE|FILE.csv",
            help="What was asked: an exercise (CODE: what the table calls it), or a CSV of criteria; may be repeated.",
        ),
    ] = None,
    earlier: Annotated[
        list[str] | None,
        typer.Option("--earlier", metavar="NAME=FILE", help="An earlier cohort's table; may be repeated."),
    ] = None,
    actions: Annotated[
        Path | None, typer.Option("--actions", metavar="FILE", help="CSV of actions agreed: about, action, owner, by.")
    ] = None,
    title: Annotated[
        str, typer.Option(metavar="TEXT", help="What the report is headed.")
    ] = "Evidence for a set of marks",
    school: Annotated[str, typer.Option(metavar="TEXT", help="Where and when.")] = "",
    chosen: Annotated[str, typer.Option(metavar="METHOD", help="The pass line chosen, as named in the report.")] = "",
    reason: Annotated[str, typer.Option(metavar="TEXT", help="Why; needed with --chosen.")] = "",
    signed: Annotated[str, typer.Option(metavar="NAME", help="By whom; needed with --chosen.")] = "",
    margin: Annotated[
        float, typer.Option(metavar="POINTS", help="Within which groups count as the same.", min=0.1, max=100)
    ] = 3.0,
    draws: Annotated[int, typer.Option(metavar="N", help="Bootstrap draws.", min=100, max=100_000)] = 2000,
    seed: Seed = 1,
    store_files: FilesOption = None,
    simulated: Annotated[bool, typer.Option("--simulated", help="Say on every sheet that nobody cut these.")] = False,
    codes: Annotated[
        bool, typer.Option("--codes/--no-codes", help="Whether logs list single pieces by their learners' codes.")
    ] = True,
) -> None:
    """Ask a table of marks whether they are reliable, fair and defensible; write a report for a board.

    Without --html, --pdf or --json the answers are shown as text.
    """
    from kerfmark.evidence import Options, gather, read_actions, read_panel, read_table
    from kerfmark.settings import read_settings

    before = named_tables(earlier or ())
    given = exercise or []
    files = [path for name in given if (path := Path(name)).suffix == ".csv"]
    check_targets(
        (html_to, pdf_to, json_file(json_to)),
        inputs=(None if "://" in table else Path(table), panel, actions, *before.values(), *files),
    )
    progress = Progress()
    progress("reading the table")
    options = Options(
        seed=seed, draws=draws, margin=margin, chosen=chosen, reason=reason, signed=signed, title=title, school=school, simulated=simulated,
        codes=codes,
    )  # fmt: skip
    limit = read_settings().limits.file_mib
    given_beside: _Beside = {
        "panel": read_panel(panel) if panel else None, "content": [line for name in given for line in content_lines(name)],
        "earlier": {name: read_table(path, limit_mib=limit) for name, path in before.items()},
        "actions": read_actions(actions) if actions else (), "options": options, "progress": progress,
    }  # fmt: skip
    if "://" in table or Path(table).is_dir():
        found = _of_store(table, store_files, given_beside)
    else:
        found = gather(read_table(Path(table), limit_mib=limit), **given_beside)
    progress("writing the report")
    _write_evidence(found, html_to, pdf_to, json_to)
    progress.done()


class _Beside(TypedDict):
    """What is asked together with the marks."""

    panel: Panel | None
    content: Sequence[ContentLine]
    earlier: Mapping[str, Table]
    actions: Sequence[Action]
    options: Options
    progress: Callable[[str], None]


def _of_store(address: str, files: str | None, given: _Beside) -> Evidence:
    """The evidence of a store: its marks, and of what stands beside them whatever was not given here."""
    from kerfmark.sittings.board import ask
    from kerfmark.sittings.rights import PROGRAM

    store = open_existing(address, files)
    try:
        return ask(store, PROGRAM, **given)
    finally:
        store.close()


def named_tables(given: Sequence[str]) -> dict[str, Path]:
    """Earlier cohorts' files by name, from NAME=FILE."""
    tables: dict[str, Path] = {}
    for text in given:
        name, equals, file = text.partition("=")
        if not (name.strip() and equals and file):
            raise InputError(
                f"--earlier is '{printable(text, limit=60)}', expected NAME=FILE such as 2025=last-year.csv. Correct it."
            )
        if name.strip() in tables:
            raise InputError(
                f"--earlier: '{printable(name.strip(), limit=60)}' is given twice, expected each name once. Rename one."
            )
        tables[name.strip()] = Path(file)
    return tables


def content_lines(text: str) -> tuple[ContentLine, ...]:
    """The criteria of one --exercise: a CSV of criteria, or an exercise, with the code the table knows it by in front."""
    from kerfmark.evidence import content_of, read_content
    from kerfmark.exercise.folder import load_exercise
    from kerfmark.settings import read_settings

    if text.endswith(".csv"):
        return read_content(Path(text))
    code, equals, name = text.partition("=")
    settings = read_settings()
    loaded = load_exercise(name if equals else text, limits=settings.limits, cache_dir=settings.cache_dir)
    return content_of(loaded.exercise, name=code if equals else "")


def _write_evidence(found: Evidence, html_to: Path | None, pdf_to: Path | None, json_to: str | None) -> None:
    from kerfmark.reports.board.contents import as_json_text, summary_lines

    with Outputs() as outputs:
        if html_to is not None:
            from kerfmark.reports.board.page import write_board_page

            write_board_page(outputs.at(html_to), found)
        if pdf_to is not None:
            from kerfmark.reports.board.sheets import write_board_pdf

            write_board_pdf(outputs.at(pdf_to), found)
        if (file := json_file(json_to)) is not None:
            outputs.at(file).write_text(as_json_text(found) + "\n", encoding="utf-8")
    if json_to == "-":
        typer.echo(as_json_text(found))
    if html_to is None and pdf_to is None and json_to is None:
        for line in summary_lines(found):
            typer.echo(line)
