"""Exercises a school has imported: each version with its files, its criteria and what proving it found."""

from __future__ import annotations

import io
import math
import tempfile
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from kerfmark.errors import MissingError
from kerfmark.exercise import builtin
from kerfmark.exercise.vocabulary import VOCABULARY
from kerfmark.sittings.rights import Actor, may_anywhere, require_anywhere
from kerfmark.storage import Store, Transaction, select
from kerfmark.storage.schema import Appointment, Criterion, ExerciseVersion, Seat, Sitting, new_id

if TYPE_CHECKING:
    from kerfmark.exercise.folder import LoadedExercise
    from kerfmark.exercise.proof import Proof
    from kerfmark.settings import Settings

__all__ = [
    "CriterionLine",
    "ExerciseLine",
    "ExercisePage",
    "PassLine",
    "exercise",
    "exercises",
    "hide_exercise",
    "import_exercise",
    "keep_proof",
    "proof_of",
    "prove_exercise",
    "unpack",
    "version_of",
]

ZIP_TIME = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True, slots=True)
class CriterionLine:
    """A criterion of an exercise; `number` is its balloon. Open limits are infinite."""

    position: int
    reading: str
    where: str | None
    stat: str | None
    unit: str
    limits: tuple[float, float]
    weight: float
    critical: bool
    ask: str | None

    @property
    def number(self) -> int:
        """Its balloon's number."""
        return self.position + 1


@dataclass(frozen=True, slots=True)
class PassLine:
    """When a piece passes: the exercise's `[pass]`."""

    minimum_percent: float
    met_at: float
    too_close: Literal["refer", "benefit", "strict"]


@dataclass(frozen=True, slots=True)
class ExerciseLine:
    """An exercise version as lists show it; `can_be_cut` and `can_be_marked` None: not proved yet."""

    id: str
    exercise: str
    version: str
    title: str
    family: str
    tooth: int | None
    builtin: bool
    can_be_cut: bool | None
    can_be_marked: bool | None
    imported_at: datetime


@dataclass(frozen=True, slots=True)
class ExercisePage:
    """All of an exercise version but its files. `definition` is the exercise file's content, open limits None; `may_hide`: whether whoever asks may."""

    line: ExerciseLine
    criteria: tuple[CriterionLine, ...]
    pass_: PassLine
    definition: Mapping[str, Any]
    proof: Mapping[str, Any] | None
    may_hide: bool


def import_exercise(store: Store, actor: Actor, source: str | Path, *, settings: Settings, prove: bool = True) -> str:
    """Take in an exercise: a folder, a zip, or the name of a built-in one; prove it; returns its id.

    The same version again changes nothing and gives the same id.

    Raises
    ------
    InputError
        If the exercise is not valid.
    """
    from kerfmark.exercise.folder import load_exercise

    require_anywhere(actor, "exercise.import")
    loaded = load_exercise(source, limits=settings.limits, cache_dir=settings.cache_dir)
    with store.read() as tx:
        found = tx.one(ExerciseVersion, ExerciseVersion.version == loaded.version)
    if found is not None and (found.proof is not None or not prove):
        return found.id
    exercise_id = found.id if found is not None else _add(store, actor, loaded, str(source))
    if prove:
        prove_exercise(store, actor, exercise_id, settings=settings)
    return exercise_id


def prove_exercise(store: Store, actor: Actor, exercise_id: str, *, settings: Settings) -> None:
    """Prove that an exercise can be cut and marked, and keep what was found. Takes seconds to minutes."""
    require_anywhere(actor, "exercise.import")
    with tempfile.TemporaryDirectory() as folder:
        found = proof_of(unpack(store, exercise_id, Path(folder)), settings=settings)
    keep_proof(store, actor, exercise_id, found)


def proof_of(source: str | Path, *, settings: Settings) -> Proof:
    """Prove an exercise: what `kerfmark check` finds. Needs no store, so that another process may do it."""
    from kerfmark.exercise.proof import check_exercise
    from kerfmark.pipeline import ideal_readings, open_exercise

    loaded, prepared = open_exercise(source, settings=settings)
    ideal = {r.key: r.u for r in ideal_readings(prepared)}
    return check_exercise(loaded, prepared, predict_u=ideal or None)


def keep_proof(store: Store, actor: Actor, exercise_id: str, proof: Proof) -> None:
    """Keep what proving an exercise found."""
    require_anywhere(actor, "exercise.import")
    with store.write() as tx:
        row = _row(tx, exercise_id)
        row.proof, row.can_be_cut, row.can_be_marked = _proof(proof), proof.can_be_cut, proof.can_be_marked
        tx.say(
            str(actor), "exercise proved", f"exercise {exercise_id}", cut=proof.can_be_cut, marked=proof.can_be_marked
        )


def exercises(store: Store, actor: Actor, *, hidden: bool = False) -> list[ExerciseLine]:
    """Every exercise version the actor may see, by title; learners see those of their sittings."""
    with store.read() as tx:
        rows = tx.all(ExerciseVersion, order=[ExerciseVersion.title, ExerciseVersion.imported_at])
        if not may_anywhere(actor, "exercise.see"):
            own = _in_own_sittings(tx, actor)
            rows = [row for row in rows if row.id in own]
    return [_line(row) for row in rows if hidden or row.hidden_at is None]


def exercise(store: Store, actor: Actor, exercise_id: str) -> ExercisePage:
    """One exercise version."""
    with store.read() as tx:
        row = tx.get(ExerciseVersion, exercise_id)
        if row is None or not (may_anywhere(actor, "exercise.see") or row.id in _in_own_sittings(tx, actor)):
            raise MissingError("there is no such exercise. Choose one of the list.")
        return ExercisePage(
            _line(row), criteria_of(tx, row.id), pass_of(row), row.definition, row.proof, _may_hide(actor, row)
        )


def hide_exercise(store: Store, actor: Actor, exercise_id: str) -> None:
    """Offer an exercise version no longer; sittings that use it stay. All sites share it: whoever imported it may, or a lead."""
    with store.write() as tx:
        row = _row(tx, exercise_id)
        if not _may_hide(actor, row):
            require_anywhere(actor, "exercise.hide")
        row.hidden_at = tx.now
        tx.say(str(actor), "exercise hidden", f"exercise {exercise_id}")


def unpack(store: Store, exercise_id: str, folder: Path) -> Path:
    """The exercise's zip in a folder of this machine, as `kerfmark.assess` takes it; for the program's own use."""
    with store.read() as tx:
        row = _row(tx, exercise_id)
    return store.blobs.local(row.blob, folder, f"{row.exercise}.zip")


def criteria_of(tx: Transaction, exercise_id: str) -> tuple[CriterionLine, ...]:
    """The criteria of an exercise version, in order."""
    rows = tx.all(Criterion, Criterion.exercise_version_id == exercise_id, order=[Criterion.position])
    return tuple(
        CriterionLine(
            r.position, r.reading, r.where, r.stat, r.unit, closed(r.lower, r.upper), r.weight, r.critical, r.ask
        )
        for r in rows
    )


def pass_of(row: ExerciseVersion) -> PassLine:
    """The pass line of an exercise version."""
    table = row.definition["pass"]
    return PassLine(float(table["minimum_percent"]), float(table["met_at"]), table["too_close"])


def version_of(tx: Transaction, sitting: Sitting) -> ExerciseVersion:
    """The exercise version that is put before a sitting's learners."""
    row = tx.get(ExerciseVersion, sitting.exercise_version_id)
    assert row is not None
    return row


def closed(lower: float | None, upper: float | None) -> tuple[float, float]:
    """Limits as numbers: an open one is infinite."""
    return (-math.inf if lower is None else lower, math.inf if upper is None else upper)


def opened(limit: float) -> float | None:
    """A limit as the store keeps it: an open one is None."""
    return float(limit) if math.isfinite(limit) else None


def _add(store: Store, actor: Actor, loaded: LoadedExercise, source: str) -> str:
    sha256, size = store.blobs.put(_zip_of(loaded))
    exercise = loaded.exercise
    with store.write() as tx:
        again = tx.one(ExerciseVersion, ExerciseVersion.version == loaded.version)
        if again is not None:
            return again.id
        tx.note_blob(sha256, size)
        row = ExerciseVersion(
            id=new_id(), exercise=exercise.id, version=loaded.version, title=exercise.title, family=exercise.family,
            tooth=exercise.tooth, builtin=source in builtin.names(), blob=sha256,
            definition=_json(exercise.model_dump(mode="python", by_alias=True)), imported_by=actor.person_id, imported_at=tx.now,
        )  # fmt: skip
        tx.add(row)
        tx.add(
            *(
                Criterion(
                    exercise_version_id=row.id, position=at, reading=c.reading, where=c.where, stat=c.stat,
                    unit=VOCABULARY[c.reading].unit, lower=opened(c.limits[0]), upper=opened(c.limits[1]), weight=c.weight,
                    critical=c.critical, ask=c.ask,
                )
                for at, c in enumerate(exercise.criteria)
            )
        )  # fmt: skip
        tx.say(str(actor), "exercise imported", f"exercise {row.id}", version=loaded.version)
        return row.id


def _zip_of(loaded: LoadedExercise) -> bytes:
    """The exercise as a zip that is the same, byte for byte, for the same content."""
    from kerfmark.exercise.folder import save_exercise

    packed = io.BytesIO()
    with tempfile.TemporaryDirectory() as folder:
        save_exercise(folder, loaded.exercise, loaded.assets)
        root = Path(folder)
        with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
            for file in sorted(path for path in root.rglob("*") if path.is_file()):
                info = zipfile.ZipInfo(file.relative_to(root).as_posix(), ZIP_TIME)
                info.compress_type = zipfile.ZIP_DEFLATED
                archive.writestr(info, file.read_bytes())
    return packed.getvalue()


def _proof(proof: Proof) -> dict[str, Any]:
    return {
        "text": proof.text(),
        "findings": [{"about": f.about, "message": f.message, "stops": f.stops} for f in proof.findings],
        "powers": [
            {"u": p.u, "power": None if p.power is None else opened(p.power), "predicted": p.predicted}
            for p in proof.powers
        ],
    }


def _json(value: Any) -> Any:
    """Plain values; what is not finite becomes None."""
    if isinstance(value, Mapping):
        return {str(key): _json(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [_json(entry) for entry in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _row(tx: Transaction, exercise_id: str) -> ExerciseVersion:
    row = tx.get(ExerciseVersion, exercise_id)
    if row is None:
        raise MissingError("there is no such exercise. Choose one of the list.")
    return row


def _may_hide(actor: Actor, row: ExerciseVersion) -> bool:
    own = actor.person_id is not None and actor.person_id == row.imported_by
    return may_anywhere(actor, "exercise.import" if own else "exercise.hide")


def _line(row: ExerciseVersion) -> ExerciseLine:
    return ExerciseLine(
        row.id, row.exercise, row.version, row.title, row.family, row.tooth, row.builtin, row.can_be_cut,
        row.can_be_marked, row.imported_at,
    )  # fmt: skip


def _in_own_sittings(tx: Transaction, actor: Actor) -> set[str]:
    """Exercise versions of sittings the actor has a seat in or is appointed to."""
    seated = select(Sitting.exercise_version_id).join(Seat, Seat.sitting_id == Sitting.id)
    seated = seated.where(Seat.learner_id == actor.person_id)
    appointed = select(Sitting.exercise_version_id).join(Appointment, Appointment.sitting_id == Sitting.id)
    appointed = appointed.where(Appointment.person_id == actor.person_id, Appointment.ended_at.is_(None))
    return {row[0] for query in (seated, appointed) for row in tx.rows(query)}
