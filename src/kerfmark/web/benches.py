"""Readings of many pieces held in memory while limits are dragged; loaded anew once something was measured or marked."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from threading import Lock

import numpy as np

from kerfmark.records import Limits2
from kerfmark.sittings.happened import last_audit_number
from kerfmark.sittings.limits import Bench, Ruled, open_bench
from kerfmark.sittings.overview import SittingLine, sitting, sittings
from kerfmark.sittings.rights import Actor
from kerfmark.storage import Store

__all__ = ["Benches", "Held", "Trial"]

HELD = 8
NAMED = 3000
"""Up to so many pieces are shown with codes and sites; of more only the counts."""


@dataclass(frozen=True, slots=True, eq=False)
class Held:
    """A bench with what pieces are called and where they were cut, and how all of it stands under the exercise's own limits."""

    bench: Bench
    before: Ruled
    names: dict[str, str]
    sites: dict[str, str]
    open_sittings: tuple[SittingLine, ...]
    number: int


@dataclass(frozen=True, slots=True)
class Trial:
    """Limits on trial: by criterion's number, those that differ from the exercise's own."""

    limits: dict[int, Limits2]

    def of(self, bench: Bench) -> tuple[np.ndarray, np.ndarray]:
        """Lower and upper limits of every criterion."""
        pairs = [self.limits.get(c.number, c.limits) for c in bench.criteria]
        return np.array([low for low, _ in pairs]), np.array([high for _, high in pairs])


class Benches:
    """Benches by exercise and by what a person may see, in the order of last use."""

    def __init__(self) -> None:
        self._held: OrderedDict[tuple[str, frozenset[str | None]], Held] = OrderedDict()
        self._lock = Lock()

    def of(self, store: Store, actor: Actor, exercise_id: str) -> Held:
        """The bench of an exercise as it stands now."""
        key = exercise_id, actor.sites("limits.see")
        with self._lock:
            number = last_audit_number(store)
            held = self._held.get(key)
            if held is None or held.number != number:
                held = self._held[key] = _held(store, actor, exercise_id, number)
            self._held.move_to_end(key)
            while len(self._held) > HELD:
                self._held.popitem(last=False)
            return held


def _held(store: Store, actor: Actor, exercise_id: str, number: int) -> Held:
    bench = open_bench(store, actor, exercise_id)
    lines = [line for line in sittings(store, actor) if line.exercise_id == exercise_id]
    names: dict[str, str] = {}
    sites: dict[str, str] = {}
    for line in lines if len(bench.pieces) <= NAMED else ():
        for seat in sitting(store, actor, line.id).seats:
            for piece_id, attempt, _, _ in seat.pieces:
                names[piece_id], sites[piece_id] = f"{seat.code}-{attempt}", line.site
    still_open = tuple(line for line in lines if line.state != "released")
    return Held(bench, bench.ruled(), names, sites, still_open, number)
