"""One piece: its inspection sheet as far as the reader may see it, its files for the view, its notes; signing and appeals."""

from __future__ import annotations

import json
from typing import Any

from fastapi import APIRouter
from fastapi.responses import RedirectResponse, Response

from kerfmark.errors import MissingError
from kerfmark.reports import symbols, wording
from kerfmark.reports.contents import Cell
from kerfmark.reports.sections.planes import is_named, title_of
from kerfmark.sittings import appeals, beside, measuring_again, notes, piece_files, pieces, signing
from kerfmark.sittings.bundle import appeal_zip
from kerfmark.sittings.pieces import PiecePage
from kerfmark.web.drawn import PLAIN_SCENE, PLAIN_SHEET, SCENE, SHEET
from kerfmark.web.drawn_words import in_words
from kerfmark.web.gate import TOKEN_ONLY, Filled, Visit, Visiting
from kerfmark.web.rendering import page
from kerfmark.web.sheets import examiner_notes, painted, sheet_of
from kerfmark.web.words import Words

__all__ = ["laid_over", "piece_cells", "router", "sheet_drawings", "view_panel"]

router = APIRouter()
DONE = {
    "received": "Handed in and kept. It is being measured; that takes a few seconds.",
    "again": "This very file was handed in before; nothing was added.",
    "measuring": "It waits to be measured once more.",
    "signed": "Signed.",
    "noted": "The note is pinned.",
    "withdrawn": "The note is withdrawn.",
    "decided": "Your rulings are kept.",
    "appealed": "Your appeal is with the lead.",
}
NOTHING_DRAWN: dict[str, Any] = dict.fromkeys(
    (
        "developed",
        "access_plan",
        "jaw_strip",
        "history",
        "process",
        "events",
        "also",
        "also_notes",
        "remarks",
        "made_from",
    ),
    "",
)
OUTCOMES = {"pass": "passed", "fail": "not passed", "refer": "waits for examiner"}


@router.get("/pieces/{piece_id}")
def show(visit: Visiting, piece_id: str, done: str = "", beside: str = "") -> Response:
    """The sheet; a learner who has not given their own view yet is led there first. `beside`: a piece to lay over it."""
    found = pieces.piece(visit.store, visit.actor, piece_id)
    said = visit.visitor.words(DONE.get(done, "")) or None
    if found.sight.as_ == "learner" and found.own_view_wanted:
        return RedirectResponse(f"/pieces/{piece_id}/judge" + (f"?done={done}" if said else ""), status_code=303)
    return _show(visit, found, said=said, beside=beside)


@router.get("/pieces/{piece_id}/scene.glb")
def scene(visit: Visiting, piece_id: str) -> Response:
    """The whole scene for the view; refused where nothing measured may be seen."""
    return _file(visit, piece_id, SCENE)


@router.get("/pieces/{piece_id}/plain.glb")
def plain(visit: Visiting, piece_id: str) -> Response:
    """The bare scene for the view."""
    return _file(visit, piece_id, PLAIN_SCENE)


@router.get("/pieces/{piece_id}/section")
def section(
    visit: Visiting, piece_id: str, plane: str = "BL", offset_mm: float = 0.0, turn_deg: float = 0.0
) -> Response:
    """A section by a plane of the reader's choice; bare where nothing measured may be seen."""
    found = pieces.piece(visit.store, visit.actor, piece_id)
    drawing = visit.server.scenes.section(
        visit.store,
        visit.actor,
        found,
        plane=plane,
        offset_mm=offset_mm,
        turn_deg=turn_deg,
        plain=not found.sight.measured,
    )
    return Response(in_words(drawing, visit.visitor.words), media_type="image/svg+xml")


@router.get("/pieces/{piece_id}/assessment.json")
def assessment(visit: Visiting, piece_id: str) -> Response:
    """The whole assessment as JSON."""
    text = piece_files.assessment_json(visit.store, visit.actor, piece_id)
    if text is None:
        raise MissingError("the readings of this piece were modelled, so there is no assessment to fetch.")
    return Response(text, media_type="application/json")


@router.get("/pieces/{piece_id}/bundle.zip")
def bundle(visit: Visiting, piece_id: str) -> Response:
    """Everything needed to make the mark again."""
    name = {"content-disposition": f'attachment; filename="piece-{piece_id}.zip"'}
    return Response(appeal_zip(visit.store, visit.actor, piece_id), media_type="application/zip", headers=name)


@router.post("/pieces/{piece_id}/sign", dependencies=TOKEN_ONLY)
def sign(visit: Visiting, piece_id: str) -> Response:
    """Stand for the mark."""
    signing.sign(visit.store, visit.actor, piece_id)
    return RedirectResponse(f"/pieces/{piece_id}?done=signed", status_code=303)


@router.post("/pieces/{piece_id}/measure-again", dependencies=TOKEN_ONLY)
def measure_again(visit: Visiting, piece_id: str) -> Response:
    """Let a piece that was set aside be measured once more."""
    measuring_again.measure_again(visit.store, visit.actor, piece_id)
    visit.server.wake()
    return RedirectResponse(f"/pieces/{piece_id}?done=measuring", status_code=303)


@router.post("/pieces/{piece_id}/notes")
def add_note(visit: Visiting, piece_id: str, form: Filled) -> Response:
    """Pin words to the piece, a criterion, or a point."""
    x, y, z = (form.number(name) for name in ("x_mm", "y_mm", "z_mm"))
    number = form.whole("criterion")
    notes.add_note(
        visit.store,
        visit.actor,
        piece_id,
        form.text("text"),
        criterion=None if number is None else number - 1,
        point_mm=None if x is None or y is None or z is None else (x, y, z),
    )
    return RedirectResponse(f"/pieces/{piece_id}?done=noted", status_code=303)


@router.post("/pieces/{piece_id}/notes/{note_id}/withdraw", dependencies=TOKEN_ONLY)
def withdraw_note(visit: Visiting, piece_id: str, note_id: str) -> Response:
    """Show one of one's own notes no longer."""
    notes.withdraw_note(visit.store, visit.actor, note_id)
    return RedirectResponse(f"/pieces/{piece_id}?done=withdrawn", status_code=303)


@router.post("/pieces/{piece_id}/appeal")
def appeal(visit: Visiting, piece_id: str, form: Filled) -> Response:
    """Ask for the mark to be looked at again."""
    appeals.appeal(visit.store, visit.actor, piece_id, form.text("reason"))
    return RedirectResponse(f"/pieces/{piece_id}?done=appealed", status_code=303)


def piece_cells(found: PiecePage, words: Words) -> list[Cell]:
    """The title block of a piece."""
    who = found.learner_name or words("hidden")
    cells = [
        Cell(words("exercise"), found.exercise_title),
        Cell(words("piece"), f"{found.code}-{found.attempt}", _of_attempts(found, words)),
        Cell(words("learner"), who, "" if found.learner_name else words("marked blind")),
        Cell(words("cut on"), found.rig or _capture(found, words), words("simulated") if found.simulated else ""),
    ]
    if not found.sight.measured:
        return [*cells, Cell(words("state"), words(found.word))]
    rulings = [r.ruling for r in found.rulings if r.ruling != "not applicable"]
    cells.append(Cell(words("rulings"), wording.ruling_counts(rulings, say=words)))
    if found.percent is not None and found.outcome is not None:
        line = words("pass line {n}").format(n=f"{found.pass_.minimum_percent:g}")
        mark = words("{n} of 100").format(n=wording.mark(found.percent))
        cells.append(Cell(words("mark"), mark, f"{line}, {words(OUTCOMES[found.outcome])}{_why_not(found, words)}"))
    cells.append(Cell(words("state"), words(found.word), _signed(found, words)))
    return cells


def _why_not(found: PiecePage, words: Words) -> str:
    """Which critical criteria stopped a mark that reaches the pass line."""
    if found.outcome != "fail" or found.percent is None or found.percent < found.pass_.minimum_percent:
        return ""
    numbers = [
        str(c.number)
        for c, r in zip(found.criteria, found.rulings, strict=False)
        if c.critical and r.ruling == "not met"
    ]
    return words(": critical {numbers} not met").format(numbers=", ".join(numbers)) if numbers else ""


def laid_over(visit: Visit, found: PiecePage, chosen: str = "") -> tuple[str, str] | None:
    """Where the scene stands that is laid over this piece, and what its button says: of the piece chosen, or of the attempt before."""
    words = visit.visitor.words
    if chosen:
        other = beside.piece_beside(visit.store, visit.actor, found.id, chosen, kind=SCENE)
        return f"/pieces/{other.id}/scene.glb", f"{other.code}-{other.attempt}"
    before = beside.piece_before(visit.store, visit.actor, found.id, kind=SCENE) if SCENE in found.drawings else None
    return None if before is None else (f"/pieces/{before[0]}/scene.glb", words("attempt {n}").format(n=before[1]))


def view_panel(
    found: PiecePage, sheet: dict[str, Any] | None, *, can_note: bool, beside: tuple[str, str] | None = None
) -> dict[str, Any]:
    """What the view needs: addresses of its files, notes, another piece to compare; whether it may show what was measured."""
    measured = found.sight.measured
    kind = SCENE if measured else PLAIN_SCENE
    notes = [
        {"letter": chr(ord("a") + k % 26), "point_mm": note.point_mm, "words": note.text, "by": note.name or note.part}
        for k, note in enumerate(found.notes)
        if note.point_mm is not None
    ]
    return {
        "has_scene": kind in found.drawings,
        "scene": f"/pieces/{found.id}/{'scene' if measured else 'plain'}.glb",
        "section": f"/pieces/{found.id}/section",
        "notes": json.dumps(notes, ensure_ascii=False),
        "can_note": can_note,
        "beside": beside,
        "still": "" if sheet is None else sheet["still"],
        "planes": [] if sheet is None else sheet["sections"],
        "key": "" if sheet is None else sheet.get("key", ""),
        "further": [] if sheet is None else [[title_of(n), d] for n, d in sheet["sections"] if not is_named(n)],
        "modelled": found.modelled,
    }


def sheet_drawings(visit: Visit, found: PiecePage) -> dict[str, Any] | None:
    """The drawings made when the piece was measured: whole where it may be seen, else bare; None where there are none."""
    kind = SHEET if found.sight.measured else PLAIN_SHEET
    if kind not in found.drawings:
        return None
    content = piece_files.drawing(visit.store, visit.actor, found.id, kind)
    return None if content is None else json.loads(content)


def _show(visit: Visit, found: PiecePage, *, said: str | None = None, beside: str = "") -> Response:
    words = visit.visitor.words
    drawn = sheet_drawings(visit, found)
    sheet = sheet_of(found, words, budgets=None if drawn is None else drawn.get("budgets")) if found.readings else None
    may_note = notes.may_note(visit.actor, found.sight, found.site_id)
    own_appeals = [a for a in appeals.appeals(visit.store, visit.actor) if a.piece_id == found.id]
    return page(
        visit.visitor,
        "piece.html",
        said=said,
        piece=found,
        cells=piece_cells(found, words),
        simulated=found.simulated,
        view=view_panel(found, drawn, can_note=may_note, beside=laid_over(visit, found, beside)),
        drawn={**NOTHING_DRAWN, **(drawn or {})},
        contents=sheet,
        rows=sheet.rows if sheet else {},
        chosen=sheet.chosen if sheet else 0,
        critical=painted(symbols.critical_svg()),
        examined=[(e, _part_words(e.part, words), examiner_notes((e,))) for e in found.examined],
        appeals=own_appeals,
        may_measure=found.word == "set aside" and measuring_again.may_measure_again(visit.actor, found.site_id),
        may_appeal=found.sight.as_ == "learner"
        and found.signed_at is not None
        and not any(a.state == "open" for a in own_appeals),
        may_note=may_note,
        may_compare=SCENE in found.drawings and found.sight.measured,
        may_bundle=found.sight.as_ != "examiner" and found.sight.mark,
    )


def _file(visit: Visit, piece_id: str, kind: str) -> Response:
    content = piece_files.drawing(visit.store, visit.actor, piece_id, kind)
    if content is None:
        raise MissingError("there is no view of this piece yet. Come back when it has been measured.")
    return Response(content, media_type="model/gltf-binary")


def _part_words(part: str, words: Words) -> str:
    return words({"first": "first examiner", "second": "second examiner", "moderator": "moderator"}[part])


def _of_attempts(found: PiecePage, words: Words) -> str:
    return (
        words("attempt {n} of {most}").format(n=found.attempt, most=found.attempts)
        if found.attempts
        else words("attempt {n}").format(n=found.attempt)
    )


def _capture(found: PiecePage, words: Words) -> str:
    return words(
        {"scan": "scan", "motion": "recorded motion", "volume": "volume", "plan": "plan"}.get(
            found.capture or "", "file"
        )
    )


def _signed(found: PiecePage, words: Words) -> str:
    if found.signed_at is None:
        return ""
    return words("by {name}, {day}").format(name=found.signed_by or "", day=found.signed_at.strftime("%Y-%m-%d"))
