"""Readings: one file per family, one function per reading, one tuple that lists them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

from kerfmark.measurement.access import ACCESS
from kerfmark.measurement.block import BLOCK
from kerfmark.measurement.budget import unmeasured
from kerfmark.measurement.cavity import CAVITY
from kerfmark.measurement.crown import CROWN
from kerfmark.measurement.implant import IMPLANT
from kerfmark.measurement.line import LINE
from kerfmark.measurement.measures import Measure
from kerfmark.measurement.monte_carlo import MonteCarlo, with_simulated_u
from kerfmark.measurement.process import PROCESS, events
from kerfmark.measurement.surface import COMMON
from kerfmark.records import Piece, Reading

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = ["MEASURES", "Key", "Measure", "MonteCarlo", "events", "measure"]

THREADS = 2
Key: TypeAlias = tuple[str, str | None, str | None]

MEASURES: tuple[Measure, ...] = (*CROWN, *CAVITY, *ACCESS, *BLOCK, *LINE, *IMPLANT, *COMMON, *PROCESS)
"""Every measure, in the order in which readings are given."""


def measure(
    piece: Piece,
    prepared: Prepared,
    *,
    wanted: frozenset[Key] | None = None,
    monte_carlo: MonteCarlo | None = None,
) -> tuple[Reading, ...]:
    """Take the readings of one piece that its exercise's family has, those common to all, and of a motion those of its process.

    Parameters
    ----------
    piece : Piece
        Aligned, in the tooth frame.
    prepared : Prepared
    wanted : frozenset of (id, where, stat), optional
        Only what these ask for is worked out and given back; a None in a key stands for any. Everything when left out.
    monte_carlo : MonteCarlo, optional
        Take the uncertainties from simulated repeats (JCGM 101) instead of from the budgets.

    Returns
    -------
    readings : tuple of Reading
        In the order of `MEASURES`, whatever the piece; what has no number says why.
    """
    if monte_carlo is not None:
        return with_simulated_u(piece, lambda p: measure(p, prepared, wanted=wanted), monte_carlo)
    recorded = piece.motion is not None or prepared.exercise.source.kind == "motion"
    chosen = _chosen(prepared.exercise.family, wanted, recorded=recorded)
    context = _contexts(piece, prepared)
    shared: dict[int, list[int]] = {}
    for n, m in enumerate(chosen):
        shared.setdefault(id(context(m)), []).append(n)
    found: dict[int, tuple[Reading, ...]] = {}

    def take(numbers: list[int]) -> None:
        for n in numbers:
            found[n] = _taken(chosen[n], context, piece, prepared)

    with ThreadPoolExecutor(THREADS) as pool:  # readings that share work stay on one thread
        list(pool.map(take, shared.values()))
    readings = [reading for n in range(len(chosen)) for reading in found[n]]
    return tuple(r for r in readings if wanted is None or any(_fits(r.key, key) for key in wanted))


def _chosen(family: str, wanted: frozenset[Key] | None, *, recorded: bool) -> Sequence[Measure]:
    ids = None if wanted is None else {key[0] for key in wanted}
    families = (family, "common", *(("process",) if recorded else ()))
    return [m for m in MEASURES if m.family in families and (ids is None or m.id in ids)]


def _contexts(piece: Piece, prepared: Prepared) -> Callable[[Measure], Any]:
    """Each family's shared work, made once; one that is also another's kind serves both."""
    made: list[tuple[Any, Any]] = []

    def context(m: Measure) -> Any:
        for maker, thing in made:
            if maker is m.context or (isinstance(m.context, type) and isinstance(thing, m.context)):
                return thing
        made.append((m.context, m.context(piece, prepared)))
        return made[-1][1]

    return context


def _taken(m: Measure, context: Callable[[Measure], Any], piece: Piece, prepared: Prepared) -> tuple[Reading, ...]:
    """A measure's readings; all but the crown's need the state before cutting, and of a plan nothing is cut."""
    if piece.plan is not None and m.family == "common":
        return _none_of(m, "the piece is a plan", status="not_applicable")
    if prepared.subject is not None or m.family == "crown":
        return m.function(context(m))
    return _none_of(m, "no scan before cutting", status="not_measurable")


def _none_of(m: Measure, why: str, *, status: Literal["not_applicable", "not_measurable"]) -> tuple[Reading, ...]:
    return tuple(
        unmeasured(m.id, why, unit=m.unit, where=where, stat=stat, status=status)
        for where in m.wheres or (None,)
        for stat in m.stats or (None,)
    )


def _fits(key: Key, wanted: Key) -> bool:
    return key[0] == wanted[0] and all(w is None or k == w for k, w in zip(key[1:], wanted[1:], strict=True))
