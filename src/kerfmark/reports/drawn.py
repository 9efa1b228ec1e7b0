"""Everything drawn for one piece, made once and used by the page and the sheets."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from math import isfinite
from typing import TYPE_CHECKING, Final

import numpy as np

from kerfmark.geometry.grids import sample_with_gradient
from kerfmark.records import Assessment, FloatArray, Removal
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
    "sheet_views",
    "views_for_page",
]

PAGE_VIEWS: Final = "SOBLMD"
FACES_BACK: Final = 0.5
DISTAL_HALF_MM: Final = 0.8
_EYES: Final = {"O": np.array([0.0, 0.0, 1.0]), "B": np.array([0.0, 1.0, 0.0]), "L": np.array([0.0, -1.0, 0.0])}
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
    """The views of the page, drawn two at a time; slanted from behind first where what is planned is seen from there."""
    letters = letters.replace("S", _slanted(scene.prepared))
    with ThreadPoolExecutor(2) as two:
        return tuple(two.map(lambda letter: view_of(letter, scene.view, scene.contents), letters))


def sheet_views(scene: PieceScene) -> str:
    """Letters of the two views a sheet has: slanted from both sides; of an opening into the tooth straight into it, and slanted."""
    if not any(r.id.startswith(("cavity.", "access.")) for r in scene.assessment.readings):
        return "SZ"
    facing = _facing(scene.prepared)
    facing = np.array([0.0, 0.0, 1.0]) if facing is None else facing
    side = max(("O", "B", "L"), key=lambda letter: float(facing @ _EYES[letter]))
    return side + _slanted(scene.prepared)


def _facing(prepared: Prepared) -> FloatArray | None:
    """Mean outward normal of the old surface along the planned outline."""
    if prepared.outline is None:
        return None
    outward = sample_with_gradient(prepared.subject_grid, prepared.outline)[1].mean(axis=0)
    return np.asarray(outward / max(float(np.linalg.norm(outward)), 1e-9))


def _slanted(prepared: Prepared) -> str:
    """The slanted view that sees what is planned: from behind where it opens to the lingual side or lies in the distal half."""
    facing = _facing(prepared)
    if facing is None or prepared.outline is None:
        return "S"
    if abs(facing[1]) > FACES_BACK:
        return "Z" if facing[1] < 0.0 else "S"
    mesially = prepared.mesial_sign * float(0.5 * (prepared.outline[:, 0].min() + prepared.outline[:, 0].max()))
    return "Z" if mesially < -DISTAL_HALF_MM else "S"


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
