"""An invented term while it is made: what its steps share, and pieces truly cut and measured for it."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from kerfmark.sittings.apart import Assessed, measured
from kerfmark.storage import Store

if TYPE_CHECKING:
    from kerfmark.settings import Settings
    from kerfmark.sittings.apart import Draw

__all__ = ["EXAM", "EXAMINERS", "EXERCISES", "LEARNERS", "SITES", "WEEK", "Making", "Real", "cut_and_measure"]

SITES: Final = ("North Quay", "Old Mill")
EXERCISES: Final = ("straight-line", "layered-block", "cavity-i-36", "metal-crown-36", "full-crown-46")
EXAM: Final = "layered-block"
"""What the exam is on: few criteria, so that what waits for an examiner can be looked at in a minute."""
LEARNERS, EXAMINERS = 60, 4
WEEK = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class Real:
    """A piece that was cut in simulation and truly measured."""

    level: str
    content: bytes
    neighbours: Mapping[str, bytes]
    assessed: Assessed


@dataclass(slots=True)
class Making:
    """A term while it is made."""

    store: Store
    settings: Settings
    rng: np.random.Generator
    say: Callable[[str], None]
    began: datetime
    sites: dict[str, str] = field(default_factory=dict)
    people: dict[str, str] = field(default_factory=dict)
    stations: dict[str, list[str]] = field(default_factory=dict)
    levels: dict[str, float] = field(default_factory=dict)
    sittings: list[str] = field(default_factory=list)
    pieces: int = 0
    measured: int = 0


def cut_and_measure(
    exercise: str, levels: Sequence[str], seed: int, settings: Settings, draw: Draw | None
) -> list[Real]:
    """In a process: cut pieces of an exercise by simulated hands, scan and measure them; one that cannot be measured is left out."""
    from kerfmark.demo.learners import simulated_piece
    from kerfmark.errors import KerfmarkError
    from kerfmark.pipeline import open_exercise

    alone = replace(settings, threads=1)
    loaded, prepared = open_exercise(exercise, settings=alone)
    found = []
    with tempfile.TemporaryDirectory() as folder:
        for n, level in enumerate(levels):
            path = Path(folder) / f"{n}.ply"
            piece = simulated_piece(exercise, level=level, seed=1000 * seed + n, settings=alone)
            beside = piece.write(path)
            try:
                assessed = measured(loaded, prepared, path, neighbours=beside, settings=alone, draw=draw)
            except KerfmarkError:
                continue
            neighbours = {side: file.read_bytes() for side, file in beside.items()}
            found.append(Real(level, path.read_bytes(), neighbours, assessed))
    return found
