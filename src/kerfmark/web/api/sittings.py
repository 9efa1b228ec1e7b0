"""Sittings: opened, seated, staffed, closed, signed, released; limits tried and put into force."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Literal

import numpy as np
from fastapi import APIRouter, Body, Path, Query, Response
from pydantic import BaseModel, Field

from kerfmark.marking import CODE_WORDS
from kerfmark.sittings import limits, opening, overview, seating, signing
from kerfmark.sittings.overview import SittingLine, SittingPage
from kerfmark.sittings.seating import RosterResult
from kerfmark.web.api.caller import PREFIX, Calling, answer
from kerfmark.web.api.pieces import Done, Made
from kerfmark.web.pages.limits import limits_of_query

__all__ = ["router"]

router = APIRouter(prefix=PREFIX, tags=["sittings"])
SittingId = Annotated[str, Path(description="A sitting's id", max_length=40)]


class NewSitting(BaseModel):
    """A sitting to open."""

    title: Annotated[str, Field(min_length=1, max_length=200)]
    site: Annotated[str, Field(max_length=40)]
    exercise: Annotated[str, Field(description="An exercise version's id", max_length=40)]
    kind: Literal["practice", "exam"] = "practice"
    opens_at: datetime | None = None
    closes_at: datetime | None = None
    attempts: Annotated[int | None, Field(ge=1, le=1000)] = None
    blind: bool | None = None
    own_view: bool = True
    second: Literal["none", "all", "unsure", "part"] = "none"
    second_share: Annotated[float, Field(ge=0.0, le=1.0)] = 0.1
    agree_percent: Annotated[float, Field(ge=0.0, le=100.0)] = 10.0
    prompts: Annotated[list[str], Field(max_length=20)] = []


class Appointed(BaseModel):
    """Somebody to examine or moderate."""

    person: Annotated[str, Field(max_length=40)]
    part: Literal["examiner", "moderator"] = "examiner"


class NewLimits(BaseModel):
    """Limits to put into force: every criterion's pair in order, an open one null; null altogether: the exercise's own again."""

    limits: Annotated[list[tuple[float | None, float | None]], Field(max_length=500)] | None
    reason: Annotated[str, Field(min_length=1, max_length=2000)]


class Tried(BaseModel):
    """What limits on trial do: counts by ruling for each criterion, pieces that pass, pieces for an examiner."""

    pieces: int
    counts: dict[str, list[int]]
    passing: int
    referred: int


class Count(BaseModel):
    """How many."""

    n: int


@router.get("/sittings", response_model=list[SittingLine])
def list_sittings(call: Calling) -> Response:
    """Sittings the caller oversees, examines or sits in."""
    return answer(overview.sittings(call.store, call.actor))


@router.post("/sittings", response_model=Made, status_code=201)
def open_sitting(call: Calling, given: NewSitting) -> Response:
    """Open a sitting. Times without a zone are taken as UTC."""
    options = given.model_dump(exclude={"site", "exercise", "opens_at", "closes_at"})
    made = opening.open_sitting(
        call.store,
        call.actor,
        site_id=given.site,
        exercise_id=given.exercise,
        opens_at=_utc(given.opens_at),
        closes_at=_utc(given.closes_at),
        **options,
    )
    return answer({"id": made}, status=201)


@router.get("/sittings/{sitting_id}", response_model=SittingPage)
def show_sitting(call: Calling, sitting_id: SittingId) -> Response:
    """One sitting: seats, pieces, counts."""
    return answer(overview.sitting(call.store, call.actor, sitting_id))


@router.post("/sittings/{sitting_id}/roster", response_model=RosterResult)
def import_roster(
    call: Calling, sitting_id: SittingId, rows: Annotated[str, Body(media_type="text/csv", max_length=2_000_000)]
) -> Response:
    """Seat everybody on a roster: CSV with `code`, `name` and where wanted `email`, `place`, `hand`, `group`."""
    return answer(seating.import_roster(call.store, call.actor, sitting_id, rows))


@router.post("/sittings/{sitting_id}/appointments", response_model=Made, status_code=201)
def appoint(call: Calling, sitting_id: SittingId, given: Appointed) -> Response:
    """Let somebody examine or moderate."""
    return answer({"id": seating.appoint(call.store, call.actor, sitting_id, given.person, given.part)}, status=201)


@router.post("/sittings/{sitting_id}/close", response_model=Done)
def close_sitting(call: Calling, sitting_id: SittingId) -> Response:
    """Take in no more pieces."""
    opening.close_sitting(call.store, call.actor, sitting_id)
    return answer({"done": True, "word": None})


@router.post("/sittings/{sitting_id}/reopen", response_model=Done)
def reopen_sitting(call: Calling, sitting_id: SittingId) -> Response:
    """Take in pieces again."""
    opening.reopen_sitting(call.store, call.actor, sitting_id)
    return answer({"done": True, "word": None})


@router.post("/sittings/{sitting_id}/signatures", response_model=Count)
def sign_settled(call: Calling, sitting_id: SittingId) -> Response:
    """Sign every settled piece the caller may sign."""
    return answer({"n": signing.sign_settled(call.store, call.actor, sitting_id)})


@router.post("/sittings/{sitting_id}/release", response_model=Made, status_code=201)
def release(call: Calling, sitting_id: SittingId) -> Response:
    """Show the signed marks to the learners."""
    return answer({"id": signing.release(call.store, call.actor, sitting_id)}, status=201)


@router.get("/exercises/{exercise_id}/trial", response_model=Tried)
def try_limits(
    call: Calling,
    exercise_id: Annotated[str, Path(max_length=40)],
    t: Annotated[
        str, Query(description="NUMBER:LOW:HIGH, comma between; an open side left empty", max_length=4000)
    ] = "",
) -> Response:
    """Rule every stored piece of an exercise under other limits; nothing is changed."""
    held = call.server.benches.of(call.store, call.actor, exercise_id)
    ruled = held.bench.ruled(*limits_of_query(t, {}).of(held.bench))
    counts = {CODE_WORDS[code]: np.count_nonzero(ruled.code == code, axis=0).tolist() for code in CODE_WORDS}
    referred = int(np.sum(ruled.most_outcome & ~ruled.least_outcome))
    return answer(
        {
            "pieces": len(held.bench.pieces),
            "counts": counts,
            "passing": int(np.sum(ruled.least_outcome)),
            "referred": referred,
        }
    )


@router.post("/sittings/{sitting_id}/limits", response_model=Count)
def change_limits(call: Calling, sitting_id: SittingId, given: NewLimits) -> Response:
    """Put limits into force for a sitting and mark its pieces anew."""
    pairs = (
        None
        if given.limits is None
        else [(-np.inf if low is None else low, np.inf if high is None else high) for low, high in given.limits]
    )
    return answer({"n": limits.change_limits(call.store, call.actor, sitting_id, pairs, reason=given.reason)})


def _utc(time: datetime | None) -> datetime | None:
    return None if time is None else time.replace(tzinfo=UTC) if time.tzinfo is None else time
