"""A small school for the tests of flows and of pages: sittings in it, pieces handed in, and measuring made up."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from kerfmark.records import Reading
from kerfmark.sittings.apart import Assessed, SetAside
from kerfmark.sittings.exercises import CriterionLine, criteria_of
from kerfmark.sittings.handing_in import Receipt, hand_in
from kerfmark.sittings.judging import give_own_view
from kerfmark.sittings.opening import open_sitting
from kerfmark.sittings.rights import Actor
from kerfmark.sittings.roles import actor_of
from kerfmark.sittings.seating import appoint, seat_learners
from kerfmark.sittings.work import claim, finish
from kerfmark.storage import Store
from kerfmark.storage.schema import Piece

U = 0.01
"""Standard uncertainty of every made-up reading."""


@dataclass
class School:
    """Two sites and their people, by the names in `ids`.

    `seated` have a seat in every sitting, the first of them cuts where nobody is named; `appointed` examine it; `drawings` are
    what measuring draws.
    """

    store: Store
    site: str
    other_site: str
    exercise: str
    ids: dict[str, str]
    seated: tuple[str, ...]
    appointed: tuple[str, ...] = ()
    drawings: Mapping[str, bytes] = field(default_factory=dict)

    def __getitem__(self, who: str) -> Actor:
        """The person of that name as an actor."""
        return actor_of(self.store, self.ids[who])

    @property
    def criteria(self) -> tuple[CriterionLine, ...]:
        """Of the exercise."""
        with self.store.read() as tx:
            return criteria_of(tx, self.exercise)

    def sitting(self, kind: str = "practice", **options) -> str:
        """An open sitting with learners and examiners."""
        given = {"title": f"A {kind}", "site_id": self.site, "exercise_id": self.exercise, "kind": kind, **options}
        made = open_sitting(self.store, self["teacher"], **given)
        seat_learners(self.store, self["teacher"], made, [self.ids[who] for who in self.seated])
        for who in self.appointed:
            appoint(self.store, self["teacher"], made, self.ids[who], "examiner")
        return made

    def handed_in(self, sitting: str, who: str | None = None, content: bytes = b"solid piece") -> Receipt:
        """A piece that waits to be measured."""
        actor = self[who or self.seated[0]]
        return hand_in(self.store, actor, content=content, file_name="piece.stl", sitting_id=sitting)

    def received(self, sitting: str, who: str | None = None, content: bytes = b"solid piece") -> str:
        """As `handed_in`; its id."""
        return self.handed_in(sitting, who, content).piece_id

    def measured(
        self, sitting: str, who: str | None = None, where: Sequence[str] = (), content: bytes = b"solid piece"
    ) -> str:
        """A piece handed in and measured: each criterion `in`, `out` or `on` its limit; `in` where nothing is said."""
        piece_id = self.received(sitting, who, content)
        taken = claim(self.store, "a test", seconds=60)
        assert taken is not None
        assert finish(self.store, taken, assessed(self.criteria, where, self.drawings))
        return piece_id

    def set_aside(self, sitting: str, who: str | None = None, content: bytes = b"a broken file") -> str:
        """A piece that could not be measured."""
        piece_id = self.received(sitting, who, content)
        taken = claim(self.store, "a test", seconds=60)
        assert taken is not None
        assert finish(self.store, taken, SetAside("piece.stl: it is no surface. Scan it again."))
        return piece_id

    def judge(self, piece_id: str, who: str | None = None, view: str = "inside") -> None:
        """An own view that says the same of every criterion."""
        confidence = None if view == "cannot tell" else "sure"
        views = dict.fromkeys(range(len(self.criteria)), (view, confidence))
        give_own_view(self.store, self[who or self.seated[0]], piece_id, views)


def assessed(
    criteria: Sequence[CriterionLine], where: Sequence[str] = (), drawings: Mapping[str, bytes] | None = None
) -> Assessed:
    """What measuring might have given: each criterion `in`, `out` or `on` its limit."""
    words = [*where, *["in"] * len(criteria)]
    readings = tuple(
        Reading(c.reading, c.where, c.stat, _value(c.limits, word), c.unit, U)
        for c, word in zip(criteria, words, strict=False)
    )
    return Assessed("0", "scan", 8.0, 0.95, readings, b'{"kerfmark": "0"}', drawings or {})


def _value(limits: tuple[float, float], word: str) -> float:
    low, high = limits
    edge = high if math.isfinite(high) else low
    outwards = 1.0 if math.isfinite(high) else -1.0
    inside = 0.5 * (low + high) if math.isfinite(low) and math.isfinite(high) else edge - outwards
    return {"in": inside, "out": edge + outwards, "on": edge}[word]


def piece_row(store: Store, piece_id: str) -> Piece:
    """A piece as the store keeps it."""
    with store.read() as tx:
        return tx.get(Piece, piece_id)
