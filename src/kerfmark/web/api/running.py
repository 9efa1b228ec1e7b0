"""Rigs tell of sessions that are running, so that they stand on the sitting's page while somebody cuts."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Response
from pydantic import BaseModel, Field

from kerfmark.sittings.handing_in import seat_to_hand_in
from kerfmark.web.api.caller import PREFIX, Calling, answer
from kerfmark.web.api.pieces import Done
from kerfmark.web.running import Running

__all__ = ["router"]

router = APIRouter(prefix=PREFIX, tags=["handing in"])
SessionId = Annotated[str, Path(description="What the rig calls the session", max_length=40)]


class Told(BaseModel):
    """Whose session it is, and for how long the tool has been recorded."""

    learner: Annotated[str | None, Field(max_length=80)] = None
    sitting: Annotated[str, Field(max_length=40)]
    recorded_s: Annotated[float, Field(ge=0.0, le=1e6)]


@router.put("/running/{session}", response_model=Done)
def tell(call: Calling, session: SessionId, given: Told) -> Response:
    """Tell of a running session, about once a second; ten seconds without a word end it."""
    seat = seat_to_hand_in(call.store, call.actor, learner=given.learner, sitting_id=given.sitting)
    running = Running(given.sitting, seat.seat_id, seat.rig, given.recorded_s)
    call.server.running.tell(str(call.actor), session, running)
    return answer({"done": True, "word": None})


@router.delete("/running/{session}", response_model=Done)
def end(call: Calling, session: SessionId) -> Response:
    """Say that a session is over."""
    call.server.running.end(str(call.actor), session)
    return answer({"done": True, "word": None})
