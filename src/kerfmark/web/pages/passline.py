"""Pass lines side by side with who would pass by each; the one chosen is signed with a reason."""

from __future__ import annotations

import json
from typing import Any, Final

from fastapi import APIRouter
from fastapi.responses import RedirectResponse, Response

from kerfmark.errors import EvidenceError, InputError, RightsError
from kerfmark.evidence.gather import Evidence
from kerfmark.evidence.passline import PassLine
from kerfmark.reports.board.cells import cell_text, grid_rows
from kerfmark.reports.board.page import board_body
from kerfmark.reports.contents import Cell
from kerfmark.sittings.board import SignedLine, sign_line, signed_lines
from kerfmark.sittings.rights import may_anywhere, require_anywhere
from kerfmark.sittings.table import holds_simulated
from kerfmark.statistics.estimates import Estimate
from kerfmark.web.answers import answers
from kerfmark.web.gate import Filled, Visit, Visiting
from kerfmark.web.rendering import page

__all__ = ["router"]

router = APIRouter()
DONE: Final = {"signed": "The pass line is signed. It stands in the evidence from now on."}


@router.get("/evidence/line")
def show(visit: Visiting, exercise: str = "", done: str = "") -> Response:
    """Every line there is, and those signed."""
    return _show(visit, exercise, said=visit.visitor.words(DONE.get(done, "")) or None)


@router.post("/evidence/line")
def sign(visit: Visiting, form: Filled) -> Response:
    """Stand for one of them."""
    require_anywhere(visit.actor, "evidence.sign")
    if visit.actor.person_id is None:
        raise RightsError("only a person signs a pass line.")
    exercise, method = form.text("exercise", most=100), form.text("method", most=100)
    try:
        found = answers(visit, exercise)
        line = found.line
        cut = None if line is None else line.lines.get(method)
        if line is None or not isinstance(cut, Estimate):
            raise InputError("method: none was chosen, expected one of the lines that could be set. Choose one.")
        sign_line(
            visit.store, visit.actor, exercise=exercise, method=method, percent=cut.value, se=cut.se, reason=form.text("reason", most=2000),
            basis=_basis(found, line),
        )  # fmt: skip
    except (InputError, EvidenceError) as failure:
        return _show(visit, exercise, wrong=str(failure), given=form.text("reason", most=2000), chosen=method)
    known = exercise if exercise.replace("-", "").isalnum() else ""
    return RedirectResponse(f"/evidence/line?exercise={known}&done=signed", status_code=303)


def _basis(found: Evidence, line: PassLine) -> dict[str, Any]:
    """What the line was chosen from, for whoever asks later."""
    lines = {name: [cut.value, cut.se] if isinstance(cut, Estimate) else cut for name, cut in line.lines.items()}
    return {
        "table_sha256": found.digest,
        "rows": found.rows,
        "draws": found.options.draws,
        "seed": found.options.seed,
        "lines": lines,
    }


def _show(
    visit: Visit, exercise: str, *, said: str | None = None, wrong: str | None = None, given: str = "", chosen: str = ""
) -> Response:
    require_anywhere(visit.actor, "evidence.see")
    words = visit.visitor.words
    filled: dict[str, Any] = {
        "rows": [], "header": [], "caption": "", "under": "", "figures": [], "specs": "{}", "flags": [], "sentence": "", "stands": "",
    }  # fmt: skip
    now: PassLine | None = None
    nothing = ""
    try:
        found = answers(visit, exercise)
        now = found.line
        filled |= _filled(found)
    except (EvidenceError, RightsError) as why:  # no pieces, or none at a site of theirs
        nothing = str(why)
    signed = signed_lines(visit.store, visit.actor, exercise=exercise)
    cells = [
        Cell(words("pass line"), f"{now.cut.value:.1f}" if now else "–", now.name if now else ""),
        Cell(
            words("signed"),
            f"{signed[-1].percent:.1f}" if signed else words("not yet"),
            signed[-1].person if signed else "",
        ),
    ]
    return page(
        visit.visitor, "passline.html", status=422 if given or chosen else 200, said=said, wrong=wrong, exercise=exercise, given=given,
        chosen=chosen or (signed[-1].method if signed else now.name if now else ""), cells=cells, nothing=nothing[:1].upper() + nothing[1:],
        may_sign=may_anywhere(visit.actor, "evidence.sign"), signed=[_signed(line, now) for line in reversed(signed)],
        simulated=holds_simulated(visit.store), **filled,
    )  # fmt: skip


def _filled(found: Evidence) -> dict[str, Any]:
    """The question's table, sentence and figures, as the report has them."""
    answer, line = found.answers["passline"], found.line
    body = board_body(found)
    section = next(s for s in body["sections"] if s["key"] == "passline")
    filled = {"sentence": section["said"], "flags": section["flags"], "figures": section["figures"]}
    drawn = {place: spec for place, spec in json.loads(body["figures"]).items() if place.startswith("passline-")}
    filled["specs"] = json.dumps(drawn, ensure_ascii=False).replace("</", "<\\/")
    if line is None or not answer.grids:
        return filled
    grid = answer.grids[0]
    able = [isinstance(cut, Estimate) for cut in line.lines.values()]
    rows = zip(line.lines, able, grid_rows(grid), strict=True)
    filled |= {"header": list(grid.header), "caption": grid.caption, "under": grid.said, "stands": line.name}
    return filled | {"rows": [(name, can, cells) for name, can, cells in rows]}


def _signed(line: SignedLine, now: PassLine | None) -> dict[str, Any]:
    today = None if now is None else now.lines.get(line.method)
    return {
        "at": line.made_at, "method": line.method, "then": f"{line.percent:.1f}" + (f" ± {line.se:.1f}" if line.se is not None else ""),
        "now": cell_text(today.value, 1) if isinstance(today, Estimate) else "–", "who": line.person, "why": line.reason,
        "table": str(line.basis.get("table_sha256", ""))[:12],
    }  # fmt: skip
