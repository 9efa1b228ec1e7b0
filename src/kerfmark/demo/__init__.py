"""An invented school's sitting with simulated learners: everything here is invented, every piece is simulated."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from kerfmark.settings import Settings

__all__ = ["run_demo"]


def run_demo(out: Path, *, learners: int, seed: int, settings: Settings, say: Callable[[str], None]) -> None:
    """Cut, scan, assess and report a whole sitting, and the evidence of a simulated term.

    See `kerfmark.demo.sitting.run` and `kerfmark.demo.term.write_term`.
    """
    from kerfmark.demo.sitting import run
    from kerfmark.demo.term import write_term

    run(out, learners=learners, seed=seed, settings=settings, say=say)
    write_term(out, seed=seed, say=say)
