"""The reveal: a learner's own view beside what was measured, how their views have gone so far, and what they write about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter
from fastapi.responses import RedirectResponse, Response

from kerfmark.errors import RightsError
from kerfmark.reports.contents import Cell, CriterionLine
from kerfmark.reports.strips import Judged
from kerfmark.sittings import judging, pieces
from kerfmark.sittings.judging import History
from kerfmark.sittings.pieces import PiecePage
from kerfmark.web.drawings.history import bias_svg, confidence_svg
from kerfmark.web.gate import Filled, Visit, Visiting
from kerfmark.web.pages.piece import laid_over, sheet_drawings, view_panel
from kerfmark.web.rendering import page
from kerfmark.web.sheets import Sheet, for_both_widths, judged_views, sheet_of
from kerfmark.web.words import Words

__all__ = ["Beside", "beside_of", "router"]

router = APIRouter()
AGREES = {("inside", "met"), ("outside", "not met")}


@dataclass(frozen=True, slots=True, eq=False)
class Beside:
    """One criterion: what the learner said and what was measured, and how the two stand to one another."""

    line: CriterionLine
    row: Any
    said: Judged | None
    verdict: str
    differs: bool


@router.get("/pieces/{piece_id}/reveal")
def show(visit: Visiting, piece_id: str, done: str = "") -> Response:
    """The page; who has not judged yet is led there, who has to wait for the release is told so."""
    found = pieces.piece(visit.store, visit.actor, piece_id)
    if found.sight.as_ != "learner":
        raise RightsError("this page is the learner's own. Open the piece instead.")
    if found.own_view_wanted:
        return RedirectResponse(f"/pieces/{piece_id}/judge", status_code=303)
    if not found.readings:
        return RedirectResponse(f"/pieces/{piece_id}", status_code=303)
    said = {"judged": "Your view is kept.", "written": "What you wrote is kept."}.get(done, "")
    return _show(visit, found, said=visit.visitor.words(said) or None)


@router.post("/pieces/{piece_id}/reflection")
def reflect(visit: Visiting, piece_id: str, form: Filled) -> Response:
    """Keep what the learner writes."""
    found = pieces.piece(visit.store, visit.actor, piece_id)
    prompts = [*found.prompts, ""]
    answers = {prompt: form.text(f"answer-{k}") for k, prompt in enumerate(prompts) if f"answer-{k}" in form.names()}
    judging.reflect(visit.store, visit.actor, piece_id, answers)
    return RedirectResponse(f"/pieces/{piece_id}/reveal?done=written", status_code=303)


def beside_of(sheet: Sheet, views: dict[int, Judged], words: Words) -> list[Beside]:
    """Every criterion, largest differences first: said otherwise than measured, then not met, too close, the rest."""
    rows = [_beside(line, sheet.rows[line.number], views.get(line.number), words) for line in sheet.lines]
    order = {"notmet": 0, "close": 1, "none": 2, "met": 3}
    return sorted(rows, key=lambda one: (not one.differs, order[one.line.state], one.line.number))


def _beside(line: CriterionLine, row: Any, said: Judged | None, words: Words) -> Beside:
    ruling = line.ruling.ruling
    if said is None:
        return Beside(line, row, None, words("no own view"), False)
    if ruling not in ("met", "not met"):
        return Beside(line, row, said, words("{ruling}, not counted").format(ruling=words(ruling)), False)
    if said.view == "cannot tell":
        return Beside(line, row, said, words("you could not tell"), False)
    if (said.view, ruling) in AGREES:
        return Beside(line, row, said, words("as measured"), False)
    other = "you said inside, it is outside" if said.view == "inside" else "you said outside, it is inside"
    return Beside(line, row, said, words(other), True)


def _show(visit: Visit, found: PiecePage, *, said: str | None) -> Response:
    words = visit.visitor.words
    drawn = sheet_drawings(visit, found)
    sheet = sheet_of(found, words, budgets=None if drawn is None else drawn.get("budgets"))
    beside = beside_of(sheet, judged_views(found), words)
    history = judging.own_history(visit.store, visit.actor)
    counted = [
        b for b in beside if b.said and b.said.view != "cannot tell" and b.line.ruling.ruling in ("met", "not met")
    ]
    right = sum(not b.differs for b in counted)
    cells = [
        Cell(words("exercise"), found.exercise_title),
        Cell(words("piece"), f"{found.code}-{found.attempt}"),
        Cell(words("step"), words("3 of 3"), words("cut, judge, see")),
        Cell(words("your view"), words("{right} of {n} as measured").format(right=right, n=len(counted))),
    ]
    return page(
        visit.visitor,
        "reveal.html",
        said=said,
        piece=found,
        cells=cells,
        beside=beside,
        sentences=_sentences(beside, right, len(counted), history, words),
        view=view_panel(found, drawn, can_note=True, beside=laid_over(visit, found)),
        chosen=beside[0].line.number if beside else 0,
        history=history,
        bias=for_both_widths(
            lambda width: bias_svg(history, words, marked=found.id, width=width), wide=560.0, narrow=360.0
        ),
        confidence=confidence_svg(history, words),
        prompts=list(enumerate([*found.prompts, ""] if not found.prompts else found.prompts)),
        written=found.reflection or {},
        simulated=found.simulated,
    )


def _sentences(beside: list[Beside], right: int, counted: int, history: History, words: Words) -> list[str]:
    """What was seen and where: neither praise nor blame."""
    if not counted:
        said = [words("Nothing could be compared: you could not tell, or the readings are too close to call.")]
    else:
        said = [words("You saw {right} of {n} as they were.").format(right=right, n=counted)]
    above = [b.line.full_name for b in beside if b.differs and b.said and b.said.view == "inside"]
    below = [b.line.full_name for b in beside if b.differs and b.said and b.said.view == "outside"]
    if above:
        said.append(words("You rated your work above the reading here: {names}.").format(names="; ".join(above[:4])))
    if below:
        said.append(words("You rated your work below the reading here: {names}.").format(names="; ".join(below[:4])))
    if history.bias is None:
        said.append(
            words("How your views run over time is told from three pieces on: one attempt says nothing about a habit.")
        )
    return said
