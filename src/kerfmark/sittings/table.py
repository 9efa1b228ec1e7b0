"""What the store knows, as the table evidence is asked of (`docs/evidence/data.md`)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from kerfmark.errors import EvidenceError, RightsError
from kerfmark.sittings.exercises import criteria_of, opened
from kerfmark.sittings.judging import CONFIDENCE_CHANCE
from kerfmark.sittings.marks import Standing, standings
from kerfmark.sittings.rights import Actor, may
from kerfmark.storage import Store, Transaction, select
from kerfmark.storage import schema as kept

if TYPE_CHECKING:
    from kerfmark.evidence.content import ContentLine
    from kerfmark.evidence.table import Table

__all__ = ["HEADER", "evidence_content", "evidence_rows", "evidence_table", "holds_simulated"]

HEADER = (
    "learner", "exercise", "attempt", "by", "criterion", "examiner", "device", "repeat", "value", "u", "lower", "upper", "ruling", "score", "grade",
    "confidence", "site", "rig", "hand", "group", "status", "reason", "date", "calibrated",
)  # fmt: skip
SAID = {"inside": "met", "outside": "not met"}
RULES = {
    "examiner": "examiner decided what was open",
    "agreed": "two examiners alike",
    "average": "mean of two",
    "moderator": "moderator",
}

Cells = Mapping[str, object]


@dataclass(frozen=True, slots=True)
class _Known:
    """What is looked up for every row, by id."""

    sittings: Mapping[str, kept.Sitting]
    exercises: Mapping[str, kept.ExerciseVersion]
    sites: Mapping[str, str]
    codes: Mapping[str, str]
    rigs: Mapping[str, str]
    traits: Mapping[tuple[str, str], str]
    names: Mapping[tuple[str, int], str]
    readings: Mapping[tuple[str, int], tuple[float | None, float | None]]
    views: Mapping[str, Sequence[tuple[int, str, str | None]]]
    appealed: frozenset[str]
    again: Mapping[str, Sequence[_Again]]
    calibrated: Mapping[tuple[str, str], Sequence[datetime]]

    def calibration(self, device: str | None, site_id: str, at: datetime) -> str | None:
        """The day a device was last calibrated before a reading."""
        before = [day for day in self.calibrated.get((device or "", site_id), ()) if day <= at]
        return f"{before[-1]:%Y-%m-%d}" if before else None


@dataclass(frozen=True, slots=True)
class _Again:
    """A piece read once more: where, when, and what each criterion read."""

    device: str
    number: int
    at: datetime
    values: Mapping[int, tuple[float | None, float | None]]


def evidence_table(
    store: Store, actor: Actor, *, sitting_ids: Iterable[str] | None = None, exercises: Iterable[str] | None = None
) -> Table:
    """The table of every sitting the actor may see evidence of, or of some; in columns, checked.

    Raises
    ------
    EvidenceError
        If there is no piece at all.
    """
    from kerfmark.evidence.table import table_of

    rows = [[_text(row.get(name)) for name in HEADER] for row in evidence_rows(store, actor, sitting_ids=sitting_ids, exercises=exercises)]  # fmt: skip
    if not rows:
        raise EvidenceError("the store holds no measured pieces of these sittings; there is nothing to ask.")
    return table_of(HEADER, rows, name="store")


def evidence_rows(
    store: Store, actor: Actor, *, sitting_ids: Iterable[str] | None = None, exercises: Iterable[str] | None = None
) -> list[Cells]:
    """As `evidence_table`, one mapping a row; keys of `HEADER`, what was not said left out.

    A learner's attempts at an exercise are numbered over all its sittings and versions, in the order received.

    Raises
    ------
    RightsError
        If the actor may see evidence at none of the sites.
    """
    with store.read() as tx:
        chosen = _sittings(tx, actor, sitting_ids, exercises)
        found = standings(tx, kept.Piece.sitting_id.in_([s.id for s in chosen]), kept.Piece.erased_at.is_(None))
        known = _known(tx, chosen)
        return [*_of_pieces(found.values(), known), *_absent(tx, found.values(), known)]


def evidence_content(store: Store, actor: Actor, *, exercises: Iterable[str] | None = None) -> tuple[ContentLine, ...]:
    """What was asked: the criteria of every exercise the actor may see evidence of, in the newest version that was cut.

    Raises
    ------
    RightsError
        As `evidence_rows`.
    """
    from kerfmark.evidence.content import ContentLine

    with store.read() as tx:
        used = {s.exercise_version_id for s in _sittings(tx, actor, None, exercises)}
        versions = tx.all(kept.ExerciseVersion, order=[kept.ExerciseVersion.imported_at])
        newest = {v.exercise: v for v in versions if v.id in used}
        lines = []
        for version in newest.values():
            stated = version.definition.get("criteria", [])
            outcomes = "; ".join(version.definition.get("outcomes", []))
            for at, line in enumerate(criteria_of(tx, version.id)):
                own = stated[at] if at < len(stated) else {}
                name = " ".join(w for w in (line.reading, line.where, line.stat) if w)
                lines.append(
                    ContentLine(
                        version.exercise, name, own.get("outcome") or outcomes, *line.limits, line.weight, line.critical, own.get("source") or "",
                    )
                )  # fmt: skip
        return tuple(lines)


def holds_simulated(store: Store) -> bool:
    """Whether any sitting is of simulated pieces, so that what rests on them says so."""
    with store.read() as tx:
        return bool(tx.all(kept.Sitting, kept.Sitting.simulated.is_(True), limit=1))


def _of_pieces(found: Iterable[Standing], known: _Known) -> Iterator[Cells]:
    attempts: Counter[tuple[str, str]] = Counter()
    for s in found:
        exercise = known.exercises[s.piece.exercise_version_id].exercise
        learner = known.codes[s.piece.learner_id]
        attempts[learner, exercise] += 1
        sitting = known.sittings[s.piece.sitting_id]
        about: dict[str, object] = {
            "learner": learner, "exercise": exercise, "attempt": attempts[learner, exercise], "site": known.sites[sitting.site_id],
            "date": f"{s.piece.received_at:%Y-%m-%dT%H:%M:%SZ}", "rig": known.rigs.get(s.piece.station_id or ""),
            "hand": known.traits.get((s.piece.learner_id, "hand")), "group": known.traits.get((s.piece.learner_id, "group")),
        }  # fmt: skip
        yield from _of_piece(s, about, known)


def _of_piece(s: Standing, about: Cells, known: _Known) -> Iterator[Cells]:
    if s.word == "set aside":
        yield {**about, "by": "measured", "status": "set aside", "reason": (s.piece.reason or "")[:200]}
        return
    if s.marked is None:
        return
    names = known.names
    version = s.piece.exercise_version_id
    whole: dict[str, object] = {**about, "by": "measured", "score": s.marked.mark.percent}
    if s.piece.id in known.appealed:
        whole["status"] = "appeal"
    yield whole
    site = known.sittings[s.piece.sitting_id].site_id
    first = {"device": about["rig"], "calibrated": known.calibration(about["rig"], site, s.piece.received_at)}  # type: ignore[arg-type]
    for at, ruling in enumerate(s.marked.rulings):
        value, u = known.readings.get((s.marked.assessment_id, at), (None, None))
        low, high = ruling.limits
        read: dict[str, object] = {
            **about,
            "by": "measured",
            "criterion": names[version, at],
            "lower": opened(low),
            "upper": opened(high),
        }
        if ruling.ruling in ("met", "not met", "too close to call"):
            yield {**read, **first, "value": value, "u": u, "ruling": ruling.ruling}
        yield from _read_again(read, at, known.again.get(s.piece.id, ()), site, known)
    for at, view, confidence in known.views.get(s.piece.id, ()):
        if view in SAID:
            yield {**about, "by": "own", "criterion": names[version, at], "ruling": SAID[view], "confidence": CONFIDENCE_CHANCE.get(confidence or "")}  # fmt: skip
    yield from _examined(s, about, known)


def _read_again(read: Cells, criterion: int, again: Sequence[_Again], site: str, known: _Known) -> Iterator[Cells]:
    for one in again:
        value, u = one.values.get(criterion, (None, None))
        if value is not None:
            yield {**read, "device": one.device, "repeat": one.number, "value": value, "u": u, "date": f"{one.at:%Y-%m-%dT%H:%M:%SZ}",
                   "calibrated": known.calibration(one.device, site, one.at)}  # fmt: skip


def _examined(s: Standing, about: Cells, known: _Known) -> Iterator[Cells]:
    version = s.piece.exercise_version_id
    for one in s.examined:
        if one.part == "moderator":
            continue
        by = {**about, "by": "examiner", "examiner": known.codes[one.examiner_id]}
        yield {**by, "score": one.percent, "grade": one.grade}
        for at, word in one.words.items():
            yield {**by, "criterion": known.names[version, at], "ruling": word}
    if s.examined and s.word in ("settled", "signed") and s.percent is not None:
        last = s.examined[-1].examiner_id
        yield {
            **about,
            "by": "moderated",
            "examiner": known.codes[last],
            "score": s.percent,
            "reason": RULES.get(s.rule),
        }


def _absent(tx: Transaction, found: Iterable[Standing], known: _Known) -> Iterator[Cells]:
    """Seats of exams that are over from which nothing came."""
    came = {s.piece.seat_id for s in found}
    over = [s.id for s in known.sittings.values() if s.kind == "exam" and s.state != "open"]
    handed_in = {
        (known.codes[s.piece.learner_id], known.exercises[s.piece.exercise_version_id].exercise) for s in found
    }
    for seat in tx.all(kept.Seat, kept.Seat.sitting_id.in_(over), order=[kept.Seat.code]):
        sitting = known.sittings[seat.sitting_id]
        who = known.codes[seat.learner_id], known.exercises[sitting.exercise_version_id].exercise
        if seat.id not in came and who not in handed_in:
            handed_in.add(who)
            yield {"learner": who[0], "exercise": who[1], "attempt": 1, "by": "measured", "status": "absent", "site": known.sites[sitting.site_id]}  # fmt: skip


def _sittings(
    tx: Transaction, actor: Actor, sitting_ids: Iterable[str] | None, exercises: Iterable[str] | None
) -> list[kept.Sitting]:
    wanted = None if sitting_ids is None else set(sitting_ids)
    of = None if exercises is None else set(exercises)
    rows = tx.all(kept.Sitting, order=[kept.Sitting.opens_at])
    seen = [row for row in rows if may(actor, "evidence.see", row.site_id)]
    if rows and not seen:
        raise RightsError(
            "you may not see the evidence here, expected the role auditor or lead at a site. Ask the lead for it."
        )
    versions = {v.id: v.exercise for v in tx.all(kept.ExerciseVersion)}
    return [
        row
        for row in seen
        if (wanted is None or row.id in wanted) and (of is None or versions[row.exercise_version_id] in of)
    ]


def _known(tx: Transaction, chosen: Sequence[kept.Sitting]) -> _Known:
    ids = [s.id for s in chosen]
    pieces = select(kept.Piece.id).where(kept.Piece.sitting_id.in_(ids))
    readings = (
        select(kept.Reading.assessment_id, kept.Reading.criterion, kept.Reading.value, kept.Reading.u)
        .join(kept.Assessment, kept.Assessment.id == kept.Reading.assessment_id)
        .where(kept.Assessment.piece_id.in_(pieces), kept.Reading.criterion.is_not(None))
    )
    views: dict[str, list[tuple[int, str, str | None]]] = {}
    query = select(kept.OwnView.piece_id, kept.OwnViewed.criterion, kept.OwnViewed.view, kept.OwnViewed.confidence)
    query = query.join(kept.OwnViewed, kept.OwnViewed.own_view_id == kept.OwnView.id)
    for row in tx.rows(query.where(kept.OwnView.piece_id.in_(pieces)).order_by(kept.OwnViewed.criterion)):
        views.setdefault(row.piece_id, []).append((row.criterion, row.view, row.confidence))
    return _Known(
        sittings={s.id: s for s in chosen},
        exercises={v.id: v for v in tx.all(kept.ExerciseVersion)},
        sites={s.id: s.name for s in tx.all(kept.Site)},
        codes={r.id: r.code for r in tx.rows(select(kept.Person.id, kept.Person.code))},
        rigs={s.id: s.rig for s in tx.all(kept.StationKey)},
        traits={(t.person_id, t.name): t.value for t in tx.all(kept.Trait)},
        names={
            (c.exercise_version_id, c.position): " ".join(w for w in (c.reading, c.where, c.stat) if w)
            for c in tx.all(kept.Criterion)
        },
        readings={(r.assessment_id, r.criterion): (r.value, r.u) for r in tx.rows(readings)},
        views=views,
        appealed=frozenset(a.piece_id for a in tx.all(kept.Appeal, kept.Appeal.piece_id.in_(pieces))),
        again=_again(tx, tx.all(kept.Rereading, kept.Rereading.piece_id.in_(pieces), order=[kept.Rereading.made_at])),
        calibrated=_calibrated(tx),
    )


def _again(tx: Transaction, rows: Sequence[kept.Rereading]) -> dict[str, list[_Again]]:
    values: dict[str, dict[int, tuple[float | None, float | None]]] = {}
    found: dict[str, list[_Again]] = {}
    for v in tx.all(kept.RereadingValue) if rows else ():
        values.setdefault(v.rereading_id, {})[v.criterion] = v.value, v.u
    for r in rows:
        found.setdefault(r.piece_id, []).append(_Again(r.device, r.number, r.made_at, values.get(r.id, {})))
    return found


def _calibrated(tx: Transaction) -> dict[tuple[str, str], list[datetime]]:
    """Days of calibration by device and site, in order."""
    found: dict[tuple[str, str], list[datetime]] = {}
    for row in tx.all(kept.Calibration, kept.Calibration.withdrawn_at.is_(None), order=[kept.Calibration.done_at]):
        found.setdefault((row.device, row.site_id), []).append(row.done_at)
    return found


def _text(value: object) -> str:
    return "" if value is None else repr(float(value)) if isinstance(value, float) else str(value)
