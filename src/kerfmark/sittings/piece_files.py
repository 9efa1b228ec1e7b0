"""A piece's files: its own, the whole assessment, what was drawn for the view."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from kerfmark.errors import MissingError
from kerfmark.sittings.rights import Actor
from kerfmark.sittings.sight import require_measured, seen
from kerfmark.storage import Store
from kerfmark.storage.schema import (
    Assessment,
    Drawing,
    ExerciseVersion,
    Piece,
)

__all__ = ["PLAIN", "PieceFiles", "assessment_json", "drawing", "files_of", "keep_drawing", "piece_files"]


PLAIN = "plain"
"""Drawings whose kind begins so show nothing measured."""


@dataclass(frozen=True, slots=True)
class PieceFiles:
    """A piece's files in a folder of this machine, as `kerfmark.assess` takes them."""

    exercise: Path
    piece: Path
    neighbours: Mapping[str, Path]
    rig: Path | None
    unit: str | None


def piece_files(store: Store, actor: Actor, piece_id: str, folder: Path) -> PieceFiles:
    """The piece's own files, put into a folder of this machine; nothing measured is among them."""
    with store.read() as tx:
        found, _ = seen(tx, actor, piece_id)
        row = found.piece
        exercise = tx.get(ExerciseVersion, row.exercise_version_id)
    if exercise is None or row.erased_at is not None:
        raise MissingError("this piece was erased.")
    return files_of(store, row, exercise, folder)


def files_of(
    store: Store, row: Piece, exercise: ExerciseVersion, folder: Path, *, again: Mapping[str, Any] | None = None
) -> PieceFiles:
    """As `piece_files`, for the program's own use; `again`: of another file of the same piece (`Job.again`)."""
    own = again or {"file_name": row.file_name, "blob": row.blob, "unit": row.unit}
    name = Path(own["file_name"])
    return PieceFiles(
        store.blobs.local(exercise.blob, folder, f"{exercise.exercise}.zip"),
        store.blobs.local(own["blob"], folder, f"piece{name.suffix.lower()}"),
        {side: store.blobs.local(sha, folder, f"{side}.bin") for side, sha in row.neighbours.items()},
        None if row.rig_blob is None else store.blobs.local(row.rig_blob, folder, "rig.toml"),
        own["unit"],
    )


def assessment_json(store: Store, actor: Actor, piece_id: str) -> bytes | None:
    """The whole assessment as the JSON of `docs/results.md`; None where the readings were only modelled (simulated terms).

    Raises
    ------
    RightsError
        If nothing measured may be shown to this actor yet.
    """
    with store.read() as tx:
        found, sight = seen(tx, actor, piece_id)
        require_measured(sight)
        row = None if found.marked is None else tx.get(Assessment, found.marked.assessment_id)
    if row is None:
        raise MissingError("this piece has not been measured. Come back when it has.")
    return None if row.blob is None else store.blobs.get(row.blob)


def drawing(store: Store, actor: Actor, piece_id: str, kind: str) -> bytes | None:
    """A file made for the view, None where there is none yet; kinds that do not begin with `plain` show what was measured."""
    with store.read() as tx:
        found, sight = seen(tx, actor, piece_id)
        if not kind.startswith(PLAIN):
            require_measured(sight)
        row = None if found.marked is None else tx.get(Drawing, (found.marked.assessment_id, kind))
    return None if row is None else store.blobs.get(row.blob)


def keep_drawing(store: Store, assessment_id: str, kind: str, content: bytes) -> None:
    """Keep a file made for the view, for the program's own use."""
    sha256, size = store.blobs.put(content)
    with store.write() as tx:
        tx.note_blob(sha256, size)
        row = tx.get(Drawing, (assessment_id, kind))
        if row is None:
            tx.add(Drawing(assessment_id=assessment_id, kind=kind, blob=sha256, made_at=tx.now))
        else:
            row.blob, row.made_at = sha256, tx.now
