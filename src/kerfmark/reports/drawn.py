"""Everything drawn for one piece, made once and used by the page and the sheets."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from math import isfinite
from typing import TYPE_CHECKING, Final

import numpy as np

from kerfmark.geometry.grids import sample_with_gradient
from kerfmark.records import Assessment, Removal
from kerfmark.reports.abutments import abutments_contents
from kerfmark.reports.contents import PieceContents, contents_of
from kerfmark.reports.finish_line import developed_svg
from kerfmark.reports.history import removal_of
from kerfmark.reports.sections.drawing import Section, sections_of
from kerfmark.reports.view.deviation import CORRIDOR_MM
from kerfmark.reports.view.picture import View, ViewScene, scene_of, view_of

if TYPE_CHECKING:
    from kerfmark.exercise.folder import LoadedExercise
    from kerfmark.exercise.prepared import Prepared

__all__ = [
    "PAGE_SECTION",
    "PieceScene",
    "corridor_mm",
    "developed_for_page",
    "piece_scene",
    "sections_for_page",
    "views_for_page",
]

PAGE_VIEWS: Final = "SOBLMD"
FACES_BACK: Final = 0.5
PAGE_SECTION: Final = (400, 424)
NEAR_CANAL_MM, BELOW_CANAL_MM = 8.0, 3.2


@dataclass(frozen=True, slots=True, eq=False)
class PieceScene:
    """A piece ready to be drawn: its words and numbers, what its views share, the corridor's half width, its history."""

    assessment: Assessment
    prepared: Prepared
    contents: PieceContents
    view: ViewScene
    limit_mm: float
    removal: Removal | None = None


def piece_scene(
    assessment: Assessment, prepared: Prepared, loaded: LoadedExercise, *, labels: Mapping[str, str] | None = None
) -> PieceScene:
    """Get a piece ready to be drawn. Make it once for a page and sheets of the same piece.

    Parameters
    ----------
    assessment : Assessment
    prepared : Prepared
    loaded : LoadedExercise
    labels : mapping, optional
        As in `contents_of`.
    """
    if assessment.piece.kind == "plan":  # nothing is cut: no map, no corridor, no material left or gone
        prepared = replace(prepared, target=None, target_grid=None)
    limit = corridor_mm(assessment)
    contents = contents_of(assessment, loaded, labels=labels)
    view = scene_of(assessment, prepared, limit_mm=limit)
    view = replace(view, floor_mm=min(view.floor_mm, _foot_of_canal(prepared, view.floor_mm)))
    return PieceScene(assessment, prepared, contents, view, limit, removal_of(assessment, prepared))


def _foot_of_canal(prepared: Prepared, floor_mm: float) -> float:
    """A little below a canal that runs near the plan: it is shown with what was cut."""
    if prepared.implant is None or prepared.canal is None or prepared.subject is None:
        return floor_mm
    near = np.linalg.norm(prepared.canal[:, :2] - prepared.implant[1][:2], axis=1) < NEAR_CANAL_MM
    lowest = float(prepared.canal[near, 2].min(initial=np.inf)) - BELOW_CANAL_MM
    return max(min(floor_mm, lowest), float(prepared.subject.vertices_mm[:, 2].min()))


def corridor_mm(assessment: Assessment) -> float:
    """Half width of the corridor about the target: the widest limit set on the deviation, or 0.15 mm."""
    limits = [
        abs(limit)
        for ruling in assessment.rulings
        if ruling.reading == "surface.deviation_mm" and ruling.stat != "rms"
        for limit in ruling.limits
        if isfinite(limit) and limit != 0.0
    ]
    return max(limits, default=CORRIDOR_MM)


def views_for_page(scene: PieceScene, *, letters: str = PAGE_VIEWS) -> tuple[View, ...]:
    """The views of the page, drawn two at a time; slanted from behind first where the plan faces that way."""
    if _faces_back(scene.prepared):
        letters = letters.replace("S", "Z")
    with ThreadPoolExecutor(2) as two:
        return tuple(two.map(lambda letter: view_of(letter, scene.view, scene.contents), letters))


def _faces_back(prepared: Prepared) -> bool:
    """Whether what is planned opens to the lingual side, as an access of a front tooth does."""
    if prepared.outline is None:
        return False
    outward = sample_with_gradient(prepared.subject_grid, prepared.outline)[1].mean(axis=0)
    return bool(outward[1] < -FACES_BACK * np.linalg.norm(outward))


def sections_for_page(scene: PieceScene) -> tuple[Section, ...]:
    """The sections of the page, one scale for all."""
    return sections_of(
        scene.assessment,
        scene.prepared,
        scene.contents,
        floor_mm=scene.view.floor_mm,
        limit_mm=scene.limit_mm,
        size=PAGE_SECTION,
    )


def developed_for_page(scene: PieceScene) -> str:
    """The finish line unrolled; empty where no reading kept its sections."""
    if not scene.prepared.abutments:
        return developed_svg(scene.contents, mesial_sign=scene.prepared.mesial_sign)
    return "".join(
        developed_svg(own, mesial_sign=abutment.mesial_sign, title=str(abutment.exercise.tooth))
        for own, abutment in abutments_contents(scene.contents, scene.prepared)
    )
