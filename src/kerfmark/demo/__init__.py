"""An invented school's sitting with simulated learners: everything here is invented, every piece is simulated."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from kerfmark.settings import Settings

__all__ = ["run_demo"]


def run_demo(out: Path, *, learners: int, seed: int, settings: Settings, say: Callable[[str], None]) -> None:
    """Cut, scan, assess and report a whole sitting; see `kerfmark.demo.sitting.run`."""
    from kerfmark.demo.sitting import run

    run(out, learners=learners, seed=seed, settings=settings, say=say)
