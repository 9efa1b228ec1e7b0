"""Planning an implant in the CT: the arch is drawn, the implant placed and tilted, its clearances said as it moves, the plan handed in."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from math import inf
from typing import Annotated, Any
from urllib.parse import parse_qsl

from fastapi import APIRouter, Query, Request
from fastapi.responses import RedirectResponse, Response

from kerfmark.errors import ConflictError, InputError, MissingError
from kerfmark.exercise.handed import handed_in_for
from kerfmark.planned import plan_bytes, read_plan_bytes
from kerfmark.records import Reading
from kerfmark.reports import wording
from kerfmark.reports.contents import Cell
from kerfmark.sittings.exercises import ExercisePage, exercise
from kerfmark.sittings.handing_in import hand_in
from kerfmark.sittings.overview import SittingLine, sittings
from kerfmark.sittings.rights import may_anywhere
from kerfmark.web.gate import Filled, Visit, Visiting
from kerfmark.web.planning.desk import Desk
from kerfmark.web.planning.figures import figures_of, plane_from
from kerfmark.web.planning.state import PlanState, arch_text, as_spots, in_frame, placed_from, state_from
from kerfmark.web.rendering import page, part
from kerfmark.web.words import Words

__all__ = ["planned_here", "plans_taken", "router"]

router = APIRouter()
LARGEST_MM = 200.0
KEEP_PICTURES = "private, max-age=3600, immutable"
STEPS = {"at": 0.25, "level": 0.25}


@dataclass(frozen=True, slots=True, eq=False)
class _Sat:
    """Somebody at the desk of one exercise."""

    visit: Visit
    found: ExercisePage
    desk: Desk

    @property
    def address(self) -> str:
        """Where this desk is."""
        return f"/exercises/{self.found.line.id}/plan"

    def first(self) -> PlanState:
        """How a page begins; the exercise's own plan is shown only to those who may see the exercise."""
        return self.desk.first(with_plan=may_anywhere(self.visit.actor, "exercise.see"))


def planned_here(found: ExercisePage) -> bool:
    """Whether an exercise can be planned in the page: an implant is planned, and there is a CT of greys."""
    subject, target = found.definition.get("subject") or {}, found.definition.get("target") or {}
    return bool(target.get("implant") and subject.get("volume") and not subject.get("labels"))


def plans_taken(found: ExercisePage) -> bool:
    """Whether a plan made in the page may also be handed in: a teacher plans for beds too, and those who drill them do not."""
    return planned_here(found) and handed_in_for((c.reading, c.where) for c in found.criteria) != "bed"


@router.get("/exercises/{exercise_id}/plan")
def show(request: Request, visit: Visiting, exercise_id: str, done: str = "") -> Response:
    """The page, as its address says what is planned."""
    at = _sit(visit, exercise_id)
    state, wrong = _asked(at, dict(request.query_params))
    said = visit.visitor.words("The plan of the file is shown.") if done == "opened" else None
    return _page(at, state, wrong=wrong, said=said)


@router.get("/exercises/{exercise_id}/plan/trial")
def trial(request: Request, visit: Visiting, exercise_id: str) -> Response:
    """The page's figures and readings alone, while something is dragged."""
    at = _sit(visit, exercise_id)
    state, wrong = _asked(at, dict(request.query_params))
    return part(visit.visitor, "plan_parts.html", status=422 if wrong else 200, wrong_here=wrong, **_content(at, state))


@router.get("/exercises/{exercise_id}/plan/picture.png")
def picture(
    visit: Visiting,
    exercise_id: str,
    kind: str,
    *,
    arch: Annotated[str, Query(max_length=4000)] = "",
    at: float = 0.0,
    o: Annotated[str, Query(max_length=80)] = "",
    a: Annotated[str, Query(max_length=80)] = "",
    u: Annotated[str, Query(max_length=80)] = "",
    w: float = 0.0,
    t: float = 0.0,
    b: float = 0.0,
) -> Response:
    """Greys of the CT: `plane`, `along` the arch, or the `strip` across it."""
    desk = _sit(visit, exercise_id).desk
    if kind == "plane":
        plane = plane_from(o, a, u)
        if plane is None or not (0.0 < w <= LARGEST_MM and 0.0 < t + b <= LARGEST_MM and abs(t) <= LARGEST_MM):
            raise InputError(
                "the picture's plane is none that can be cut, expected one of the page's own. Open it again."
            )
        content = desk.plane_png(plane, width_mm=w, above_mm=t, below_mm=b)
    elif kind in ("along", "strip"):
        state = state_from({"arch": arch, "at": f"{at:g}"}, PlanState((), 0.0, 0.0))
        content = desk.along_png(state) if kind == "along" else desk.strip_png(state)
    else:
        raise MissingError("there is no such picture. Open the page again.")
    return Response(content, media_type="image/png", headers={"cache-control": KEEP_PICTURES})


@router.get("/exercises/{exercise_id}/plan.toml")
def file(request: Request, visit: Visiting, exercise_id: str) -> Response:
    """The plan as its file."""
    at = _sit(visit, exercise_id)
    content = _file_of(at, state_from(dict(request.query_params), at.first()))
    named = {"content-disposition": f'attachment; filename="{at.found.line.exercise}-plan.toml"'}
    return Response(content, media_type="application/toml", headers=named)


@router.post("/exercises/{exercise_id}/plan/open")
def open_file(visit: Visiting, exercise_id: str, form: Filled) -> Response:
    """Show the plan of a file."""
    at = _sit(visit, exercise_id)
    sent = form.file("file")
    try:
        if sent is None:
            raise InputError("file: none was chosen, expected a plan (TOML). Choose one.")
        limits, desk = visit.server.settings.limits, at.desk
        data = sent.file.read(limits.toml_mib * 2**20 + 1)
        read = read_plan_bytes(data, desk.prepared, name=(sent.filename or "plan.toml")[:120], limits=limits)
    except InputError as failure:
        return _page(at, at.first(), wrong=str(failure))
    state = replace(at.first(), implant=placed_from(read.plan, desk.mesial_sign))
    if read.arch_mm is not None:
        state = replace(state, arch=as_spots(read.arch_mm, desk.mesial_sign))
    curve = desk.curve(state)
    if curve is not None:
        state = replace(state, at_mm=round(4.0 * curve.nearest_mm(read.plan.entry_mm)) / 4.0)
    return RedirectResponse(f"{at.address}?{state.query()}&done=opened", status_code=303)


@router.post("/exercises/{exercise_id}/plan")
def give(visit: Visiting, exercise_id: str, form: Filled) -> Response:
    """Hand the plan in as one's own piece; it is marked like any other."""
    at = _sit(visit, exercise_id)
    state, wrong = _asked(at, dict(parse_qsl(form.text("plan", most=8000))))
    if wrong is not None:
        return _page(at, state, wrong=wrong)
    try:
        receipt = hand_in(
            visit.store,
            visit.actor,
            content=_file_of(at, state),
            file_name="plan.toml",
            sitting_id=form.needed("sitting", most=40),
            limit_bytes=visit.server.settings.limits.file_mib << 20,
        )
    except (InputError, ConflictError, MissingError) as failure:
        return _page(at, state, wrong=str(failure))
    visit.server.wake()
    return RedirectResponse(
        f"/pieces/{receipt.piece_id}?done={'again' if receipt.repeated else 'received'}", status_code=303
    )


def _sit(visit: Visit, exercise_id: str) -> _Sat:
    found = exercise(visit.store, visit.actor, exercise_id)
    if not planned_here(found):
        raise MissingError("this exercise has no CT in which an implant could be planned. Choose another.")
    return _Sat(visit, found, visit.server.opened.desk(visit.store, exercise_id))


def _asked(at: _Sat, given: dict[str, str]) -> tuple[PlanState, str | None]:
    """What a query asks for; or how the page begins and what was wrong."""
    first = at.first()
    try:
        state = state_from(given, first)
        curve = at.desk.curve(state)
        if curve is not None and state.at_mm > curve.length_mm:
            state = replace(state, at_mm=STEPS["at"] * int(curve.length_mm / STEPS["at"]))
        if given.get("do") == "place":
            state = replace(state, implant=at.desk.placed_at(state))
        if given.get("do") == "away":
            state = replace(state, implant=None)
    except InputError as failure:
        return first, str(failure)
    return state, None


def _file_of(at: _Sat, state: PlanState) -> bytes:
    desk, plan = at.desk, state.plan(at.desk.mesial_sign)
    if plan is None:
        raise InputError("there is no implant yet, expected one to be placed. Place it, then save or hand in.")
    arch = in_frame(list(state.arch), desk.mesial_sign) if len(state.arch) > 1 else None
    return plan_bytes(desk.prepared.exercise.id, plan, frame=desk.prepared.frame, arch_mm=arch)


def _page(at: _Sat, state: PlanState, *, wrong: str | None = None, said: str | None = None) -> Response:
    words, line = at.visit.visitor.words, at.found.line
    cells = [
        Cell(words("exercise"), line.title, line.exercise),
        Cell(words("tooth"), str(line.tooth or "–")),
        Cell(words("version"), line.version[7:13]),
    ]
    return page(
        at.visit.visitor, "plan.html", status=422 if wrong else 200, wrong=wrong, said=said, cells=cells, exercise=line,
        instruction=at.found.definition.get("instruction", ""), lines=_open_sittings(at), wrong_here=None,
        **_content(at, state),
    )  # fmt: skip


def _content(at: _Sat, state: PlanState) -> dict[str, Any]:
    """What both the page and its parts show of a state."""
    desk, words = at.desk, at.visit.visitor.words
    readings = desk.readings(state)
    curve = desk.curve(state)
    figures = figures_of(desk, state, address=f"{at.address}/picture.png", readings=readings, say=words)
    low, high = desk.window
    return {
        "address": at.address,
        "state": state,
        "fields": json.dumps(_fields(state)),
        "plan_query": state.query(),
        "arch_rows": arch_text(state.arch).replace(";", "\n"),
        "mesial_sign": desk.mesial_sign,
        "figures": figures,
        "rows": [_row(reading, words) for reading in readings],
        "longest_mm": 0.0 if curve is None else STEPS["at"] * int(curve.length_mm / STEPS["at"]),
        "levels": (round(float(low[2]), 2), round(float(high[2]), 2)),
        "steps": STEPS,
        "diameters": desk.diameters_mm,
        "uncalibrated": not desk.prepared.exercise.subject.hounsfield,
    }


def _fields(state: PlanState) -> dict[str, str]:
    """Every field of the page's form as text; those of an implant empty where there is none."""
    names = ("em", "ef", "eo", "tm", "tf", "long", "diameter")
    implant = dict(parse_qsl(state.query())) if state.implant is not None else {}
    own = {name: implant.get(name, "") for name in names}
    return {"arch": arch_text(state.arch), "at": f"{state.at_mm:g}", "level": f"{state.level_mm:g}", **own}


def _row(reading: Reading, words: Words) -> dict[str, Any]:
    name = wording.name_of(reading.id, reading.where, reading.stat, say=words)
    if reading.value is None:
        return {"name": name, "value": "–", "u": "", "reason": reading.reason, "into": False}
    decimals = 0 if reading.id == "implant.bone_density" else wording.decimals_for(reading.unit, (-inf, inf), reading.u)
    spread = "" if not reading.u else f"± {wording.number(2.0 * reading.u, decimals)}"
    shown = wording.with_unit(wording.number(reading.value, decimals), reading.unit)
    into = reading.unit == "mm" and reading.value < 0.0
    return {"name": name, "value": shown, "u": spread, "reason": None, "into": into}


def _open_sittings(at: _Sat) -> list[SittingLine]:
    """Sittings of one's own to which this plan can be handed in."""
    if "learner" not in at.visit.visitor.roles:
        return []
    if not plans_taken(at.found):
        return []
    lines = sittings(at.visit.store, at.visit.actor)
    return [line for line in lines if line.exercise_id == at.found.line.id and line.state == "open"]
