"""The report of one piece as A4 sheets, like an inspection sheet: true scale, strips, title block at the foot."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from kerfmark.outputs import write_whole
from kerfmark.records import Assessment
from kerfmark.reports import strips, symbols, tokens, wording
from kerfmark.reports.access_plan import access_plan_svg
from kerfmark.reports.also import also_measured, reason_notes
from kerfmark.reports.budget import BudgetLine, budget_lines
from kerfmark.reports.canvas import text_width
from kerfmark.reports.contents import CriterionLine, PieceContents
from kerfmark.reports.drawn import PieceScene, piece_scene, sheet_views
from kerfmark.reports.history import event_sentences, history_svg, no_event_sentence, process_rows
from kerfmark.reports.jaw_strip import jaw_strip_svg
from kerfmark.reports.paper import block_cell, pdf_bytes, svg_for_paper
from kerfmark.reports.piece import gauge_of
from kerfmark.reports.sections.drawing import Section, sections_of
from kerfmark.reports.sections.key import key_of
from kerfmark.reports.view.camera import seen_words
from kerfmark.reports.view.deviation import legend_svg
from kerfmark.reports.view.picture import View, view_of

if TYPE_CHECKING:
    from kerfmark.exercise.folder import LoadedExercise
    from kerfmark.exercise.prepared import Prepared

__all__ = ["pdf_of", "write_pdf"]

SECTION_PX: Final = (348, 330)
VIEW_PX: Final = (340, 330)
STRIP_PX: Final = 134.0
JAW_PX: Final = 660.0
ROW_PX: Final = (18.8, 23.0)
ROWS_ROOM_PX: Final = 462.0
LEAST_SHARE, MOST_PARTS = 1.0 / 400.0, 3
"""Of u² beside the largest, below which a part of a budget is not printed: a twentieth of its u."""
NAME_PX, CRITICAL_PX, REASON_PX, SMALLEST = 172.0, 22.0, 262.0, 0.75
"""Room on a row's one line for its name, for the sign of a critical one, and for a reason in place of strip and reading."""


def write_pdf(
    path: Path,
    assessment: Assessment,
    prepared: Prepared,
    loaded: LoadedExercise,
    *,
    labels: Mapping[str, str] | None = None,
    scene: PieceScene | None = None,
) -> None:
    """Write the report of one piece as a PDF of A4 sheets. The same piece gives the same bytes; no date is put in.

    Parameters
    ----------
    path : Path
        Where to; the folder must exist.
    assessment : Assessment
    prepared : Prepared
    loaded : LoadedExercise
    labels : mapping, optional
        As in `write_html`.
    scene : PieceScene, optional
        From `piece_scene`, where page and sheets are written of the same piece.
    """
    write_whole(path, pdf_of(scene or piece_scene(assessment, prepared, loaded, labels=labels)))


def pdf_of(scene: PieceScene) -> bytes:
    """The sheets' bytes."""
    return pdf_bytes("sheet.typ", _data(scene))


def _data(scene: PieceScene) -> dict[str, object]:
    """Everything the template shows, as plain values."""
    contents = scene.contents
    drawn = sections_of(
        scene.assessment,
        scene.prepared,
        contents,
        floor_mm=scene.view.floor_mm,
        limit_mm=scene.limit_mm,
        size=SECTION_PX,
        true_scale=True,
    )
    sections = [_section(s) for s in drawn]
    scale = f"{drawn[0].paper_scale:g} : 1" if drawn else "not to scale"
    corridor = f", corridor ± {scene.limit_mm:.2f} mm about the target" if scene.view.has_map else ""
    views = [view_of(letter, scene.view, contents, size=VIEW_PX) for letter in sheet_views(scene)]
    also = also_measured(scene.assessment)
    lines = sorted(contents.lines, key=lambda line: line.number)
    return {
        "ink": tokens.PAPER,
        "title": f"{contents.title}{_tooth(contents.cells[0].more)}",
        "subtitle": f"Piece {contents.piece_name}. Scale {scale}. Dimensions in mm and degrees{corridor}.",
        "simulated": contents.simulated,
        "wordmark": svg_for_paper(symbols.wordmark_svg()),
        "critical": svg_for_paper(symbols.critical_svg()),
        "sections": sections[:2],
        "more-sections": sections[2:],
        "key": _key(scene, open_ends=any(s.has_gaps for s in drawn) or any(v.has_holes for v in views)),
        "sided": contents.sided,
        "row": _row_px(len(lines)),
        "rows": [_row(line, _row_px(len(lines))) for line in lines],
        "views": [_view(view, scene) for view in views],
        "views-title": "Deviation from target" if scene.view.has_map else "View",
        "views-note": "+ material left, − cut too far, mm; only where the tooth was cut or was to be"
        if scene.view.has_map
        else "",
        "legend": svg_for_paper(legend_svg(limit_mm=scene.limit_mm)) if scene.view.has_map else None,
        "history": svg_for_paper(history_svg(scene.assessment, scene.removal, width=660.0, height=220.0))
        if scene.removal
        else None,
        "access": _access(scene),
        "jaw": _jaw(scene),
        "process": [list(row) for row in process_rows(scene.assessment)],
        "events": event_sentences(scene.assessment.events),
        "no-event": no_event_sentence(scene.prepared),
        "also": [[row.name, row.value, row.spread] for row in also],
        "also-notes": list(reason_notes(also)),
        "budgets": [_budget(line) for line in lines if line.reading.value is not None],
        "remarks": [{"where": r.where, "message": r.message} for r in contents.remarks],
        "made": [list(pair) for pair in contents.made_from],
        "block": _title_block(scene),
    }


def _key(scene: PieceScene, *, open_ends: bool) -> dict[str, object] | None:
    """What the sections' hatchings mean; None where there is one tissue only."""
    drawing = key_of(scene.prepared, width=JAW_PX, open_ends=open_ends)
    return svg_for_paper(drawing) if drawing else None


def _jaw(scene: PieceScene) -> dict[str, object] | None:
    """The CT along the arch; None where there is none."""
    drawing = jaw_strip_svg(scene.assessment, scene.prepared, width=JAW_PX)
    return svg_for_paper(drawing) if drawing else None


def _access(scene: PieceScene) -> dict[str, object] | None:
    """The tooth along its access axis; None where it is no access."""
    drawing = access_plan_svg(scene.assessment, scene.prepared, width=JAW_PX, lines=scene.contents.lines)
    return svg_for_paper(drawing) if drawing else None


def _tooth(number: str) -> str:
    return f", {number}" if number else ""


def _row_px(rows: int) -> float:
    return min(ROW_PX[1], max(ROW_PX[0], ROWS_ROOM_PX / (rows + 1)))


def _section(section: Section) -> dict[str, object]:
    return {
        "drawing": svg_for_paper(section.drawing),
        "caption": section.title,
        "alt": " ".join(section.dimensions) or section.title,
    }


def _view(view: View, scene: PieceScene) -> dict[str, object]:
    words = seen_words(view.letter, mesial_sign=scene.prepared.mesial_sign, tooth=scene.contents.has_tooth)
    return {"drawing": svg_for_paper(view.drawing), "alt": words}


def _shrunk(words: str, *, size: float, width: float) -> float:
    """By how much words are set smaller so that they stay on one line; a row has no room for a second. Not below three quarters."""
    return float(np.clip(width / max(text_width(words, size=size), 1.0), SMALLEST, 1.0))


def _row(line: CriterionLine, height: float) -> dict[str, object]:
    reason = line.reading.reason or "not measured"
    return {
        "balloon": svg_for_paper(symbols.balloon_svg(line.number, line.state)),
        "name": line.full_name,
        "name-shrunk": _shrunk(line.full_name, size=13, width=NAME_PX - (CRITICAL_PX if line.ruling.critical else 0.0)),
        "critical": line.ruling.critical,
        "limits": line.limits_text,
        "strip": svg_for_paper(strips.strip_svg(line, height=height, width=STRIP_PX)),
        "aloud": line.aloud,
        "value": "" if line.reading.value is None else line.value_text,
        "u": line.expanded_text,
        "reason": reason,
        "reason-shrunk": _shrunk(reason, size=11, width=REASON_PX),
        "gauge": svg_for_paper(gauge_of(line)),
        "ruling": line.ruling.ruling,
        "strong": line.state in ("notmet", "close"),
    }


def _telling_parts(line: CriterionLine) -> list[BudgetLine]:
    """The parts of a budget that a reader needs: largest first, without those under a twentieth of the largest."""
    parts = budget_lines(line.reading)
    return [part for part in parts if part.share > LEAST_SHARE * parts[0].share][:MOST_PARTS]


def _budget(line: CriterionLine) -> dict[str, object]:
    u = line.reading.u
    parts = "; ".join(f"{part.source} {part.u_text}".replace(" ", "\u00a0") for part in _telling_parts(line))
    told = line.reading.reason
    shown = "–" if not u else wording.with_unit(wording.significant(u), line.reading.unit)
    unbroken = shown.replace(" ", "\u00a0")
    return {
        "number": str(line.number),
        "name": line.full_name,
        "u": unbroken,
        "probability": line.probability_text,
        "parts": (parts or ("not given" if u is None else "worked out from what is exact"))
        + (f". {told}" if told else ""),
    }


def _title_block(scene: PieceScene) -> list[list[dict[str, object]]]:
    """Rows of labelled cells at the foot of every sheet."""
    contents, assessment = scene.contents, scene.assessment
    cells = {cell.label: cell for cell in contents.cells}
    extra = [
        cell
        for cell in (*contents.cells[2:], *contents.about)
        if cell.label not in ("source", "aligned", "rulings", "mark")
    ]
    piece, version = assessment.piece, assessment.exercise_version.removeprefix("sha256:")
    rows = [
        [
            block_cell(
                "source",
                cells["source"].figure,
                f"u {piece.noise_um:.2g} µm random, {piece.trueness_um:.2g} µm shared",
                1.55,
            ),
            block_cell("aligned", cells["aligned"].figure, cells["aligned"].more, 1.35),
            block_cell("made with", f"kerfmark {assessment.kerfmark}", f"exercise {version[:8]}", 1.2),
        ],
        [
            block_cell("rulings", cells["rulings"].figure, "", 1.6),
            block_cell("mark", cells["mark"].figure, cells["mark"].more, 1.6),
        ],
        [block_cell(cell.label, cell.figure, cell.more, 1.0) for cell in extra[:4]],
        [
            block_cell(
                "document",
                contents.piece_name,
                f"sha256 {piece.sha256[:12]}",
                2.1,
            ),
            block_cell("for", *_for(contents), 1.9),
        ],
    ]
    return [row for row in rows if row]


def _for(contents: PieceContents) -> tuple[str, str]:
    """What the sheet is for, and what not."""
    if contents.caution.startswith("Training only"):
        return "training only, not for treatment", "never on patients"
    return "exercises only", "nothing here is for use on patients"
