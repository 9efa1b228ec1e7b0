"""Rigs and scanners: when each was calibrated, pieces read on it once more, and the keys they hand pieces in with."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import RedirectResponse, Response
from starlette.concurrency import run_in_threadpool

from kerfmark.errors import ConflictError, InputError, MissingError
from kerfmark.reports.contents import Cell
from kerfmark.sittings import access
from kerfmark.sittings.devices import DeviceLine, devices, note_calibration, read_again, withdraw_calibration
from kerfmark.sittings.overview import sittings
from kerfmark.sittings.rights import may, may_anywhere, require_anywhere
from kerfmark.sittings.sites import sites
from kerfmark.web.gate import TOKEN_ONLY, Filled, Form, Visit, Visiting
from kerfmark.web.pages.sittings import time_of
from kerfmark.web.rendering import page
from kerfmark.web.unsent import Unsent

__all__ = ["router"]

router = APIRouter()
DONE = {
    "stopped": "The key is stopped: that rig hands in no more.",
    "calibrated": "The calibration is written down.",
    "withdrawn": "The calibration is taken back.",
    "again": "The file is taken in. It is measured as soon as a worker is free; the piece's mark stays as it is.",
}


@router.get("/rigs")
def show(visit: Visiting, done: str = "") -> Response:
    """Devices and station keys."""
    said = DONE.get(done)
    return _show(visit, said=visit.visitor.words(said) if said else None)


@router.post("/rigs/keys")
def make_key(visit: Visiting, form: Filled) -> Response:
    """A key for a rig, shown this once."""
    _, secret = access.make_station_key(
        visit.store, visit.actor, site_id=form.needed("site", most=40), rig=form.needed("rig", most=100)
    )
    return _show(visit, secret=secret)


@router.post("/rigs/keys/{station_id}/stop", dependencies=TOKEN_ONLY)
def stop_key(visit: Visiting, station_id: str) -> Response:
    """Stop a key."""
    access.stop_station_key(visit.store, visit.actor, station_id)
    return RedirectResponse("/rigs?done=stopped", status_code=303)


@router.post("/rigs/calibrations")
def calibrated(visit: Visiting, form: Filled) -> Response:
    """Write down that a device was calibrated."""
    try:
        done_at = time_of(form, "done_at")
        if done_at is None:
            raise InputError("calibrated: nothing was given, expected a time such as 2026-03-02T09:00. Fill it in.")
        note_calibration(
            visit.store, visit.actor, site_id=form.needed("site", most=40), device=form.needed("device", most=100), done_at=done_at,
            note=form.text("note", most=500),
        )  # fmt: skip
    except InputError as failure:
        return _show(visit, wrong=str(failure), unsent=form.unsent)
    return RedirectResponse("/rigs?done=calibrated", status_code=303)


@router.post("/rigs/calibrations/{calibration_id}/withdraw", dependencies=TOKEN_ONLY)
def take_back(visit: Visiting, calibration_id: str) -> Response:
    """Take back a calibration entered by mistake."""
    withdraw_calibration(visit.store, visit.actor, calibration_id)
    return RedirectResponse("/rigs?done=withdrawn", status_code=303)


@router.post("/rigs/again")
async def again(visit: Visiting, form: Filled) -> Response:
    """Take in another scan of a piece that was measured."""
    file = form.file("file")
    content = None if file is None else await file.read()
    return await run_in_threadpool(_again, visit, form, content, "" if file is None else file.filename or "piece")


def _again(visit: Visit, form: Form, content: bytes | None, file_name: str) -> Response:
    try:
        if content is None:
            raise InputError("file: none was chosen, expected a scan of the piece. Choose one.")
        read_again(
            visit.store, visit.actor, sitting_id=form.needed("sitting", most=40), learner=form.needed("learner", most=100),
            device=form.needed("device", most=100), content=content, file_name=file_name,
        )  # fmt: skip
    except (InputError, ConflictError, MissingError) as failure:
        return _show(visit, wrong=str(failure), unsent=form.unsent)
    visit.server.wake()
    return RedirectResponse("/rigs?done=again", status_code=303)


def _show(
    visit: Visit,
    *,
    said: str | None = None,
    wrong: str | None = None,
    unsent: Unsent | None = None,
    secret: str | None = None,
) -> Response:
    require_anywhere(visit.actor, "stations.manage")
    keys = access.stations(visit.store, visit.actor)
    found, every = devices(visit.store, visit.actor), sites(visit.store)
    return page(
        visit.visitor, "rigs.html", status=422 if wrong else 200, said=said, wrong=wrong, unsent=unsent, secret=secret, lines=keys, devices=found,
        cells=_cells(visit, found, sum(not line.stopped for line in keys)), named={s.id: s.name for s in every}, today=visit.visitor.now.date(),
        sites=[s for s in every if not s.hidden and may(visit.actor, "stations.manage", s.id)], rereads=_sittings(visit),
    )  # fmt: skip


def _cells(visit: Visit, found: list[DeviceLine], keys: int) -> list[Cell]:
    words = visit.visitor.words
    return [
        Cell(words("rigs and scanners"), str(len(found)), words("({n} with a key)").format(n=keys)),
        Cell(words("without a calibration"), str(sum(not line.calibrations for line in found))),
        Cell(words("readings made again"), str(sum(line.again for line in found))),
    ]


def _sittings(visit: Visit) -> list[tuple[str, str]]:
    """Sittings whose pieces this person may have read again."""
    if not may_anywhere(visit.actor, "piece.hand_in"):
        return []
    return [(line.id, line.title) for line in sittings(visit.store, visit.actor) if line.counts.pieces]
