"""Exercises, people, the audit log, the table of evidence."""

from __future__ import annotations

import csv
import io
import tempfile
from pathlib import Path as File
from typing import Annotated

from fastapi import APIRouter, Path, Query, Response, UploadFile
from pydantic import BaseModel, Field

from kerfmark.sittings import exercises, keeping, people, sites
from kerfmark.sittings.exercises import ExerciseLine, ExercisePage
from kerfmark.sittings.keeping import AuditLine
from kerfmark.sittings.people import PersonLine
from kerfmark.sittings.rights import Role, require_anywhere
from kerfmark.sittings.sites import SiteLine
from kerfmark.sittings.table import HEADER, evidence_rows
from kerfmark.web.api.caller import PREFIX, Calling, answer
from kerfmark.web.api.pieces import Made

__all__ = ["router"]

router = APIRouter(prefix=PREFIX, tags=["exercises, people, evidence"])


class NewPerson(BaseModel):
    """Somebody to add, with one role."""

    code: Annotated[str, Field(min_length=1, max_length=60)]
    name: Annotated[str, Field(min_length=1, max_length=200)]
    email: Annotated[str | None, Field(max_length=200)] = None
    login: Annotated[str | None, Field(max_length=60)] = None
    role: Role
    site: Annotated[str | None, Field(max_length=40)] = None


@router.get("/exercises", response_model=list[ExerciseLine])
def list_exercises(call: Calling) -> Response:
    """Exercise versions the caller may see."""
    return answer(exercises.exercises(call.store, call.actor))


@router.post("/exercises", response_model=Made, status_code=201)
def import_exercise(call: Calling, zip: UploadFile) -> Response:
    """Import an exercise as a zip, and prove it; takes up to some minutes."""
    require_anywhere(call.actor, "exercise.import")
    with tempfile.TemporaryDirectory(prefix="kerfmark-exercise-") as folder:
        path = File(folder) / "exercise.zip"
        path.write_bytes(zip.file.read())
        return answer({"id": call.server.imports.take_in(call.actor, str(path))}, status=201)


@router.get("/exercises/{exercise_id}", response_model=ExercisePage)
def show_exercise(call: Calling, exercise_id: Annotated[str, Path(max_length=40)]) -> Response:
    """One exercise version: criteria, pass line, definition, proof."""
    return answer(exercises.exercise(call.store, call.actor, exercise_id))


@router.get("/sites", response_model=list[SiteLine])
def list_sites(call: Calling) -> Response:
    """Every site."""
    return answer(sites.sites(call.store))


@router.get("/people", response_model=list[PersonLine])
def list_people(call: Calling, role: Role | None = None, find: Annotated[str, Query(max_length=80)] = "") -> Response:
    """People the caller may see."""
    return answer(people.people(call.store, call.actor, role=role, find=find))


@router.post("/people", response_model=Made, status_code=201)
def add_person(call: Calling, given: NewPerson) -> Response:
    """Add somebody with a role."""
    made = people.add_person(
        call.store,
        call.actor,
        code=given.code,
        name=given.name,
        email=given.email,
        login=given.login,
        roles=[(given.role, given.site)],
    )
    return answer({"id": made}, status=201)


@router.get("/audit", response_model=list[AuditLine])
def show_audit(
    call: Calling,
    about: Annotated[str | None, Query(max_length=80)] = None,
    before: Annotated[int | None, Query(ge=1, le=2**53)] = None,
    limit: Annotated[int, Query(ge=1, le=1000)] = 100,
) -> Response:
    """Entries of the audit log, newest first."""
    return answer(keeping.audit_entries(call.store, call.actor, about=about, before=before, limit=limit))


@router.get("/evidence.csv")
def show_evidence(call: Calling, exercise: Annotated[str | None, Query(max_length=80)] = None) -> Response:
    """The table that `kerfmark evidence` asks (docs/evidence/data.md), as CSV."""
    rows = evidence_rows(call.store, call.actor, exercises=[exercise] if exercise else None)
    written = io.StringIO()
    table = csv.DictWriter(written, HEADER, extrasaction="ignore")
    table.writeheader()
    table.writerows({name: "" if value is None else value for name, value in row.items()} for row in rows)
    return Response(written.getvalue(), media_type="text/csv; charset=utf-8")
