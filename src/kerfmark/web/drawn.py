"""What is drawn of a piece when it has been measured, in the process apart, and fetched by its page: a scene, a still, the sheet's drawings."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from kerfmark.records import Assessment
from kerfmark.reports.access_plan import access_plan_svg
from kerfmark.reports.also import also_measured, reason_notes
from kerfmark.reports.budget import budget_lines, budget_svg
from kerfmark.reports.contents import CriterionLine
from kerfmark.reports.drawn import PieceScene, developed_for_page, piece_scene, sections_for_page
from kerfmark.reports.history import event_sentences, history_svg, process_rows
from kerfmark.reports.jaw_strip import jaw_strip_svg
from kerfmark.reports.scene import plain_names, plain_scene, scene_bytes, section_at, still_at
from kerfmark.reports.sections.key import key_of
from kerfmark.reports.tokens import painted

if TYPE_CHECKING:
    from kerfmark.exercise.folder import LoadedExercise
    from kerfmark.exercise.prepared import Prepared

__all__ = ["PLAIN_SCENE", "PLAIN_SHEET", "SCENE", "SHEET", "draw_for_pages"]

SCENE: Final = "scene"
SHEET: Final = "sheet"
PLAIN_SCENE: Final = "plain-scene"
PLAIN_SHEET: Final = "plain-sheet"
"""Kinds of files; those that begin with `plain` hold nothing measured and may be seen before own views are in."""
JAW_STRIP_PX: Final = 860.0
KEY_PX: Final = 600.0


def draw_for_pages(assessment: Assessment, prepared: Prepared, loaded: LoadedExercise) -> Mapping[str, bytes]:
    """Every file a page of this piece fetches, by kind.

    Parameters
    ----------
    assessment : Assessment
    prepared : Prepared
    loaded : LoadedExercise
    """
    scene = piece_scene(assessment, prepared, loaded)
    whole = scene_bytes(assessment, prepared, loaded, scene=scene)
    return {
        SCENE: whole,
        PLAIN_SCENE: plain_scene(whole),
        SHEET: _json(_sheet(scene)),
        PLAIN_SHEET: _json(_plain_sheet(scene)),
    }


def _sheet(scene: PieceScene) -> dict[str, Any]:
    contents, also = scene.contents, also_measured(scene.assessment)
    sections = sections_for_page(scene)
    return {
        "still": still_at(scene),
        "sections": [[s.name, painted(s.drawing, for_page=True)] for s in sections],
        "key": painted(
            key_of(scene.prepared, width=KEY_PX, open_ends=any(s.has_gaps for s in sections)), for_page=True
        ),
        "developed": painted(developed_for_page(scene), for_page=True),
        "access_plan": painted(
            access_plan_svg(scene.assessment, scene.prepared, width=JAW_STRIP_PX, lines=contents.lines), for_page=True
        ),
        "jaw_strip": painted(jaw_strip_svg(scene.assessment, scene.prepared, width=JAW_STRIP_PX), for_page=True),
        "history": painted(history_svg(scene.assessment, scene.removal), for_page=True),
        "process": process_rows(scene.assessment),
        "events": event_sentences(scene.assessment.events),
        "also": [[row.name, row.value, row.spread] for row in also],
        "also_notes": reason_notes(also),
        "remarks": [asdict(remark) for remark in contents.remarks],
        "made_from": contents.made_from,
        "aligned": [asdict(cell) for cell in contents.cells if cell.label == "aligned"],
        "budgets": {line.number: _budget(line) for line in contents.lines},
    }


def _plain_sheet(scene: PieceScene) -> dict[str, Any]:
    return {
        "still": still_at(scene, plain=True),
        "sections": [[name, section_at(scene, plane=name, plain=True)] for name in plain_names(scene)],
    }


def _budget(line: CriterionLine) -> dict[str, Any]:
    return {
        "drawing": painted(budget_svg(line), for_page=True),
        "parts": [asdict(part) for part in budget_lines(line.reading)],
    }


def _json(content: Mapping[str, Any]) -> bytes:
    return json.dumps(content, ensure_ascii=False, separators=(",", ":")).encode()
