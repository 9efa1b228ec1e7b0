"""Every exercise version; importing one: a zip, or a built-in one by its name."""

from __future__ import annotations

import tempfile
from pathlib import Path

from fastapi import APIRouter
from fastapi.responses import RedirectResponse, Response
from starlette.concurrency import run_in_threadpool

from kerfmark.errors import InputError
from kerfmark.exercise import builtin
from kerfmark.reports.contents import Cell
from kerfmark.sittings.exercises import exercises
from kerfmark.sittings.rights import may_anywhere, require_anywhere
from kerfmark.web.gate import Filled, Visit, Visiting
from kerfmark.web.rendering import page

__all__ = ["router"]

router = APIRouter()


@router.get("/exercises")
def show(visit: Visiting, done: str = "") -> Response:
    """The list."""
    said = {"hidden": "The exercise is offered no longer; sittings that use it stay."}.get(done, "")
    return _show(visit, said=visit.visitor.words(said) or None)


@router.post("/exercises/import")
async def take_in(visit: Visiting, form: Filled) -> Response:
    """Read, keep and prove an exercise, in a process apart: what comes from outside is never parsed here."""
    file, name = form.file("zip"), form.text("builtin", most=80)
    content = None if file is None else await file.read()
    return await run_in_threadpool(_taken_in, visit, content, name)


def _taken_in(visit: Visit, content: bytes | None, name: str) -> Response:
    require_anywhere(visit.actor, "exercise.import")
    try:
        if content is not None:
            with tempfile.TemporaryDirectory(prefix="kerfmark-exercise-") as folder:
                path = Path(folder) / "exercise.zip"
                path.write_bytes(content)
                exercise_id = visit.server.imports.take_in(visit.actor, str(path))
        elif name in builtin.names():
            exercise_id = visit.server.imports.take_in(visit.actor, name)
        else:
            raise InputError(
                "zip: no file was chosen, expected an exercise as a zip, or a built-in one by its name. Choose one."
            )
    except InputError as failure:
        return _show(visit, wrong=str(failure))
    return RedirectResponse(f"/exercises/{exercise_id}?done=imported", status_code=303)


def _show(visit: Visit, *, said: str | None = None, wrong: str | None = None) -> Response:
    words = visit.visitor.words
    lines = exercises(visit.store, visit.actor)
    held = {line.exercise for line in lines if line.builtin}
    cells = [
        Cell(words("exercises"), str(len(lines))),
        Cell(
            words("proved"),
            str(sum(bool(line.can_be_cut and line.can_be_marked) for line in lines)),
            words("can be cut and marked"),
        ),
    ]
    return page(
        visit.visitor, "exercises.html", status=422 if wrong else 200, wrong=wrong, said=said, lines=lines, cells=cells,
        may_import=may_anywhere(visit.actor, "exercise.import"),
        offered=[(name, builtin.title(name)) for name in builtin.names() if name not in held],
    )  # fmt: skip
