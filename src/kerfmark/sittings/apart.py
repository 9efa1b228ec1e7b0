"""One piece assessed in a process apart, with limits on memory and time: a file from outside can only take that process down."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from kerfmark.errors import KerfmarkError, printable
from kerfmark.records import Reading

if TYPE_CHECKING:
    from multiprocessing.context import SpawnProcess

    from kerfmark.exercise.folder import LoadedExercise
    from kerfmark.exercise.prepared import Prepared
    from kerfmark.records import Assessment
    from kerfmark.settings import Settings
    from kerfmark.sittings.piece_files import PieceFiles

__all__ = ["Apart", "Assessed", "Broken", "Draw", "SetAside", "limit_memory", "measured"]

Draw: TypeAlias = "Callable[[Assessment, Prepared, LoadedExercise], Mapping[str, bytes]]"
OPEN_EXERCISES = 4
START_S = 120.0


@dataclass(frozen=True, slots=True)
class Assessed:
    """What an assessment gave, without its geometry: `text` is the JSON of `docs/results.md`, `drawings` files by kind."""

    kerfmark: str
    kind: str
    rms_um: float
    overlap: float
    readings: tuple[Reading, ...]
    text: bytes
    drawings: Mapping[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class SetAside:
    """Why there is no assessment, in a sentence for the person."""

    reason: str


@dataclass(frozen=True, slots=True)
class Broken:
    """The process broke off. `began`: with this piece in hand, which may be why; else it never started, and the piece is blameless."""

    reason: str
    began: bool


class Apart:
    """A process that assesses one piece after another. It is started when first needed, and anew after it was stopped or broke.

    Parameters
    ----------
    settings : Settings
    memory_mib : int
        Most address space the process may take.
    seconds : float
        Most time one piece may take.
    draw : callable, optional
        Makes files for the view out of an assessment, in that process; a function of a module.
    """

    def __init__(self, settings: Settings, *, memory_mib: int, seconds: float, draw: Draw | None = None) -> None:
        self._settings, self._memory_mib, self._seconds, self._draw = settings, memory_mib, seconds, draw
        self._process: SpawnProcess | None = None
        self._pipe: Connection | None = None
        self._closing = threading.Lock()

    def assess(self, files: PieceFiles) -> Assessed | SetAside | Broken:
        """Assess one piece; never raises for what the file holds."""
        try:
            pipe = self._started()
        except (EOFError, OSError) as why:
            self.close()
            return Broken(f"a process to measure in could not be started ({printable(why, limit=80)})", began=False)
        try:
            pipe.send(files)
            if not pipe.poll(self._seconds):
                self.close()
                return SetAside(
                    f"it took longer than {self._seconds:g} s. Hand in a smaller file, or raise KERFMARK_LIMIT_WORKER_S."
                )
            answer: Assessed | SetAside = pipe.recv()
        except (EOFError, OSError):
            self.close()
            return Broken(
                f"measuring it broke off, most likely for want of memory ({self._memory_mib} MiB)", began=True
            )
        return answer

    def close(self) -> None:
        """Stop the process at once; two threads may ask for it at the same moment."""
        with self._closing:
            process, pipe = self._process, self._pipe
            self._process = self._pipe = None
        if pipe is not None:
            pipe.close()
        if process is not None:
            process.kill()
            process.join()

    def _started(self) -> Connection:
        if self._process is not None and self._process.is_alive() and self._pipe is not None:
            return self._pipe
        self.close()
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        job = (theirs, self._settings, self._memory_mib, self._draw)
        self._process = context.Process(target=_serve, args=job, daemon=True, name="kerfmark-measuring")
        self._process.start()
        theirs.close()
        self._pipe = ours
        if not ours.poll(START_S):
            raise OSError("it did not answer")
        ours.recv()
        return ours


def _serve(pipe: Connection, settings: Settings, memory_mib: int, draw: Draw | None) -> None:
    """In the process: take a piece, assess it, answer, until the other end is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    with contextlib.suppress(AttributeError, OSError):
        os.nice(10)  # who hands in or reads a page does not wait for measuring
    limit_memory(memory_mib)
    opened: dict[Path, Any] = {}
    with contextlib.suppress(EOFError, OSError):
        pipe.send("ready")
        while True:
            pipe.send(_answer(pipe.recv(), settings, opened, draw))


def _answer(files: PieceFiles, settings: Settings, opened: dict[Path, Any], draw: Draw | None) -> Assessed | SetAside:
    try:
        return _assess(files, settings, opened, draw)
    except KerfmarkError as why:
        return SetAside(str(why))
    except MemoryError:
        return SetAside(
            "it needs more memory than one piece may take. Hand in a smaller file, or raise KERFMARK_LIMIT_WORKER_MIB."
        )
    except Exception as fault:
        return SetAside(
            f"a fault of our own ({type(fault).__name__}: {printable(fault, limit=120)}). Please report it."
        )


def _assess(files: PieceFiles, settings: Settings, opened: dict[Path, Any], draw: Draw | None) -> Assessed:
    from kerfmark.pipeline import open_exercise

    if files.exercise not in opened:
        while len(opened) >= OPEN_EXERCISES:
            opened.pop(next(iter(opened)))
        opened[files.exercise] = open_exercise(files.exercise, settings=settings)
    loaded, prepared = opened[files.exercise]
    return measured(
        loaded, prepared, files.piece, neighbours=files.neighbours, unit=files.unit, rig=files.rig, settings=settings, draw=draw
    )  # fmt: skip


def measured(
    loaded: LoadedExercise,
    prepared: Prepared,
    piece: Path,
    *,
    neighbours: Mapping[str, Path],
    settings: Settings,
    unit: str | None = None,
    rig: Path | None = None,
    draw: Draw | None = None,
) -> Assessed:
    """Measure a piece and keep of it what the store keeps; raises as `kerfmark.assess` does."""
    from kerfmark.pipeline import assess_prepared
    from kerfmark.reports.results import as_json_text

    assessment = assess_prepared(
        loaded, prepared, piece, neighbours=dict(neighbours), unit=unit, rig=rig, settings=settings
    )
    return Assessed(
        kerfmark=assessment.kerfmark,
        kind=assessment.piece.kind,
        rms_um=float(assessment.piece.alignment.rms_um),
        overlap=float(assessment.piece.alignment.overlap),
        readings=tuple(replace(r, budget=(), witness=None) for r in assessment.readings),
        text=as_json_text(assessment).encode(),
        drawings={} if draw is None else dict(draw(assessment, prepared, loaded)),
    )


def limit_memory(memory_mib: int) -> None:
    """Hold the process to its memory, where the system can; and let it leave no core file."""
    try:
        import resource
    except ImportError:
        return
    with contextlib.suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_AS, (memory_mib << 20, memory_mib << 20))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
