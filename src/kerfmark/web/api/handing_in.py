"""`POST /api/v1/pieces`: how rigs and scripts hand pieces in (decision 12)."""

from __future__ import annotations

import re
from typing import Annotated, Any, BinaryIO

from fastapi import APIRouter, File, Form, Header, HTTPException, Response, UploadFile
from pydantic import BaseModel

from kerfmark.errors import InputError
from kerfmark.sittings.handing_in import hand_in
from kerfmark.web.api.caller import PREFIX, Call, Calling, answer

__all__ = ["Received", "router"]

router = APIRouter(prefix=PREFIX, tags=["handing in"])
HEX = re.compile(r"[0-9a-f]{64}")


class Received(BaseModel):
    """A piece is on the disk, and so is its row."""

    piece: str
    attempt: int
    received_at: str
    sha256: str
    repeated: bool


@router.post(
    "/pieces",
    status_code=201,
    response_model=Received,
    responses={
        200: {"model": Received, "description": "Handed in before; nothing was added"},
        409: {"description": "The sitting is closed, the attempts are used up, or the key belongs to another piece"},
        413: {"description": "Larger than the server takes"},
        422: {"description": "What is wrong, in a sentence"},
        429: {"description": "Too many from this learner; try again after the seconds of Retry-After"},
    },
)
def take_in(
    call: Calling,
    piece: Annotated[UploadFile, File(description="The file: a surface or a recorded motion")],
    idempotency_key: Annotated[
        str | None, Header(description="SHA-256 of four lines: file, exercise version, station, learner")
    ] = None,
    sha256: Annotated[str | None, Form(description="SHA-256 of the file")] = None,
    learner: Annotated[
        str | None, Form(description="The learner's code; left out by a learner's own token", max_length=80)
    ] = None,
    sitting: Annotated[str | None, Form(description="The sitting's id", max_length=40)] = None,
    exercise: Annotated[
        str | None, Form(description="The exercise's version, where no sitting is named", max_length=80)
    ] = None,
    unit: Annotated[str | None, Form(description="mm, cm, m, in or um")] = None,
    mesial: Annotated[UploadFile | None, File(description="Scan of the mesial neighbour")] = None,
    distal: Annotated[UploadFile | None, File(description="Scan of the distal neighbour")] = None,
    rig: Annotated[UploadFile | None, File(description="rig.toml of a recorded motion")] = None,
) -> Response:
    """Hand in a piece: 201 when it is kept, 200 when it had been. The same piece may be sent again as often as is needed."""
    _check_digests(idempotency_key, sha256)
    _check_rate(call, learner)
    receipt = hand_in(
        call.store,
        call.actor,
        content=_stream(piece),
        file_name=piece.filename or "piece",
        learner=learner or None,
        sitting_id=sitting or None,
        version=exercise or None,
        sha256=sha256,
        key=idempotency_key,
        unit=unit or None,
        neighbours={side: _stream(file) for side, file in (("mesial", mesial), ("distal", distal)) if file is not None},
        rig=None if rig is None else _stream(rig),
        limit_bytes=call.server.settings.limits.file_mib << 20,
    )
    call.server.wake()
    kept: dict[str, Any] = {
        "piece": receipt.piece_id,
        "attempt": receipt.attempt,
        "received_at": receipt.received_at,
        "sha256": receipt.sha256,
        "repeated": receipt.repeated,
    }
    return answer(kept, status=200 if receipt.repeated else 201)


def _check_digests(key: str | None, sha256: str | None) -> None:
    for name, given in (("Idempotency-Key", key), ("sha256", sha256)):
        if given is not None and not HEX.fullmatch(given):
            raise InputError(f"{name} is '{given[:20]}', expected 64 hexadecimal digits in lower case. Correct it.")


def _check_rate(call: Call, learner: str | None) -> None:
    """So many a minute from one person or station for one learner."""
    key = f"{call.actor} {learner or ''}"
    wait_s = call.server.submissions.wait_s(key)
    if wait_s > 0.0:
        raise HTTPException(
            429,
            f"too many pieces in a minute. Wait {wait_s:.0f} s and send it again.",
            headers={"retry-after": f"{wait_s:.0f}"},
        )
    call.server.submissions.add(key)


def _stream(file: UploadFile) -> BinaryIO:
    return file.file
