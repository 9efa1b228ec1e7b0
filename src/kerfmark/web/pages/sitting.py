"""One sitting: what adds up, who is where, what waits; its roster, its examiners, closing, signing and release."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from fastapi.responses import RedirectResponse, Response, StreamingResponse

from kerfmark.errors import InputError
from kerfmark.reports.chains import Chain, Part, chains_svg
from kerfmark.reports.contents import Cell
from kerfmark.sittings import opening, overview, seating, signing
from kerfmark.sittings.measuring_again import may_measure_again, measure_set_aside
from kerfmark.sittings.overview import Counts, SittingPage
from kerfmark.sittings.people import people
from kerfmark.sittings.rights import may
from kerfmark.web.gate import TOKEN_ONLY, Filled, Visit, Visiting
from kerfmark.web.rendering import page, part
from kerfmark.web.sheets import painted
from kerfmark.web.unsent import Unsent
from kerfmark.web.words import Words

__all__ = ["router"]

router = APIRouter()
WORD_SHAPES = {"set aside": "aside", "signed": "done", "settled": "done", "received": "measuring"}
DONE = {
    "opened": "The sitting is open. Seat your learners from a roster, then appoint examiners.",
    "closed": "The sitting is closed: no more pieces are taken in.",
    "reopened": "The sitting is open again.",
    "released": "Released: every learner sees their mark.",
    "appointed": "Appointed.",
    "ended": "The appointment is ended; what was examined stays.",
}


@router.get("/sittings/{sitting_id}")
def show(visit: Visiting, sitting_id: str, done: str = "", n: int = 0) -> Response:
    """The page."""
    words = visit.visitor.words
    said = words(DONE.get(done, ""))
    if done == "signed":
        said = words.count("%(n)d piece signed.", "%(n)d pieces signed.", n)
    elif done == "measuring":
        said = words.count("%(n)d piece waits to be measured again.", "%(n)d pieces wait to be measured again.", n)
    return _show(visit, overview.sitting(visit.store, visit.actor, sitting_id), said=said or None)


@router.get("/sittings/{sitting_id}/live")
def show_live(visit: Visiting, sitting_id: str) -> Response:
    """The part of the page that moves."""
    found = overview.sitting(visit.store, visit.actor, sitting_id)
    return part(visit.visitor, "sitting_live.html", **_live(visit, found))


@router.get("/sittings/{sitting_id}/events")
def events(visit: Visiting, sitting_id: str) -> Response:
    """Server-sent events: `moved` whenever something in the store did."""
    overview.sitting(visit.store, visit.actor, sitting_id)
    headers = {"cache-control": "no-store", "x-accel-buffering": "no"}
    return StreamingResponse(visit.server.watch.events(), media_type="text/event-stream", headers=headers)


@router.post("/sittings/{sitting_id}/roster")
async def seat(visit: Visiting, sitting_id: str, form: Filled) -> Response:
    """Seat everybody on a roster."""
    from starlette.concurrency import run_in_threadpool

    file = form.file("roster")
    content = (await file.read()) if file is not None else form.text("rows", most=400_000).encode()
    return await run_in_threadpool(_seated, visit, sitting_id, content, form.unsent)


@router.post("/sittings/{sitting_id}/appoint")
def appoint(visit: Visiting, sitting_id: str, form: Filled) -> Response:
    """Let somebody examine or moderate here."""
    seating.appoint(visit.store, visit.actor, sitting_id, form.needed("person", most=40), form.needed("part", most=20))  # type: ignore[arg-type]
    return RedirectResponse(f"/sittings/{sitting_id}?done=appointed", status_code=303)


@router.post("/sittings/{sitting_id}/appointments/{appointment_id}/end", dependencies=TOKEN_ONLY)
def end_appointment(visit: Visiting, sitting_id: str, appointment_id: str) -> Response:
    """End an appointment."""
    seating.end_appointment(visit.store, visit.actor, appointment_id)
    return RedirectResponse(f"/sittings/{sitting_id}?done=ended", status_code=303)


@router.post("/sittings/{sitting_id}/close", dependencies=TOKEN_ONLY)
def close(visit: Visiting, sitting_id: str) -> Response:
    """Take in no more pieces."""
    opening.close_sitting(visit.store, visit.actor, sitting_id)
    return RedirectResponse(f"/sittings/{sitting_id}?done=closed", status_code=303)


@router.post("/sittings/{sitting_id}/reopen", dependencies=TOKEN_ONLY)
def reopen(visit: Visiting, sitting_id: str) -> Response:
    """Take in pieces again."""
    opening.reopen_sitting(visit.store, visit.actor, sitting_id)
    return RedirectResponse(f"/sittings/{sitting_id}?done=reopened", status_code=303)


@router.post("/sittings/{sitting_id}/sign", dependencies=TOKEN_ONLY)
def sign(visit: Visiting, sitting_id: str) -> Response:
    """Sign every settled piece one may sign."""
    signed = signing.sign_settled(visit.store, visit.actor, sitting_id)
    return RedirectResponse(f"/sittings/{sitting_id}?done=signed&n={signed}", status_code=303)


@router.post("/sittings/{sitting_id}/measure-again", dependencies=TOKEN_ONLY)
def measure_again(visit: Visiting, sitting_id: str) -> Response:
    """Let every piece that was set aside be measured once more."""
    again = measure_set_aside(visit.store, visit.actor, sitting_id)
    visit.server.wake()
    return RedirectResponse(f"/sittings/{sitting_id}?done=measuring&n={again}", status_code=303)


@router.post("/sittings/{sitting_id}/release", dependencies=TOKEN_ONLY)
def release(visit: Visiting, sitting_id: str) -> Response:
    """Show the signed marks to the learners."""
    signing.release(visit.store, visit.actor, sitting_id)
    return RedirectResponse(f"/sittings/{sitting_id}?done=released", status_code=303)


def _seated(visit: Visit, sitting_id: str, content: bytes, unsent: Unsent | None) -> Response:
    found = overview.sitting(visit.store, visit.actor, sitting_id)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return _show(
            visit,
            found,
            wrong=visit.visitor.words("The roster is not UTF-8 text. Save it as CSV, UTF-8, and send it again."),
            status=422,
        )
    try:
        result = seating.import_roster(visit.store, visit.actor, sitting_id, text)
    except InputError as failure:
        return _show(visit, found, wrong=str(failure), unsent=unsent, status=422)
    words = visit.visitor.words
    said = words("{seated} seated, {added} people new, {known} known already.").format(
        seated=result.seated, added=result.added, known=result.known
    )
    return _show(visit, overview.sitting(visit.store, visit.actor, sitting_id), said=said, faults=result.faults)


def _show(
    visit: Visit,
    found: SittingPage,
    *,
    said: str | None = None,
    wrong: str | None = None,
    unsent: Unsent | None = None,
    faults: tuple[str, ...] = (),
    status: int = 200,
) -> Response:
    line, words = found.line, visit.visitor.words
    changes = found.may_change
    return page(
        visit.visitor,
        "sitting.html",
        status=status,
        said=said,
        wrong=wrong,
        unsent=unsent,
        faults=faults,
        cells=_cells(found, words),
        simulated=line.simulated,
        may_sign=may(visit.actor, "sign", line.site_id),
        may_measure=may_measure_again(visit.actor, line.site_id) and line.counts.set_aside > 0,
        may_release=may(visit.actor, "release", line.site_id),
        candidates=_candidates(visit, found) if changes else [],
        **_live(visit, found),
    )


def _candidates(visit: Visit, found: SittingPage) -> list[Any]:
    """Whom one could appoint: examiners and leads of the sitting's site."""
    lines = people(visit.store, visit.actor)
    return [
        p
        for p in lines
        if any(role in ("examiner", "lead") and site in (None, found.line.site_id) for _, role, site in p.grants)
    ]


def _cells(found: SittingPage, words: Words) -> list[Cell]:
    line = found.line
    cells = [
        Cell(words("sitting"), line.title, words(line.kind)),
        Cell(words("exercise"), line.exercise_title),
        Cell(words("site"), line.site),
        Cell(words("opens"), line.opens_at.strftime("%Y-%m-%d %H:%M"), "UTC"),
    ]
    if line.closes_at is not None:
        cells.append(Cell(words("closes"), line.closes_at.strftime("%Y-%m-%d %H:%M"), "UTC"))
    state = words(line.state)
    if found.released_at is not None:
        return [*cells, Cell(words("state"), state, found.released_at.strftime("%Y-%m-%d %H:%M UTC"))]
    return [*cells, Cell(words("state"), state, words("marked blind") if found.blind else "")]


def _live(visit: Visit, found: SittingPage) -> dict[str, Any]:
    counts, words = found.line.counts, visit.visitor.words
    return {
        "found": found,
        "line": found.line,
        "chains": _chains(counts, words),
        "sums": _sums(counts, words),
        "headline": _headline(counts, words),
        "running": {
            seat: _minutes(one.recorded_s, one.rig, words)
            for seat, one in visit.server.running.of(found.line.id).items()
        },
        "named": any(seat.learner_name for seat in found.seats),
        "own_only": not may(visit.actor, "sitting.see", found.line.site_id) and not found.appointments,
    }


def _chains(counts: Counts, words: Words) -> list[str]:
    """Seats, what came of them, how the pieces stand; where learners have several pieces these are a chain of their own."""
    seats = [
        Chain(counts.seats, (Part(counts.seats, words("seated"), strong=True),)),
        Chain(
            counts.seats, (Part(counts.handed_in, words("handed in")), Part(counts.nothing_yet, words("nothing yet")))
        ),
    ]
    pieces = [
        Chain(
            counts.pieces,
            (
                Part(counts.signed, words("signed")),
                Part(counts.settled, words("settled")),
                Part(counts.waits, words("wait for an examiner"), strong=True),
                Part(counts.received, words("being measured")),
                Part(counts.set_aside, words("set aside")),
            ),
        ),
    ]
    if counts.pieces == counts.handed_in:
        return [painted(chains_svg([*seats, *pieces], width=900.0))] if counts.seats else []
    whole = Chain(counts.pieces, (Part(counts.pieces, words("pieces"), strong=True),))
    return [painted(chains_svg(seats, width=900.0)), painted(chains_svg([whole, *pieces], width=900.0))]


def _minutes(recorded_s: float, rig: str, words: Words) -> str:
    time = f"{recorded_s // 60:.0f} min {recorded_s % 60:02.0f} s"
    return (
        words("cutting now on {rig}, {time}").format(rig=rig, time=time)
        if rig
        else words("cutting now, {time}").format(time=time)
    )


def _sums(counts: Counts, words: Words) -> list[dict[str, Any]]:
    """The same counts as lines, for where there is no room for a drawing; each whole stands above its parts."""
    lines = [
        (counts.seats, words("seated"), True),
        (counts.handed_in, words("handed in"), False),
        (counts.nothing_yet, words("nothing yet"), False),
        (counts.pieces, words("pieces"), True),
        (counts.signed, words("signed"), False),
        (counts.settled, words("settled"), False),
        (counts.waits, words("wait for an examiner"), False),
        (counts.received, words("being measured"), False),
        (counts.set_aside, words("set aside"), False),
    ]
    return [{"count": n, "what": what, "whole": whole} for n, what, whole in lines if n or whole]


def _headline(counts: Counts, words: Words) -> str:
    if counts.unaccounted:
        return words.count("%(n)d not accounted for", "%(n)d not accounted for", counts.unaccounted)
    return words("Nothing lost: {n} of {n} accounted for").format(n=counts.seats)
