"""What examiners and a board of an invented school decide, and what is read again for them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import product
from typing import TYPE_CHECKING, Final

import numpy as np

from kerfmark.demo.board import PANEL, rows_text
from kerfmark.demo.school.making import EXAM, EXAMINERS, WEEK, Making
from kerfmark.demo.school.people import SCANNERS
from kerfmark.demo.school.pieces import width_of
from kerfmark.evidence import panel_of
from kerfmark.records import Reading
from kerfmark.sittings.apart import Assessed
from kerfmark.sittings.board import add_paper, sign_line
from kerfmark.sittings.examining import Word, examine
from kerfmark.sittings.exercises import CriterionLine, criteria_of, pass_of
from kerfmark.sittings.marks import Standing, open_criteria, standings
from kerfmark.sittings.roles import actor_of
from kerfmark.sittings.work import keep_rereading
from kerfmark.statistics.panels import angoff
from kerfmark.storage import schema as kept

if TYPE_CHECKING:
    pass

__all__ = ["board_meets", "examine_some", "read_some_again"]

NOTES: Final = {
    "met": ("Just inside on the section.", "Inside: the far wall carries the reading.", "Within limits where it matters."),
    "not met": ("Outside on the section, on the far side.", "A little too far here; see the marked place.", "Short of the limit along the floor."),
}  # fmt: skip
REFERENCES, REREAD, OFFSET = 10, 3, 0.5
"""Pieces of the exam read again on both scanners of its site, how often on each, and how far the second lies from the first, in standard
uncertainties of the reading [a choice, for show]."""
LINE: Final = "modified Angoff"
LINE_REASON: Final = "few pieces have an examiner's overall view yet, so the panel's judgement decides; to be held against the regression once the queue is empty"
ACTED: Final = (
    ("about", "action", "owner", "by"),
    ("scanner 3", "calibrate on the ball plate and read ten pieces of the exam again", "Sunniva Holt (invented)", ""),
)


def examine_some(making: Making, sitting_id: str, at: datetime) -> None:
    """Examiners have begun: two thirds of what waits was seen by one, a third of that by two; the rest is the queue."""
    with making.store.read() as tx:
        sitting = tx.get(kept.Sitting, sitting_id)
        assert sitting is not None
        version = tx.get(kept.ExerciseVersion, sitting.exercise_version_id)
        assert version is not None
        pass_, found = pass_of(version), list(standings(tx, kept.Piece.sitting_id == sitting_id).values())
    waiting = [s for s in found if s.word == "waits for examiner" and s.marked is not None]
    actors = [actor_of(making.store, making.people[f"examiner{n + 1}"]) for n in range(EXAMINERS)]
    for n, s in enumerate(waiting):
        if n % 3 == 0:
            continue
        for who in range(2 if n % 3 == 1 and n % 2 else 1):
            assert s.marked is not None
            rulings = _decided(s, open_criteria(s.marked, pass_), making.rng)
            store = making.store.at(lambda when=at + timedelta(minutes=9 * n + 60 * who): when)  # type: ignore[misc]
            grade = int(np.clip(round(making.rng.normal(3.0 if (s.percent or 0.0) > 60.0 else 2.2, 0.8)), 1, 5))
            word = examine(store, actors[(n + who) % EXAMINERS], s.piece.id, rulings, grade=grade)
            if word != "waits for second examiner":
                break
    making.say(
        f"exam: {len(waiting)} of {len(found)} pieces went to examiners, of which {len(waiting[::3])} still wait"
    )


def _decided(s: Standing, open_: Sequence[int], rng: np.random.Generator) -> dict[int, tuple[Word, str]]:
    """An examiner's words on what is open: by the side the reading lies on, with an error."""
    assert s.marked is not None
    rulings: dict[int, tuple[Word, str]] = {}
    for at in open_:
        p = s.marked.rulings[at].probability_inside
        word: Word = "met" if rng.random() < (0.5 if p is None else p) else "not met"
        rulings[at] = word, NOTES[word][int(rng.integers(len(NOTES[word])))]
    return rulings


def board_meets(making: Making) -> None:
    """The exam's panel has judged, an action is agreed, and the lead has signed a pass line, for the exam and for all marks."""
    store = making.store.at(lambda: making.began + 11 * WEEK + timedelta(days=3))
    lead = actor_of(making.store, making.people["lead"])
    for exercise in (EXAM, ""):
        add_paper(store, lead, "panel", rows_text(PANEL), exercise=exercise)
        add_paper(store, lead, "actions", rows_text(ACTED), exercise=exercise)
        cut = angoff(panel_of(rows_text(PANEL), name="panel").angoff).cut
        sign_line(
            store, lead, exercise=exercise, method=LINE, percent=cut.value, se=cut.se, reason=LINE_REASON,
            basis={"panel": "six invented judges", "simulated": True},
        )  # fmt: skip
    making.say(f"the board (invented) has signed a pass line: {LINE}, {cut.value:.1f}")


def read_some_again(making: Making, sitting_id: str, at: datetime) -> None:
    """A gauge study: pieces of the exam on both scanners of its site; modelled about the reading each mark rests on, and said to be so."""
    with making.store.at(lambda: at).write() as tx:
        sitting = tx.get(kept.Sitting, sitting_id)
        assert sitting is not None
        criteria = criteria_of(tx, sitting.exercise_version_id)
        pieces = tx.all(
            kept.Piece, kept.Piece.sitting_id == sitting_id, order=[kept.Piece.received_at], limit=REFERENCES
        )
        scanners = [device for device, site, _ in SCANNERS if making.sites[site] == sitting.site_id]
        for n, (_, piece) in enumerate(product(range(REREAD), pieces)):
            assessment = tx.one(kept.Assessment, kept.Assessment.piece_id == piece.id)
            assert assessment is not None
            rows = tx.all(
                kept.Reading, kept.Reading.assessment_id == assessment.id, kept.Reading.criterion.is_not(None)
            )
            for number, device in enumerate(scanners):
                tx.now = at + timedelta(minutes=6 * n + 3 * number)
                made = Assessed(
                    assessment.kerfmark,
                    assessment.kind,
                    assessment.rms_um,
                    assessment.overlap,
                    _read_again(rows, criteria, OFFSET * number, making.rng),
                    b"",
                )
                keep_rereading(
                    tx, piece, made, device=device, blob=None, read_by=making.people["technician"], modelled=True
                )
    making.say(
        f"gauge study: {len(pieces)} pieces of the exam read {REREAD} times more on each of {len(scanners)} scanners (modelled)"
    )


def _read_again(
    rows: Sequence[kept.Reading], criteria: Sequence[CriterionLine], offset: float, rng: np.random.Generator
) -> tuple[Reading, ...]:
    """Readings of a piece once more: apart by their standard uncertainty, or a hundredth of the limits' width where they have none."""
    made = []
    for r in rows:
        if r.value is None or r.criterion is None:
            continue
        sd = r.u or 0.01 * width_of(criteria[r.criterion].limits)
        made.append(Reading(r.reading, r.where, r.stat, r.value + sd * (offset + float(rng.normal())), r.unit, r.u))
    return tuple(made)
