"""All sittings somebody oversees, examines or sits in; and a new one."""

from __future__ import annotations

from datetime import UTC, datetime

from fastapi import APIRouter
from fastapi.responses import RedirectResponse, Response

from kerfmark.errors import ConflictError, InputError
from kerfmark.reports.contents import Cell
from kerfmark.sittings.exercises import exercises
from kerfmark.sittings.opening import open_sitting
from kerfmark.sittings.overview import sittings
from kerfmark.sittings.rights import may, may_anywhere
from kerfmark.sittings.sites import sites
from kerfmark.web.gate import Filled, Form, Visit, Visiting
from kerfmark.web.rendering import page

__all__ = ["router", "time_of"]

router = APIRouter()


@router.get("/sittings")
def show(visit: Visiting) -> Response:
    """The list."""
    lines = sittings(visit.store, visit.actor)
    words = visit.visitor.words
    waits = sum(line.counts.waits for line in lines)
    cells = [
        Cell(words("sittings"), str(len(lines))),
        Cell(words("open"), str(sum(line.state == "open" for line in lines))),
        Cell(words("wait for an examiner"), str(waits)),
    ]
    return page(
        visit.visitor, "sittings.html", lines=lines, cells=cells, may_open=may_anywhere(visit.actor, "sitting.open"),
        simulated=any(line.simulated for line in lines),
    )  # fmt: skip


@router.get("/sittings/new")
def show_new(visit: Visiting, exercise: str = "") -> Response:
    """The form of a new one."""
    return _new(visit, given={"exercise": exercise})


@router.post("/sittings/new")
def open_new(visit: Visiting, form: Filled) -> Response:
    """Open it, then go on to its roster."""
    try:
        sitting_id = _opened(visit, form)
    except (InputError, ConflictError) as failure:
        return _new(visit, given={name: form.text(name) for name in form.names()}, wrong=str(failure))
    return RedirectResponse(f"/sittings/{sitting_id}?done=opened", status_code=303)


def time_of(form: Form, name: str) -> datetime | None:
    """A time typed as UTC; None where the field is empty."""
    text = form.text(name, most=40)
    if not text:
        return None
    try:
        return datetime.fromisoformat(text).replace(tzinfo=UTC)
    except ValueError as error:
        raise InputError(
            f"{name} is '{text}', expected a date and a time such as 2026-03-02T09:00. Correct it."
        ) from error


def _opened(visit: Visit, form: Form) -> str:
    exam = form.text("kind") == "exam"
    share = form.number("second_share")
    agree = form.number("agree_percent")
    return open_sitting(
        visit.store,
        visit.actor,
        title=form.needed("title", most=200),
        site_id=form.needed("site", most=40),
        exercise_id=form.needed("exercise", most=40),
        kind="exam" if exam else "practice",
        opens_at=time_of(form, "opens_at"),
        closes_at=time_of(form, "closes_at"),
        attempts=form.whole("attempts"),
        blind=form.ticked("blind"),
        own_view=form.ticked("own_view"),
        second=form.text("second") or "none",  # type: ignore[arg-type]
        second_share=0.1 if share is None else share / 100.0,
        agree_percent=10.0 if agree is None else agree,
        prompts=form.text("prompts").splitlines(),
    )


def _new(visit: Visit, *, given: dict[str, str], wrong: str | None = None) -> Response:
    return page(
        visit.visitor,
        "sitting_new.html",
        status=422 if wrong else 200,
        wrong=wrong,
        given=given,
        fresh=wrong is None,
        sites=[s for s in sites(visit.store) if not s.hidden and may(visit.actor, "sitting.open", s.id)],
        exercises=exercises(visit.store, visit.actor),
    )
