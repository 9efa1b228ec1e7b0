"""How the command ends: one sentence and the exit status of `docs/cli.md`, whatever went wrong."""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path
from typing import Any, NoReturn

from kerfmark.cli.saying import say
from kerfmark.errors import printable

__all__ = ["leave_closed_pipe", "leave_usage", "place_of", "silence_output"]


def leave_closed_pipe() -> NoReturn:
    """Whoever read our output has left: the shell's status for that, and not a word."""
    silence_output()
    sys.exit(128 + signal.SIGPIPE)


def place_of(failure: OSError) -> str:
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


def silence_output() -> None:
    """What is still held for standard output goes nowhere, so that leaving says nothing more."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def leave_usage(fault: Any) -> NoReturn:
    """A command, option or value that is not known, in one line; with no command at all, the help."""
    message = printable(fault.format_message(), limit=300).rstrip(".")
    context = getattr(fault, "ctx", None)
    if not message or fault.__class__.__name__.startswith("NoArgs"):
        fault.show()
    else:
        hint = f" See `{context.command_path} --help`." if context is not None else " See `kerfmark --help`."
        say(f"error: {message[0].lower()}{message[1:]}{'' if message.endswith('?') else '.'}{hint}")
    sys.exit(2)
