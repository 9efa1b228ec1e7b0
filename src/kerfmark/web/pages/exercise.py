"""One exercise version: what is asked, with which limits, and what proving it found."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from fastapi.responses import RedirectResponse, Response

from kerfmark.reports import strips, wording
from kerfmark.reports.contents import Cell
from kerfmark.reports.sides import effective_limits, side_of_large
from kerfmark.sittings.exercises import ExercisePage, exercise, hide_exercise
from kerfmark.sittings.rights import may_anywhere
from kerfmark.web.gate import TOKEN_ONLY, Visit, Visiting
from kerfmark.web.pages.plan import planned_here
from kerfmark.web.rendering import page
from kerfmark.web.sheets import criterion_names, painted, thin_balloon

__all__ = ["router"]

router = APIRouter()
SOURCE_WORDS = {
    "kind": "captured as",
    "noise_um": "noise of a point, µm",
    "trueness_um": "shared by all points, µm",
    "threshold": "material above this grey value",
}


@router.get("/exercises/{exercise_id}")
def show(visit: Visiting, exercise_id: str, done: str = "") -> Response:
    """The page."""
    found, words = exercise(visit.store, visit.actor, exercise_id), visit.visitor.words
    line = found.line
    cells = [
        Cell(words("exercise"), line.title, line.exercise),
        Cell(words("version"), line.version[7:13]),
        Cell(words("can be cut"), _yes(line.can_be_cut, visit)),
        Cell(words("can be marked"), _yes(line.can_be_marked, visit)),
        Cell(words("pass line"), words("{n} of 100").format(n=f"{found.pass_.minimum_percent:g}")),
    ]
    overall = may_anywhere(visit.actor, "exercise.see")
    return page(
        visit.visitor,
        "exercise.html",
        found=found,
        cells=cells,
        rows=_rows(found, visit) if overall else [],
        full=overall,
        findings=(found.proof or {}).get("findings", []),
        instruction=found.definition.get("instruction", ""),
        source_words=SOURCE_WORDS,
        permitted=found.definition.get("permitted") or {},
        source=found.definition.get("source") or {},
        may_open=may_anywhere(visit.actor, "sitting.open"),
        may_hide=found.may_hide,
        may_plan=planned_here(found),
        may_limits=may_anywhere(visit.actor, "limits.see"),
        said=words("Imported and proved.") if done == "imported" else None,
    )


@router.post("/exercises/{exercise_id}/hide", dependencies=TOKEN_ONLY)
def hide(visit: Visiting, exercise_id: str) -> Response:
    """Offer it no longer."""
    hide_exercise(visit.store, visit.actor, exercise_id)
    return RedirectResponse("/exercises?done=hidden", status_code=303)


def _yes(value: bool | None, visit: Visit) -> str:
    return visit.visitor.words({None: "not proved yet", True: "yes", False: "no"}[value])


def _rows(found: ExercisePage, visit: Visit) -> list[dict[str, Any]]:
    names = criterion_names(found.criteria, visit.visitor.words)
    powers = (found.proof or {}).get("powers", [])
    rows = []
    for c in found.criteria:
        limits = effective_limits(c.reading, c.limits, c.stat)
        power = powers[c.position] if c.position < len(powers) else None
        decimals = wording.decimals_for(c.unit, limits, power["u"] if power else None)
        rows.append(
            {
                "balloon": thin_balloon(c.number),
                "name": names[c.number],
                "reading": c.reading,
                "critical": c.critical,
                "limits": wording.limits_of(c.reading, limits, decimals, say=visit.visitor.words),
                "unit": wording.unit_sign(c.unit),
                "strip": painted(strips.judging_svg(limits, side_of_large(c.reading, c.stat), names[c.number])),
                "weight": f"{c.weight:g}",
                "ask": c.ask or "",
                "u": "–" if power is None or power["u"] is None else f"± {wording.number(2 * power['u'], decimals)}",
                "power": _power_text(power),
                "weak": power is not None and power["power"] is not None and power["power"] < 1.0,
            }
        )
    return rows


def _power_text(power: dict[str, Any] | None) -> str:
    if power is None or power["u"] is None:
        return "–"
    return "∞" if power["power"] is None else f"{power['power']:.1f}"
