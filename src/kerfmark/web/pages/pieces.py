"""One's own pieces; and handing one in."""

from __future__ import annotations

from typing import BinaryIO

from fastapi import APIRouter
from fastapi.responses import RedirectResponse, Response
from starlette.datastructures import UploadFile

from kerfmark.errors import ConflictError, InputError, MissingError
from kerfmark.reports.contents import Cell
from kerfmark.sittings.exercises import exercise
from kerfmark.sittings.handing_in import Receipt, hand_in
from kerfmark.sittings.overview import SittingLine, sittings
from kerfmark.sittings.pieces import pieces
from kerfmark.web.gate import Filled, Form, Visit, Visiting
from kerfmark.web.pages.plan import plans_taken
from kerfmark.web.rendering import page
from kerfmark.web.unsent import Unsent

__all__ = ["router"]

router = APIRouter()
UNITS = ("", "mm", "cm", "m", "in", "um")


@router.get("/pieces")
def show(visit: Visiting) -> Response:
    """One's own pieces, newest first."""
    lines, words = pieces(visit.store, visit.actor), visit.visitor.words
    cells = [
        Cell(words("your pieces"), str(len(lines))),
        Cell(words("wait for your own view"), str(sum(line.own_view_wanted for line in lines))),
    ]
    return page(visit.visitor, "pieces.html", lines=lines, cells=cells, simulated=any(line.simulated for line in lines))


@router.get("/pieces/new")
def show_new(visit: Visiting, sitting: str = "") -> Response:
    """The form for handing one in."""
    return _new(visit, chosen=sitting)


@router.post("/pieces/new")
def take_in(visit: Visiting, form: Filled) -> Response:
    """Keep it and have it measured; the same file again is the same piece."""
    try:
        receipt = _handed_in(visit, form)
    except (InputError, ConflictError, MissingError) as failure:
        return _new(visit, chosen=form.text("sitting", most=40), wrong=str(failure), unsent=form.unsent)
    visit.server.wake()
    return RedirectResponse(
        f"/pieces/{receipt.piece_id}?done={'again' if receipt.repeated else 'received'}", status_code=303
    )


def _handed_in(visit: Visit, form: Form) -> Receipt:
    wait_s = visit.server.submissions.wait_s(visit.person.id)
    if wait_s > 0.0:
        raise ConflictError(f"too many pieces in a minute, expected fewer. Wait {wait_s:.0f} s and send it again.")
    visit.server.submissions.add(visit.person.id)
    file = form.file("piece")
    if file is None:
        raise InputError(
            "piece: no file was chosen, expected a surface (STL, PLY, OBJ, 3MF, GLB), a motion (Parquet, CSV), a CT (NRRD, NIfTI, DICOM in one file or a zip of one series) or a plan (TOML). Choose one."
        )
    beside = {side: _stream(sent) for side in ("mesial", "distal") if (sent := form.file(side)) is not None}
    rig = form.file("rig")
    return hand_in(
        visit.store,
        visit.actor,
        content=_stream(file),
        file_name=file.filename or "piece",
        learner=form.text("learner", most=80) or None,
        sitting_id=form.needed("sitting", most=40),
        unit=form.text("unit", most=4) or None,
        neighbours=beside,
        rig=None if rig is None else _stream(rig),
        limit_bytes=visit.server.settings.limits.file_mib << 20,
    )


def _stream(file: UploadFile) -> BinaryIO:
    return file.file


def _planned(visit: Visit, lines: list[SittingLine]) -> list[SittingLine]:
    """Those of the sittings whose exercise is planned in the page and takes plans, each exercise once."""
    by_exercise = {line.exercise_id: line for line in lines}
    return [line for own, line in by_exercise.items() if plans_taken(exercise(visit.store, visit.actor, own))]


def _new(visit: Visit, *, chosen: str, wrong: str | None = None, unsent: Unsent | None = None) -> Response:
    lines = [line for line in sittings(visit.store, visit.actor) if line.state == "open"]
    return page(
        visit.visitor, "piece_new.html", status=422 if wrong else 200, wrong=wrong, unsent=unsent, lines=lines, plans=_planned(visit, lines), chosen=chosen, units=UNITS,
        for_others=bool(visit.person.roles & {"teacher", "lead", "technician"}), limit_mib=visit.server.options.upload_mib,
    )  # fmt: skip
