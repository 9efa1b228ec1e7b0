"""Compiling the usual loops beforehand, on a core that would stand idle while something else is made ready.

`usual.json` lists every loop that a demo compiles, with its kinds of arguments; `benchmarks/usual_loops.py` writes it anew.
Whoever needs one of them before it is done waits for it instead of compiling it a second time (`compiled.py`).
"""

from __future__ import annotations

import hashlib
import importlib
import json
import multiprocessing
import os
from multiprocessing.process import BaseProcess
from pathlib import Path

from kerfmark.kernels.compiled import Loop, kinds_of_text
from kerfmark.kernels.native import machine_name
from kerfmark.settings import compiled_dir

__all__ = ["compile_usual", "start_compiling", "usual"]

LIST = Path(__file__).with_name("usual.json")


def usual() -> list[tuple[str, str, list[object]]]:
    """Module, name and kinds of arguments of each loop on the list."""
    return [(module, name, kinds) for module, name, kinds in json.loads(LIST.read_text(encoding="utf-8"))]


def start_compiling(processors: int) -> BaseProcess | None:
    """A process that compiles what is on the list and ends.

    None where that was done before on this machine, or where there is no second processor for it.
    """
    if processors < 2 or _done_mark().exists():
        return None
    process = multiprocessing.get_context("spawn").Process(target=compile_usual, daemon=True)
    process.start()
    return process


def compile_usual() -> int:
    """Compile every loop on the list that is not kept yet; gives how many of the list there are now.

    What the list names and the code no longer has is left out: the list costs time where it is old, nothing else.
    """
    os.nice(1)
    made = sum(_compiled(module, name, kinds) for module, name, kinds in usual())
    try:
        _done_mark().touch()
    except OSError:
        return made
    return made


def _compiled(module: str, name: str, kinds: list[object]) -> bool:
    loop = getattr(importlib.import_module(module), name, None)
    if not isinstance(loop, Loop):
        return False
    loop.make(tuple(kinds_of_text(kind) for kind in kinds))
    return True


def _done_mark() -> Path:
    digest = hashlib.sha256(LIST.read_bytes() + machine_name().encode()).hexdigest()
    return compiled_dir() / f"usual-{digest[:24]}.done"
