"""One file per reader: what a learner, a teacher, a board, a technician is shown."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from kerfmark.exercise.folder import LoadedExercise
    from kerfmark.exercise.prepared import Prepared
    from kerfmark.records import Assessment

__all__ = ["write_reports"]


def write_reports(
    assessment: Assessment,
    prepared: Prepared,
    loaded: LoadedExercise,
    *,
    html: Path | None,
    pdf: Path | None,
    labels: Mapping[str, str],
) -> None:
    """Write the reports of one piece that are asked for; what page and sheets share is prepared once.

    Parameters
    ----------
    assessment : Assessment
    prepared : Prepared
    loaded : LoadedExercise
    html, pdf : path or None
        None: not wanted.
    labels : mapping
        What the piece, the learner, the source, the sitting are called.
    """
    if html is None and pdf is None:
        return
    from kerfmark.reports.drawn import piece_scene

    scene = piece_scene(assessment, prepared, loaded, labels=labels)
    if html is not None:
        from kerfmark.reports.piece import write_html

        write_html(html, assessment, prepared, loaded, labels=labels, scene=scene)
    if pdf is not None:
        from kerfmark.reports.sheet import write_pdf

        write_pdf(pdf, assessment, prepared, loaded, labels=labels, scene=scene)
