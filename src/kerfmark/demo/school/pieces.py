"""Pieces of an invented sitting: truly measured ones, and others whose readings are modelled around those; their learners" own views."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from kerfmark.demo.school.making import SITES, Making, Real
from kerfmark.records import Reading
from kerfmark.sittings.apart import Assessed
from kerfmark.sittings.exercises import CriterionLine
from kerfmark.sittings.rights import PROGRAM
from kerfmark.sittings.work import keep_assessment
from kerfmark.storage import Transaction
from kerfmark.storage import schema as kept

if TYPE_CHECKING:
    pass

__all__ = ["Attempt", "attempts_of", "chosen", "fill", "width_of"]

SPREAD = 0.22
"""Standard deviation of a modelled reading about the measured one, in widths of the limits [a choice, for show]."""
Attempt = tuple[str, int, datetime, Real]


def attempts_of(making: Making, learners: Sequence[str], real: Sequence[Real], at: datetime) -> Iterator[Attempt]:
    """Two attempts a learner, three days apart, each with the piece it is modelled on."""
    plan = [
        (
            login,
            attempt,
            making.levels[login] + 0.2 * (attempt - 1),
            at + timedelta(days=3 * (attempt - 1), minutes=7 * n),
        )
        for attempt in (1, 2)
        for n, login in enumerate(learners)
    ]
    return chosen(making, plan, real)


def chosen(making: Making, plan: Sequence[tuple[str, int, float, datetime]], real: Sequence[Real]) -> Iterator[Attempt]:
    """With each attempt the measured piece it is modelled on: of the level nearest to how the hand was that day."""
    for login, attempt, level, at in plan:
        that_day = level + making.rng.normal(0.0, 0.15)
        word = "novice" if that_day < 0.3 else "middle" if that_day < 0.65 else "able"
        fitting = [one for one in real if one.level == word] or list(real)
        yield login, attempt, at, fitting[int(making.rng.integers(len(fitting)))]


def fill(
    making: Making,
    sitting_id: str,
    criteria: tuple[CriterionLine, ...],
    real: Sequence[Real],
    attempts: Iterable[Attempt],
    *,
    judged: float = 0.95,
) -> None:
    """Pieces of a sitting: the truly measured ones first, as the first learners', then modelled ones; and the own views of such a share."""
    waiting = list(real)
    with making.store.write() as tx:
        seats = {s.learner_id: s for s in tx.all(kept.Seat, kept.Seat.sitting_id == sitting_id)}
        sitting = tx.get(kept.Sitting, sitting_id)
        assert sitting is not None
        for login, attempt, at, base in attempts:
            seat = seats[making.people[login]]
            tx.now = at
            if waiting:
                one = waiting.pop(0)
                piece = _piece(tx, making, sitting, seat, attempt, one.content, "piece.ply", one.neighbours)
                _keep_real(tx, making, piece, one)
                assessed = one.assessed
                making.measured += 1
            else:
                assessed, model = _modelled(base, criteria, making.rng)
                piece = _piece(tx, making, sitting, seat, attempt, model, "modelled.json", {})
                keep_assessment(tx, piece, assessed, blob=None, modelled=True)
            making.pieces += 1
            tx.now = at + timedelta(minutes=6)
            if making.rng.random() < judged:
                give_view(tx, making, piece, criteria, assessed, making.levels[login])


def _piece(
    tx: Transaction, making: Making, sitting: kept.Sitting, seat: kept.Seat, attempt: int, content: bytes, name: str,
    neighbours: Mapping[str, bytes],
) -> kept.Piece:  # fmt: skip
    """A piece's row with its files, as handing it in would have left it, already done with."""
    files = {side: making.store.blobs.put(file) for side, file in neighbours.items()}
    own = making.store.blobs.put(content)
    for sha256, size in (own, *files.values()):
        tx.note_blob(sha256, size)
    row = kept.Piece(
        id=kept.new_id(), sitting_id=sitting.id, seat_id=seat.id, learner_id=seat.learner_id,
        exercise_version_id=sitting.exercise_version_id, attempt=attempt, idempotency_key=f"{seat.id}{attempt}".ljust(64, "0"), blob=own[0],
        station_id=_station(making, sitting.site_id, seat.learner_id), file_name=name, neighbours={side: sha for side, (sha, _) in files.items()}, state="received", received_at=tx.now, simulated=True,
    )  # fmt: skip
    tx.add(row)
    tx.add(kept.Job(piece_id=row.id, state="done", tries=1, made_at=tx.now, ended_at=tx.now))
    tx.say(
        str(PROGRAM),
        "piece handed in",
        f"piece {row.id}",
        sitting=sitting.id,
        seat=seat.id,
        attempt=attempt,
        sha256=own[0],
    )
    return row


def _station(making: Making, site_id: str, learner_id: str) -> str:
    """The scanner a learner's pieces go through, always the same one of a site."""
    scanners = making.stations[site_id]
    return scanners[list(making.people.values()).index(learner_id) // len(SITES) % len(scanners)]


def _keep_real(tx: Transaction, making: Making, piece: kept.Piece, one: Real) -> None:
    text = making.store.blobs.put(one.assessed.text)
    tx.note_blob(*text)
    assessment_id = keep_assessment(tx, piece, one.assessed, blob=text[0])
    for kind, content in one.assessed.drawings.items():
        sha256, size = making.store.blobs.put(content)
        tx.note_blob(sha256, size)
        tx.add(kept.Drawing(assessment_id=assessment_id, kind=kind, blob=sha256, made_at=tx.now))


def _modelled(base: Real, criteria: Sequence[CriterionLine], rng: np.random.Generator) -> tuple[Assessed, bytes]:
    """Readings drawn about a measured piece's, and the words that say so, which stand in for the piece's file."""
    widths = {(c.reading, c.where, c.stat): width_of(c.limits) for c in criteria}
    readings = []
    for r in base.assessed.readings:
        width = next((w for (reading, where, stat), w in widths.items() if reading == r.id and where in (None, r.where) and stat in (None, r.stat)), None)  # fmt: skip
        if width is None or r.value is None:
            continue
        value = r.value + rng.normal(0.0, SPREAD * width)
        readings.append(replace(r, value=float(abs(value) if r.value >= 0.0 else value)))
    unmeasured = [r for r in base.assessed.readings if r.value is None]
    words = {
        "simulated": True, "modelled": True, "about": "readings drawn from a normal distribution about those of a truly measured simulated piece",
        "level": base.level, "spread_in_widths_of_the_limits": SPREAD, "draw": int(rng.integers(2**53)),
    }  # fmt: skip
    made = replace(base.assessed, readings=(*_bounded(readings), *unmeasured), text=b"", drawings={})
    return made, json.dumps(words, indent=1).encode()


def _bounded(readings: Sequence[Reading]) -> Iterator[Reading]:
    """Shares stay between 0 and 1."""
    for r in readings:
        yield replace(r, value=min(r.value, 1.0)) if r.unit == "1" and r.value is not None and r.value > 1.0 else r


def width_of(limits: tuple[float, float]) -> float:
    """How far limits lie apart; of one alone, its own size. In the reading's unit."""
    low, high = limits
    if np.isfinite(low) and np.isfinite(high):
        return high - low
    edge = high if np.isfinite(high) else low
    return max(abs(edge), 0.1) if np.isfinite(edge) else 0.1


def give_view(
    tx: Transaction,
    making: Making,
    piece: kept.Piece,
    criteria: Sequence[CriterionLine],
    assessed: Assessed,
    level: float,
) -> None:
    """What this learner thinks of it: their eye sees the reading with an error, kindly where the hand is new."""
    values = {r.key: r for r in assessed.readings}
    own = kept.OwnView(id=kept.new_id(), piece_id=piece.id, learner_id=piece.learner_id, made_at=tx.now)
    parts = []
    for c in criteria:
        view, confidence = _seen(values.get((c.reading, c.where, c.stat)), c.limits, level, making.rng)
        parts.append(kept.OwnViewed(own_view_id=own.id, criterion=c.position, view=view, confidence=confidence))
    tx.keep(own, *parts, actor=f"person {piece.learner_id}", action="own view given", about=f"piece {piece.id}")


def _seen(
    reading: Reading | None, limits: tuple[float, float], level: float, rng: np.random.Generator
) -> tuple[str, str | None]:
    if reading is None or reading.value is None or rng.random() < 0.06:
        return "cannot tell", None
    width = width_of(limits)
    looked = reading.value + rng.normal(0.0, (0.45 - 0.25 * level) * width)
    slack = (0.25 - 0.25 * level) * width
    inside = limits[0] - slack <= looked <= limits[1] + slack
    away = min(abs(looked - edge) for edge in limits if np.isfinite(edge)) / width if any(np.isfinite(limits)) else 1.0
    return ("inside" if inside else "outside"), ("guess" if away < 0.12 else "fairly sure" if away < 0.4 else "sure")
