"""`kerfmark submit`."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeAlias

import typer

from kerfmark.cli.options import RigFile, neighbour_files
from kerfmark.cli.saying import say
from kerfmark.errors import InputError, printable

if TYPE_CHECKING:
    from kerfmark.settings import Settings
    from kerfmark.spool import Answer, Held, Spool, Target

__all__ = ["KeyFile", "submit", "target_of"]

KeyFile: TypeAlias = Annotated[
    Path | None,
    typer.Option(
        "--key-file", metavar="FILE", help="File that holds the station key or token; KERFMARK_KEY if left out."
    ),
]
FIRST_WAIT_S, LONGEST_WAIT_S = 2.0, 60.0


def submit(
    piece: Annotated[
        Path | None, typer.Argument(metavar="[PIECE]", help="The file to hand in; left out: send what waits.")
    ] = None,
    learner: Annotated[
        str | None, typer.Option(metavar="CODE", help="The learner's code; left out with a learner's own token.")
    ] = None,
    sitting: Annotated[str | None, typer.Option(metavar="ID", help="The sitting.")] = None,
    exercise: Annotated[
        str | None,
        typer.Option(metavar="EXERCISE", help="Folder, zip, built-in name or sha256:… version, instead of --sitting."),
    ] = None,
    neighbour: Annotated[
        list[str] | None, typer.Option(metavar="SIDE=FILE", help="Scan of a neighbour, mesial=FILE or distal=FILE.")
    ] = None,
    unit: Annotated[str | None, typer.Option(metavar="UNIT", help="Unit of the file: mm, cm, m, in or um.")] = None,
    rig: RigFile = None,
    server: Annotated[str | None, typer.Option(metavar="URL", help="The server; KERFMARK_SERVER if left out.")] = None,
    key_file: KeyFile = None,
    again: Annotated[bool, typer.Option("--again", help="Also send again what the server refused.")] = False,
    keep_trying: Annotated[bool, typer.Option("--keep-trying", help="Stay until everything is sent.")] = False,
) -> None:
    """Hand a piece in to a server. It is held on this machine until the server has taken it, and is taken once.

    Exit 0: handed in, or held and to be sent by the next `kerfmark submit`; 2: refused, with the server's words.
    """
    from kerfmark.settings import read_settings
    from kerfmark.spool import Spool

    settings = read_settings()
    target = target_of(server, key_file, settings)
    spool = Spool(settings.spool_dir)
    if piece is not None:
        held = _to_hold(piece, target, learner, sitting, exercise, neighbour or [], unit, rig, settings)
        if _hold(spool, held, target):
            return
    if again:
        spool.again()
    refused = _send(spool, target, keep_trying=keep_trying)
    if refused:
        raise InputError(
            f"{refused} refused, expected what their words say. Correct it and run `kerfmark submit --again`."
        )


def _send(spool: Spool, target: Target, *, keep_trying: bool) -> int:
    """Send what waits; with `keep_trying` until nothing does. Returns how many were refused."""
    refused, wait_s = 0, FIRST_WAIT_S
    while True:
        last: Answer | None = None
        for held, last in spool.send_all(target):
            _tell(held, last)
            refused += last.state == "refused"
        left = len(spool.waiting())
        if not left:
            return refused
        say(f"held on this machine, {left} to send: {last.words if last else 'the server was not asked'}")
        if not keep_trying:
            return refused
        time.sleep(wait_s)
        wait_s = min(2.0 * wait_s, LONGEST_WAIT_S)


def _hold(spool: Spool, held: Held, target: Target) -> bool:
    """Put a piece into the spool; True where it went straight to the server, as the disk would not take it."""
    from kerfmark.spool import send

    try:
        spool.hold(held)
    except OSError as error:
        answer = send(held, target)
        _tell(held, answer)
        if answer.state == "kept":
            return True
        raise InputError(
            f"{printable(held.file_name)}: can neither be held on this machine ({printable(error.strerror or error, limit=80)}) nor handed in "
            f"({answer.words}). Its file is untouched: make room and run the command again."
        ) from error
    if (receipt := spool.receipt(held.key)) is not None:
        typer.echo(f"{held.file_name}: handed in already, as attempt {receipt.get('attempt')}")
    return False


def _tell(held: Held, answer: Answer) -> None:
    if answer.state == "kept":
        typer.echo(f"{held.file_name}: {answer.words}")
    elif answer.state == "refused":
        say(f"error: {printable(held.file_name)}: {answer.words}")


def _to_hold(
    piece: Path,
    target: Target,
    learner: str | None,
    sitting: str | None,
    exercise: str | None,
    neighbour: list[str],
    unit: str | None,
    rig: Path | None,
    settings: Settings,
) -> Held:
    from kerfmark.spool import piece_to_hold

    version = exercise
    if exercise is not None and not exercise.startswith("sha256:"):
        from kerfmark.exercise.folder import load_exercise

        version = load_exercise(exercise, limits=settings.limits, cache_dir=settings.cache_dir).version
    return piece_to_hold(
        piece, secret=target.secret, learner=learner, sitting=sitting, exercise=version, unit=unit,
        neighbours={side: Path(file) for side, file in neighbour_files(neighbour).items()}, rig=rig,
    )  # fmt: skip


def target_of(server: str | None, key_file: Path | None, settings: Settings) -> Target:
    """The server to talk to and the key to do it with, from options or else the settings."""
    return _target(server or settings.server, _secret(key_file, settings))


def _target(server: str | None, secret: str) -> Target:
    from kerfmark.spool import Target

    if not server:
        raise InputError("no server is named, expected its address in --server or KERFMARK_SERVER. Name it.")
    return Target(server, secret)


def _secret(key_file: Path | None, settings: Settings) -> str:
    if key_file is None:
        if not settings.key:
            raise InputError(
                "no key is given, expected a station key or token in --key-file or KERFMARK_KEY. Give one."
            )
        return settings.key
    try:
        return key_file.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            f"{printable(key_file)}: cannot be read as a key, expected one line. Check its path."
        ) from error
