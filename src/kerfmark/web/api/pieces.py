"""Pieces: read as far as the caller may see them; own view, words, appeals."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query, Response
from pydantic import BaseModel, Field

from kerfmark.errors import MissingError
from kerfmark.sittings import appeals, judging, notes, piece_files, pieces
from kerfmark.sittings.bundle import appeal_zip
from kerfmark.sittings.judging import History
from kerfmark.sittings.pieces import PieceLine, PiecePage
from kerfmark.web.api.caller import PREFIX, Calling, answer

__all__ = ["router"]

router = APIRouter(prefix=PREFIX, tags=["pieces"])
PieceId = Annotated[str, Path(description="A piece's id", max_length=40)]


class View(BaseModel):
    """One criterion as its learner sees it."""

    number: Annotated[int, Field(ge=1, le=500, description="The criterion's balloon")]
    view: Literal["inside", "outside", "cannot tell"]
    confidence: Literal["guess", "fairly sure", "sure"] | None = None


class OwnView(BaseModel):
    """A learner's own view: every criterion once."""

    views: Annotated[list[View], Field(min_length=1, max_length=500)]


class Words(BaseModel):
    """Some words."""

    text: Annotated[str, Field(min_length=1, max_length=4000)]


class NewNote(BaseModel):
    """Words pinned to a piece, a criterion or a point of the tooth frame, mm."""

    text: Annotated[str, Field(min_length=1, max_length=2000)]
    number: Annotated[int | None, Field(ge=1, le=500)] = None
    point_mm: tuple[float, float, float] | None = None


class Answers(BaseModel):
    """What a learner wrote, by the sitting's prompts."""

    answers: dict[str, str]


class Made(BaseModel):
    """The id of what was made."""

    id: str


class Done(BaseModel):
    """It was done; how the piece stands now, where that changed."""

    done: bool = True
    word: str | None = None


@router.get("/pieces", response_model=list[PieceLine])
def list_pieces(
    call: Calling,
    learner: Annotated[str | None, Query(description="A learner's id; left out: one's own", max_length=40)] = None,
) -> Response:
    """A learner's pieces, newest first."""
    return answer(pieces.pieces(call.store, call.actor, learner))


@router.get("/pieces/{piece_id}", response_model=PiecePage)
def show_piece(call: Calling, piece_id: PieceId) -> Response:
    """One piece: readings, rulings, decisions, mark, as far as the caller may see them."""
    return answer(pieces.piece(call.store, call.actor, piece_id))


@router.get("/pieces/{piece_id}/assessment")
def show_assessment(call: Calling, piece_id: PieceId) -> Response:
    """The whole assessment (docs/results.md)."""
    text = piece_files.assessment_json(call.store, call.actor, piece_id)
    if text is None:
        raise MissingError("the readings of this piece were modelled, so there is no assessment to fetch.")
    return Response(text, media_type="application/json")


@router.get("/pieces/{piece_id}/scene")
def show_scene(call: Calling, piece_id: PieceId, plain: bool = False) -> Response:
    """The piece as binary glTF (docs/view.md); `plain` holds nothing measured."""
    content = piece_files.drawing(call.store, call.actor, piece_id, "plain-scene" if plain else "scene")
    if content is None:
        raise MissingError("there is no view of this piece yet. Come back when it has been measured.")
    return Response(content, media_type="model/gltf-binary")


@router.get("/pieces/{piece_id}/bundle")
def show_bundle(call: Calling, piece_id: PieceId) -> Response:
    """Everything needed to make the mark again, as a zip."""
    return Response(appeal_zip(call.store, call.actor, piece_id), media_type="application/zip")


@router.post("/pieces/{piece_id}/own-view", response_model=Done)
def give_own_view(call: Calling, piece_id: PieceId, given: OwnView) -> Response:
    """Keep the learner's own view, once, before anything is shown."""
    views: dict[int, Any] = {v.number - 1: (v.view, v.confidence) for v in given.views}
    judging.give_own_view(call.store, call.actor, piece_id, views)
    return answer({"done": True, "word": None})


@router.post("/pieces/{piece_id}/reflection", response_model=Done)
def reflect(call: Calling, piece_id: PieceId, given: Answers) -> Response:
    """Keep what the learner wrote after the reveal."""
    judging.reflect(call.store, call.actor, piece_id, given.answers)
    return answer({"done": True, "word": None})


@router.get("/own-history", response_model=History)
def show_history(call: Calling, learner: Annotated[str | None, Query(max_length=40)] = None) -> Response:
    """How own views have run, with the interval of the bias."""
    return answer(judging.own_history(call.store, call.actor, learner))


@router.post("/pieces/{piece_id}/notes", response_model=Made, status_code=201)
def add_note(call: Calling, piece_id: PieceId, given: NewNote) -> Response:
    """Pin words."""
    number = None if given.number is None else given.number - 1
    made = notes.add_note(call.store, call.actor, piece_id, given.text, criterion=number, point_mm=given.point_mm)
    return answer({"id": made}, status=201)


@router.post("/pieces/{piece_id}/appeal", response_model=Made, status_code=201)
def appeal(call: Calling, piece_id: PieceId, given: Words) -> Response:
    """Ask for the mark to be looked at again."""
    return answer({"id": appeals.appeal(call.store, call.actor, piece_id, given.text)}, status=201)
