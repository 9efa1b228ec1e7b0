"""The `kerfmark` command. Everything heavy is imported inside the command that needs it, so that `--help` stays quick."""

from __future__ import annotations

import os
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from kerfmark.errors import InputError, KerfmarkError, printable

if TYPE_CHECKING:
    from collections.abc import Iterable

    from kerfmark.evidence import Evidence
    from kerfmark.records import Assessment, Remark

__all__ = ["app", "main"]

STARTED = time.perf_counter()

app = typer.Typer(
    name="kerfmark",
    help="Measure the cut, mark the work. Exercises only: nothing here is for use on patients.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

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
    from kerfmark.reports import write_reports
    from kerfmark.settings import read_settings

    sides = dict(_side_and_file(text) for text in neighbour or [])
    for target in (html_to, pdf_to, None if json_to in (None, "-") else Path(str(json_to))):
        _check_writable(target)
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
    write_reports(assessment, prepared, loaded, html=html_to, pdf=pdf_to, labels={"piece": piece.name})
    progress.done()
    nothing_asked = html_to is None and pdf_to is None and json_to is None
    if json_to is not None or (nothing_asked and not sys.stdout.isatty()):
        _write_json(assessment, json_to or "-")
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
    from kerfmark.replayed import replay_motion
    from kerfmark.settings import read_settings

    if device not in ("cpu", "cuda"):
        raise InputError(f"--device is '{printable(device, limit=40)}', expected cpu or cuda. Correct it.")
    for target in (surface_to, None if json_to in (None, "-") else Path(str(json_to))):
        _check_writable(target)
    progress = Progress()
    done = replay_motion(
        exercise, motion, grid_um=grid_um, rig=rig, with_surface=surface_to is not None,
        device="cuda" if device == "cuda" else "cpu", settings=read_settings(),
        progress=progress, started=STARTED,
    )  # fmt: skip
    _show_remarks(done.remarks)
    progress("writing")
    done.write(surface=surface_to, field=field_to)
    progress.done()
    nothing_asked = surface_to is None and field_to is None and json_to is None
    if json_to is not None or (nothing_asked and not sys.stdout.isatty()):
        _write_values(done.as_json(), json_to or "-")
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
    exercise: ExerciseArgument,
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
    """Make a simulated scan or recorded motion of a piece of a built-in exercise, to try things out with."""
    from kerfmark.settings import read_settings

    _check_writable(out)
    progress, settings = Progress(), read_settings()
    if out.suffix.lower() in (".parquet", ".csv"):
        from kerfmark.demo.operators import write_simulated_motion

        progress("simulating an operator")
        write_simulated_motion(out, exercise, level=level, seed=seed, settings=settings, hand=hand)
    else:
        from kerfmark.demo.learners import simulated_piece

        progress("cutting and scanning a simulated piece")
        simulated_piece(exercise, level=level, seed=seed, settings=settings).write(out)
    progress.done()
    typer.echo(f"{out}: simulated piece, {level}, seed {seed}")


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
        float, typer.Option(metavar="POINTS", help="Within which groups count as the same.", min=0.1)
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

    for target in (html_to, pdf_to, None if json_to in (None, "-") else Path(str(json_to))):
        _check_writable(target)
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
    try:
        app(args=arguments, standalone_mode=True)
    except KerfmarkError as failure:
        _say(f"error: {failure}")
        sys.exit(failure.exit_status)
    except KeyboardInterrupt:
        _say("stopped")
        sys.exit(130)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except MemoryError:
        _say(
            "error: this needs more memory than the machine has. Set a lower KERFMARK_LIMIT_GRID_MIB or hand in fewer triangles."
        )
        sys.exit(1)
    except Exception as fault:
        _say(
            f"error: a fault of our own ({type(fault).__name__}: {printable(fault, limit=120)}). Nothing was written; please report it with the command."
        )
        sys.exit(1)


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def _side_and_file(text: str) -> tuple[str, str]:
    side, sign, file = text.partition("=")
    if not sign or not file:
        raise InputError(f"--neighbour '{printable(text)}': expected SIDE=FILE, such as mesial=mesial.stl. Correct it.")
    return side, file


def _check_writable(target: Path | None) -> None:
    """Refuse a target whose folder is missing before any work is done."""
    if target is None:
        return
    if target.is_dir():
        raise InputError(f"{printable(target)} is a folder, expected a file to write. Name a file in it.")
    if not target.absolute().parent.is_dir():
        raise InputError(
            f"{printable(target)}: its folder does not exist, expected an existing folder. Make it or name another."
        )


def _show_remarks(remarks: Iterable[Remark]) -> None:
    for remark in remarks:
        _say(f"warning: {printable(remark.where)}: {printable(remark.message, limit=400)}")


def _write_values(values: dict[str, Any], target: str) -> None:
    import json

    from kerfmark.reports.results import write_whole

    text = json.dumps(values, indent=1, ensure_ascii=False, allow_nan=False)
    if target == "-":
        typer.echo(text)
    else:
        write_whole(Path(target), (text + "\n").encode())


def _write_json(assessment: Assessment, target: str) -> None:
    from kerfmark.reports.results import as_json_text, write_whole

    text = as_json_text(assessment)
    if target == "-":
        typer.echo(text)
    else:
        write_whole(Path(target), text.encode())


def _write_evidence(found: Evidence, html_to: Path | None, pdf_to: Path | None, json_to: str | None) -> None:
    from kerfmark.reports.board.contents import as_json_text, summary_lines
    from kerfmark.reports.results import write_whole

    if html_to is not None:
        from kerfmark.reports.board.page import write_board_page

        write_board_page(html_to, found)
    if pdf_to is not None:
        from kerfmark.reports.board.sheets import write_board_pdf

        write_board_pdf(pdf_to, found)
    if json_to == "-":
        typer.echo(as_json_text(found))
    elif json_to is not None:
        write_whole(Path(json_to), as_json_text(found).encode())
    if html_to is None and pdf_to is None and json_to is None:
        for line in summary_lines(found):
            typer.echo(line)


def _show_summary(assessment: Assessment) -> None:
    from kerfmark.reports.results import summary_lines

    for line in summary_lines(assessment):
        typer.echo(line)
