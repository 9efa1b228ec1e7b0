"""The `kerfmark` command. Everything heavy is imported inside the command that needs it, so that `--help` stays quick."""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from kerfmark.errors import InputError, KerfmarkError, printable
from kerfmark.outputs import Outputs, check_folder_of, check_suffix, check_targets
from kerfmark.version import __version__

if TYPE_CHECKING:
    from collections.abc import Iterable

    from kerfmark.evidence import Evidence
    from kerfmark.records import Assessment, Remark

__all__ = ["app", "main"]

STARTED = time.perf_counter()
INTERRUPTED = 130
"""What typer gives back when somebody pressed Ctrl-C."""

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


ExerciseArgument = Annotated[
    str, typer.Argument(metavar="EXERCISE", help="Folder, zip, or the name of a built-in exercise (`kerfmark list`).")
]


class Progress:
    """Says on a terminal's standard error what is going on, once it has taken more than a second."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()
        self._timer: threading.Timer | None = None

    def __call__(self, stage: str) -> None:
        """A stage begins; the one before it has ended."""
        self.done()
        if self._shown:
            self._timer = threading.Timer(1.0, lambda: print(f"  {stage} …", file=sys.stderr, flush=True))
            self._timer.daemon = True
            self._timer.start()

    def done(self) -> None:
        """Nothing is going on any more."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None


@app.command()
def assess(
    exercise: ExerciseArgument,
    piece: Annotated[
        Path,
        typer.Argument(
            metavar="PIECE",
            help="Surface of what was cut (STL, PLY, OBJ, 3MF, GLB) or the motion that cut it (Parquet, CSV).",
        ),
    ],
    json_to: Annotated[
        str | None,
        typer.Option("--json", metavar="FILE|-", help="Write the assessment as JSON; - for standard output."),
    ] = None,
    html_to: Annotated[
        Path | None, typer.Option("--html", metavar="FILE", help="Write the report as one page.")
    ] = None,
    pdf_to: Annotated[
        Path | None, typer.Option("--pdf", metavar="FILE", help="Write the report as printable sheets.")
    ] = None,
    neighbour: Annotated[
        list[str] | None, typer.Option(metavar="SIDE=FILE", help="Scan of a neighbour, mesial=FILE or distal=FILE.")
    ] = None,
    unit: Annotated[
        str | None, typer.Option(metavar="UNIT", help="Unit of the piece's file: mm, cm, m, in or um.")
    ] = None,
    rig: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="rig.toml of a motion recorded in other coordinates than the exercise's."),
    ] = None,
    grid_um: Annotated[
        float, typer.Option("--grid-um", metavar="NUMBER", help="Voxels a motion is replayed on, 5 to 1000 µm.")
    ] = 50.0,
) -> None:
    """Measure and mark one piece.

    Without --json, --html or --pdf a summary is shown on a terminal, and JSON is written to a pipe.
    """
    from kerfmark.pipeline import assess_prepared, open_exercise, remarks_of
    from kerfmark.recorded import check_grid_um
    from kerfmark.reports import write_reports
    from kerfmark.reports.results import as_json_text
    from kerfmark.settings import read_settings

    sides = _sides(neighbour or [])
    check_grid_um(grid_um)
    check_targets(
        (html_to, pdf_to, _file_of(json_to)),
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
        grid_um=grid_um,
        settings=settings,
        progress=progress,
    )
    _show_remarks(remarks_of(assessment))
    progress("writing the reports")
    with Outputs() as outputs:
        html, pdf = outputs.at_each(html_to, pdf_to)
        write_reports(assessment, prepared, loaded, html=html, pdf=pdf, labels={"piece": piece.name})
        if (file := _file_of(json_to)) is not None:
            outputs.at(file).write_text(as_json_text(assessment) + "\n", encoding="utf-8")
    progress.done()
    nothing_asked = html_to is None and pdf_to is None and json_to is None
    if json_to == "-" or (nothing_asked and not sys.stdout.isatty()):
        typer.echo(as_json_text(assessment))
    elif nothing_asked:
        _show_summary(assessment)


@app.command()
def replay(
    exercise: ExerciseArgument,
    motion: Annotated[Path, typer.Argument(metavar="MOTION", help="The recorded motion: Parquet or CSV.")],
    grid_um: Annotated[float, typer.Option("--grid-um", metavar="NUMBER", help="Between voxels, 5 to 1000 µm.")] = 50.0,
    surface_to: Annotated[
        Path | None,
        typer.Option(
            "--surface", metavar="FILE", help="Write what is left, with the time of cut of each vertex: PLY or GLB."
        ),
    ] = None,
    field_to: Annotated[
        Path | None, typer.Option("--field", metavar="FOLDER", help="Write the cut field as a Zarr folder.")
    ] = None,
    json_to: Annotated[
        str | None,
        typer.Option("--json", metavar="FILE|-", help="Write what was removed as JSON; - for standard output."),
    ] = None,
    rig: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="rig.toml of a motion recorded in other coordinates than the exercise's."),
    ] = None,
    device: Annotated[
        str, typer.Option(metavar="cpu|cuda", help="What sweeps the instrument: the processor, or a CUDA device.")
    ] = "cpu",
) -> None:
    """Replay a recorded motion: what it removed, by tissue; the surface it left; when each place was cut.

    Without --surface, --field or --json a summary is shown on a terminal, and JSON is written to a pipe.
    """
    from kerfmark.replay.stored import check_field_place
    from kerfmark.replayed import replay_motion
    from kerfmark.settings import read_settings

    _one_of(device, ("cpu", "cuda"), option="--device")
    check_targets((surface_to, _file_of(json_to)), inputs=(Path(exercise), motion, rig))
    check_suffix(surface_to, ("ply", "glb"))
    if field_to is not None:
        check_folder_of(field_to)
        check_field_place(field_to)
    progress = Progress()
    done = replay_motion(
        exercise, motion, grid_um=grid_um, rig=rig, with_surface=surface_to is not None,
        device="cuda" if device == "cuda" else "cpu", settings=read_settings(),
        progress=progress, started=STARTED,
    )  # fmt: skip
    _show_remarks(done.remarks)
    progress("writing")
    with Outputs() as outputs:
        surface, field = outputs.at_each(surface_to, field_to)
        done.write(surface=surface, field=field)
        if (file := _file_of(json_to)) is not None:
            outputs.at(file).write_text(_values_text(done.as_json()) + "\n", encoding="utf-8")
    progress.done()
    nothing_asked = surface_to is None and field_to is None and json_to is None
    if json_to == "-" or (nothing_asked and not sys.stdout.isatty()):
        typer.echo(_values_text(done.as_json()))
    elif nothing_asked:
        for text in done.summary_lines():
            typer.echo(text)


@app.command()
def live(
    exercise: ExerciseArgument,
    port: Annotated[
        int, typer.Option(metavar="NUMBER", help="Port on this machine; 0 takes a free one.", min=0, max=65535)
    ] = 8765,
    out: Annotated[
        Path, typer.Option("--out", metavar="FOLDER", help="Where the records of finished sessions go.")
    ] = Path(),
    grid_um: Annotated[float, typer.Option("--grid-um", metavar="NUMBER", help="Between voxels, 5 to 1000 µm.")] = 50.0,
) -> None:
    """Serve live sessions to a rig on this machine, over a WebSocket, until stopped (see `docs/live.md`)."""
    from kerfmark.live.server import LiveServer
    from kerfmark.pipeline import open_exercise
    from kerfmark.recorded import check_grid_um
    from kerfmark.settings import read_settings

    check_grid_um(grid_um)
    if not out.is_dir():
        raise InputError(f"{printable(out)}: is no folder, expected an existing one. Make it or name another.")
    progress = Progress()
    progress("preparing the exercise")
    loaded, prepared = open_exercise(exercise, settings=read_settings())
    progress.done()
    server = LiveServer(prepared, out=out, port=port, grid_um=grid_um)
    typer.echo(f"{loaded.exercise.id}: ws://127.0.0.1:{server.port}")
    try:
        server.run()
    finally:
        server.close()


@app.command()
def check(exercise: ExerciseArgument) -> None:
    """Prove an exercise: is it valid, can it be cut, can it be marked? Exit 0 all three, 3 valid but cannot, 2 not valid."""
    from kerfmark.exercise.proof import check_exercise
    from kerfmark.pipeline import ideal_readings, open_exercise
    from kerfmark.settings import read_settings

    progress = Progress()
    progress("preparing the exercise")
    loaded, prepared = open_exercise(exercise, settings=read_settings())
    _show_remarks((*loaded.remarks, *prepared.remarks))
    progress("measuring the ideal piece")
    ideal = {r.key: r.u for r in ideal_readings(prepared)}
    progress("proving that it can be cut")
    proof = check_exercise(loaded, prepared, predict_u=ideal or None)
    progress.done()
    typer.echo(f"{loaded.exercise.id}  {loaded.version}")
    typer.echo(proof.text())
    if not (proof.can_be_cut and proof.can_be_marked):
        raise typer.Exit(3)


@app.command("list")
def list_exercises() -> None:
    """List the built-in exercises."""
    from kerfmark.exercise import builtin

    for name in builtin.names():
        typer.echo(f"{name:<24} {builtin.title(name)}")


@app.command()
def schema() -> None:
    """Print the JSON Schema of exercise.toml."""
    import json

    from kerfmark.exercise.schema import exercise_schema

    typer.echo(json.dumps(exercise_schema(), indent=2, ensure_ascii=False))


@app.command()
def simulate(
    exercise: Annotated[
        str, typer.Argument(metavar="EXERCISE", help="The name of a built-in exercise (`kerfmark list`).")
    ],
    out: Annotated[
        Path,
        typer.Option(
            "--out",
            metavar="FILE",
            help="Where to write it: .stl, .ply, .obj, .3mf or .glb a simulated scan, .parquet or .csv a simulated motion.",
        ),
    ],
    level: Annotated[str, typer.Option(metavar="LEVEL", help="novice, middle or able.")] = "middle",
    seed: Annotated[int, typer.Option(metavar="NUMBER", help="The same seed gives the same piece.", min=0)] = 0,
    hand: Annotated[str, typer.Option(metavar="HAND", help="Of a motion: right or left.")] = "right",
) -> None:
    """Make a simulated scan or recorded motion of a piece of a built-in exercise, to try things out with.

    A scan's neighbours, as they were left, are written beside it: piece-mesial.stl, piece-distal.stl.
    """
    from kerfmark.geometry.mesh_files import FORMATS
    from kerfmark.settings import read_settings

    check_suffix(out, (*FORMATS, "parquet", "csv"))
    check_targets((out,))
    _one_of(hand, ("right", "left"), option="--hand")
    progress, settings = Progress(), read_settings()
    beside: list[Path] = []
    with Outputs() as outputs:
        if out.suffix.lower() in (".parquet", ".csv"):
            from kerfmark.demo.operators import write_simulated_motion

            progress("simulating an operator")
            write_simulated_motion(outputs.at(out), exercise, level=level, seed=seed, settings=settings, hand=hand)
        else:
            from kerfmark.demo.learners import simulated_piece

            progress("cutting and scanning a simulated piece")
            written = simulated_piece(exercise, level=level, seed=seed, settings=settings).write(outputs.at(out))
            beside = [out.with_name(file.name) for file in written.values()]
    progress.done()
    typer.echo(f"{out}: simulated piece, {level}, seed {seed}")
    for file in beside:
        typer.echo(f"{file}: its neighbour as it was left")


@app.command()
def demo(
    out: Annotated[
        Path, typer.Option("--out", metavar="FOLDER", help="Where the pieces, reports and overview go.")
    ] = Path("kerfmark-demo"),
    learners: Annotated[int, typer.Option(metavar="N", help="How many simulated learners.", min=3, max=240)] = 24,
    seed: Annotated[int, typer.Option(metavar="NUMBER", help="The same seed gives the same sitting.", min=0)] = 7,
) -> None:
    """Run a whole invented sitting: simulated learners cut, everything is assessed, reports and an overview are written."""
    from kerfmark.demo import run_demo
    from kerfmark.settings import read_settings

    run_demo(out, learners=learners, seed=seed, settings=read_settings(), say=typer.echo)


@app.command()
def evidence(
    table: Annotated[
        Path, typer.Argument(metavar="FILE", help="CSV, one row a thing said about a piece (docs/evidence/data.md).")
    ],
    html_to: Annotated[
        Path | None, typer.Option("--html", metavar="FILE", help="Write the report as one page.")
    ] = None,
    pdf_to: Annotated[
        Path | None, typer.Option("--pdf", metavar="FILE", help="Write the report as printable sheets.")
    ] = None,
    json_to: Annotated[
        str | None, typer.Option("--json", metavar="FILE|-", help="Write every answer as JSON; - for standard output.")
    ] = None,
    panel: Annotated[
        Path | None, typer.Option("--panel", metavar="FILE", help="CSV of a panel's judgements: Angoff, Ebel, Hofstee.")
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
    seed: Annotated[int, typer.Option(metavar="NUMBER", help="The same seed gives the same numbers.", min=0)] = 1,
    simulated: Annotated[bool, typer.Option("--simulated", help="Say on every sheet that nobody cut these.")] = False,
) -> None:
    """Ask a table of marks whether they are reliable, fair and defensible; write a report for a board.

    Without --html, --pdf or --json the answers are shown as text.
    """
    from kerfmark.evidence import Options, gather, read_panel, read_table
    from kerfmark.settings import read_settings

    check_targets((html_to, pdf_to, _file_of(json_to)), inputs=(table, panel))
    options = Options(
        seed=seed, draws=draws, margin=margin, chosen=chosen, reason=reason, signed=signed, title=title, school=school,
        simulated=simulated,
    )  # fmt: skip
    progress = Progress()
    progress("reading the table")
    rows = read_table(table, limit_mib=read_settings().limits.file_mib)
    found = gather(rows, panel=read_panel(panel) if panel else None, options=options, progress=progress)
    progress("writing the report")
    _write_evidence(found, html_to, pdf_to, json_to)
    progress.done()


def main(arguments: list[str] | None = None) -> None:
    """Run the command; the exit status is that of the first failure (see `docs/cli.md`)."""
    for library in ("OPENBLAS", "MKL", "OMP"):  # our products are n × 3: more threads only wait for one another
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")
    if sys.stdout is None:  # the shell closed it
        sys.stdout = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 - it lasts as long as the process
    try:
        status = app(args=arguments, standalone_mode=False)
        sys.stdout.flush()
    except KerfmarkError as failure:
        _say(f"error: {failure}")
        sys.exit(failure.exit_status)
    except SystemExit as leaving:  # typer turns a closed pipe into a status of 1
        if isinstance(leaving.__context__, BrokenPipeError):
            _leave_closed_pipe()
        raise
    except BrokenPipeError:
        _leave_closed_pipe()
    except OSError as failure:
        where = _where(failure)
        _silence_output()
        _say(
            f"error: {where}: {printable(failure.strerror or failure, limit=80)}, "
            "expected a place that can be read and written, with room in it. Correct it and start again."
        )
        sys.exit(2)
    except MemoryError:
        _say(
            "error: this needs more memory than the machine has. Set a lower KERFMARK_LIMIT_GRID_MIB or hand in fewer triangles."
        )
        sys.exit(1)
    except Exception as fault:
        if hasattr(fault, "format_message"):  # typer's own class is private and has moved between its versions
            _leave_usage(fault)
        _say(
            f"error: a fault of our own ({type(fault).__name__}: {printable(fault, limit=120)}). Nothing was written; please report it with the command."
        )
        sys.exit(1)
    if status == INTERRUPTED:
        _say("stopped; nothing was written")
    sys.exit(status if isinstance(status, int) else 0)


def _leave_closed_pipe() -> NoReturn:
    """Whoever read our output has left: the shell's status for that, and not a word."""
    _silence_output()
    sys.exit(128 + signal.SIGPIPE)


def _where(failure: OSError) -> str:
    """What the system would not read or write; it does not always say."""
    from kerfmark.settings import read_settings

    cache = read_settings().cache_dir
    if failure.filename is not None:
        kept = cache.absolute() in (named := Path(os.fsdecode(failure.filename)).absolute(), *named.parents)
        return f"{printable(failure.filename)}{' (KERFMARK_CACHE_DIR)' if kept else ''}"
    try:
        sys.stdout.flush()
    except OSError:
        return "standard output"
    return f"the cache folder {printable(cache)} (KERFMARK_CACHE_DIR)"


def _silence_output() -> None:
    """What is still held for standard output goes nowhere, so that leaving says nothing more."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _leave_usage(fault: Any) -> NoReturn:
    """A command, option or value that is not known, in one line; with no command at all, the help."""
    message = printable(fault.format_message(), limit=300).rstrip(".")
    context = getattr(fault, "ctx", None)
    if not message or fault.__class__.__name__.startswith("NoArgs"):
        fault.show()
    else:
        hint = f" See `{context.command_path} --help`." if context is not None else " See `kerfmark --help`."
        _say(f"error: {message[0].lower()}{message[1:]}{'' if message.endswith('?') else '.'}{hint}")
    sys.exit(2)


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def _sides(texts: list[str]) -> dict[str, str]:
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


def _file_of(json_to: str | None) -> Path | None:
    """Where `--json` writes to, None for nowhere and for standard output."""
    return None if json_to in (None, "-") else Path(str(json_to))


def _one_of(value: str, known: tuple[str, ...], *, option: str) -> None:
    if value not in known:
        raise InputError(
            f"{option} is '{printable(value, limit=40)}', expected {' or '.join(known)}. Choose one of them."
        )


def _show_remarks(remarks: Iterable[Remark]) -> None:
    for remark in remarks:
        _say(f"warning: {printable(remark.where)}: {printable(remark.message, limit=400)}")


def _values_text(values: dict[str, Any]) -> str:
    import json

    return json.dumps(values, indent=1, ensure_ascii=False, allow_nan=False)


def _write_evidence(found: Evidence, html_to: Path | None, pdf_to: Path | None, json_to: str | None) -> None:
    from kerfmark.reports.board.contents import as_json_text, summary_lines

    with Outputs() as outputs:
        if html_to is not None:
            from kerfmark.reports.board.page import write_board_page

            write_board_page(outputs.at(html_to), found)
        if pdf_to is not None:
            from kerfmark.reports.board.sheets import write_board_pdf

            write_board_pdf(outputs.at(pdf_to), found)
        if (file := _file_of(json_to)) is not None:
            outputs.at(file).write_text(as_json_text(found) + "\n", encoding="utf-8")
    if json_to == "-":
        typer.echo(as_json_text(found))
    if html_to is None and pdf_to is None and json_to is None:
        for line in summary_lines(found):
            typer.echo(line)


def _show_summary(assessment: Assessment) -> None:
    from kerfmark.reports.results import summary_lines

    for line in summary_lines(assessment):
        typer.echo(line)
