"""Many pieces of one exercise at once, over a pool of processes on one machine."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from kerfmark.errors import KerfmarkError
from kerfmark.records import Assessment
from kerfmark.settings import Settings

if TYPE_CHECKING:
    from kerfmark.exercise.folder import LoadedExercise
    from kerfmark.exercise.prepared import Prepared

__all__ = ["PieceJob", "PieceResult", "assess_many"]


@dataclass(frozen=True, slots=True)
class PieceJob:
    """One piece to assess, its neighbours' scans, and the reports to write of it (None: not wanted)."""

    piece: Path
    neighbours: Mapping[str, Path] = field(default_factory=dict)
    html: Path | None = None
    pdf: Path | None = None
    labels: Mapping[str, str] = field(default_factory=dict)
    unit: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class PieceResult:
    """What became of one job: an assessment, or the sentence that says why there is none."""

    index: int
    assessment: Assessment | None
    failure: str | None


def assess_many(exercise: str | Path, jobs: Sequence[PieceJob], *, settings: Settings) -> Iterator[PieceResult]:
    """Assess many pieces side by side and write their reports; results come as they are ready.

    Parameters
    ----------
    exercise : str or path
        As for `kerfmark.assess`.
    jobs : sequence of PieceJob
    settings : Settings
        `threads` processes are used.

    Yields
    ------
    result : PieceResult
        One for each job; a piece that cannot be assessed does not stop the others.

    Notes
    -----
    Processes are started afresh rather than forked: threads of compiled libraries do not survive a fork. The exercise is
    prepared before the first starts, so that the workers only read it.
    """
    from kerfmark.pipeline import open_exercise

    open_exercise(exercise, settings=settings)
    processes = max(1, min(settings.threads, len(jobs)))
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, mp_context=context, initializer=_open, initargs=(exercise, settings)) as pool:
        for done in as_completed([pool.submit(_assess_one, index, job) for index, job in enumerate(jobs)]):
            yield done.result()


_opened: tuple[LoadedExercise, Prepared, Settings] | None = None


def _open(exercise: str | Path, settings: Settings) -> None:
    """In each worker, once: read the prepared exercise."""
    global _opened
    from kerfmark.pipeline import open_exercise

    os.environ.setdefault("OMP_NUM_THREADS", "1")
    loaded, prepared = open_exercise(exercise, settings=settings)
    _opened = loaded, prepared, settings


def _assess_one(index: int, job: PieceJob) -> PieceResult:
    from kerfmark.pipeline import assess_prepared
    from kerfmark.reports import write_reports

    assert _opened is not None
    loaded, prepared, settings = _opened
    try:
        assessment = assess_prepared(
            loaded, prepared, job.piece, neighbours=dict(job.neighbours), unit=job.unit, settings=settings
        )
        write_reports(assessment, prepared, loaded, html=job.html, pdf=job.pdf, labels=job.labels)
    except KerfmarkError as failure:
        return PieceResult(index, None, str(failure))
    return PieceResult(index, _without_cut(assessment), None)


def _without_cut(assessment: Assessment) -> Assessment:
    """A recorded piece without its cut fields, which are tens of megabytes and stay with the worker that used them."""
    if assessment.piece.cut is None:
        return assessment
    return replace(assessment, piece=replace(assessment.piece, cut=None, neighbour_cuts={}))
