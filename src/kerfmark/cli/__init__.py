"""The `kerfmark` command: one file a command. Everything heavy is imported inside the command that needs it, so that `--help` stays quick."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path

from kerfmark.cli import (
    assess,
    audit,
    backup,
    check,
    demo,
    evidence,
    listing,
    live,
    replay,
    retention,
    schema,
    serve,
    simulate,
    submit,
)
from kerfmark.cli.application import app
from kerfmark.cli.leaving import leave_closed_pipe, leave_usage, place_of, silence_output
from kerfmark.cli.saying import say
from kerfmark.errors import KerfmarkError, printable

__all__ = ["COMMANDS", "app", "main"]

COMMANDS: dict[str, Callable[..., None]] = {
    "assess": assess.assess,
    "replay": replay.replay,
    "live": live.live,
    "check": check.check,
    "list": listing.list_exercises,
    "schema": schema.schema,
    "simulate": simulate.simulate,
    "demo": demo.demo,
    "evidence": evidence.evidence,
    "serve": serve.serve,
    "submit": submit.submit,
    "backup": backup.backup,
    "restore": backup.restore,
    "audit": audit.audit,
    "retention": retention.retention,
}
"""Each command's function, in the order of `kerfmark --help`."""
for _name, _command in COMMANDS.items():
    app.command(_name)(_command)

INTERRUPTED = 130
"""What typer gives back when somebody pressed Ctrl-C."""


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
        say(f"error: {failure}")
        sys.exit(failure.exit_status)
    except SystemExit as leaving:  # typer turns a closed pipe into a status of 1
        if isinstance(leaving.__context__, BrokenPipeError):
            leave_closed_pipe()
        raise
    except BrokenPipeError:
        leave_closed_pipe()
    except OSError as failure:
        where = place_of(failure)
        silence_output()
        say(
            f"error: {where}: {printable(failure.strerror or failure, limit=80)}, "
            "expected a place that can be read and written, with room in it. Correct it and start again."
        )
        sys.exit(2)
    except MemoryError:
        say(
            "error: this needs more memory than the machine has. Set a lower KERFMARK_LIMIT_GRID_MIB or hand in fewer triangles."
        )
        sys.exit(1)
    except Exception as fault:
        if hasattr(fault, "format_message"):  # typer's own class is private and has moved between its versions
            leave_usage(fault)
        say(
            f"error: a fault of our own ({type(fault).__name__}: {printable(fault, limit=120)}). Nothing was written; please report it with the command."
        )
        sys.exit(1)
    if status == INTERRUPTED:
        say("stopped; nothing was written")
    sys.exit(status if isinstance(status, int) else 0)
