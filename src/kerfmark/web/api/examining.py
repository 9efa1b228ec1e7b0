"""The examiner's queue, decisions, signatures."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Response
from pydantic import BaseModel, Field

from kerfmark.sittings import examining, measuring_again, signing
from kerfmark.sittings.examining import QueueLine
from kerfmark.web.api.caller import PREFIX, Calling, answer
from kerfmark.web.api.pieces import Done, Made, PieceId

__all__ = ["router"]

router = APIRouter(prefix=PREFIX, tags=["examining"])


class Decision(BaseModel):
    """One criterion decided; the learner reads the note."""

    number: Annotated[int, Field(ge=1, le=500)]
    ruling: Literal["met", "not met"]
    note: Annotated[str, Field(max_length=2000)] = ""


class Decisions(BaseModel):
    """What an examiner decides: every open criterion, and any clear one seen otherwise."""

    decisions: Annotated[list[Decision], Field(max_length=500)]
    note: Annotated[str, Field(max_length=2000)] = ""
    grade: Annotated[int | None, Field(ge=1, le=5)] = None


@router.get("/queue", response_model=list[QueueLine])
def show_queue(call: Calling, sitting: Annotated[str | None, Query(max_length=40)] = None) -> Response:
    """What waits for the caller, most criteria too close to call first."""
    return answer(examining.queue(call.store, call.actor, sitting))


@router.post("/pieces/{piece_id}/examination", response_model=Done)
def examine(call: Calling, piece_id: PieceId, given: Decisions) -> Response:
    """Keep rulings, as the part that is the caller's to take now."""
    rulings: dict[int, Any] = {d.number - 1: (d.ruling, d.note) for d in given.decisions}
    word = examining.examine(call.store, call.actor, piece_id, rulings, note=given.note, grade=given.grade)
    return answer({"done": True, "word": word})


@router.post("/pieces/{piece_id}/measure-again", response_model=Done)
def measure_again(call: Calling, piece_id: PieceId) -> Response:
    """Let a piece that was set aside be measured once more."""
    measuring_again.measure_again(call.store, call.actor, piece_id)
    call.server.wake()
    return answer({"done": True, "word": "received"})


@router.post("/pieces/{piece_id}/signature", response_model=Made, status_code=201)
def sign(call: Calling, piece_id: PieceId) -> Response:
    """Stand for a settled mark."""
    return answer({"id": signing.sign(call.store, call.actor, piece_id)}, status=201)
