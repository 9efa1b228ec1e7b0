"""The limits bench: every stored piece of an exercise ruled anew while a limit is dragged, and limits put into force."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfmark.errors import ConflictError, InputError, MissingError
from kerfmark.marking import CODE_WORDS, SAME_PERCENT, Code, mark, percent_bounds, rule_many
from kerfmark.records import FloatArray, Ruling
from kerfmark.sittings.exercises import CriterionLine, PassLine, criteria_of, opened, pass_of
from kerfmark.sittings.marks import standings
from kerfmark.sittings.rights import Actor, may, require
from kerfmark.sittings.work import in_force, keep_marking
from kerfmark.storage import Store, Transaction, func, select
from kerfmark.storage import schema as kept

__all__ = ["Bench", "Ruled", "change_limits", "open_bench"]


@dataclass(frozen=True, slots=True, eq=False)
class Ruled:
    """Every piece ruled under some limits.

    Attributes
    ----------
    probability : (n, m) float array
        Of lying inside; NaN where nothing was measured.
    code : (n, m) int8 array
        Values of `marking.Code`.
    percent : (n,) float array
        Earned already, by the weights.
    least_outcome, most_outcome : (n,) bool array
        Whether the piece passes if everything a person has to decide is not met, or met; where they differ it is referred.
    """

    probability: FloatArray
    code: NDArray[np.int8]
    percent: FloatArray
    least_outcome: NDArray[np.bool_]
    most_outcome: NDArray[np.bool_]

    def counts(self) -> dict[str, NDArray[np.int64]]:
        """How many pieces are met, too close to call, not met, not measurable, by criterion."""
        return {CODE_WORDS[code]: np.count_nonzero(self.code == code, axis=0) for code in Code}


@dataclass(frozen=True, slots=True, eq=False)
class Bench:
    """The readings of many pieces of one exercise version, as matrices: one row a piece, one column a criterion.

    Attributes
    ----------
    pieces : tuple of str
        Their ids, in the order received.
    values, u : (n, m) float arrays
        NaN where not measured.
    applies : (n, m) bool array
        False where a criterion does not apply to a piece and leaves the sum.
    criteria : tuple of CriterionLine
        With the exercise's own limits.
    """

    pieces: tuple[str, ...]
    values: FloatArray
    u: FloatArray
    applies: NDArray[np.bool_]
    criteria: tuple[CriterionLine, ...]
    pass_: PassLine

    def ruled(self, lower: ArrayLike | None = None, upper: ArrayLike | None = None) -> Ruled:
        """Rule every piece under some limits; the exercise's own where left out.

        Parameters
        ----------
        lower, upper : (m,) float arrays
            Closed; infinite where open.
        """
        low = np.array([c.limits[0] for c in self.criteria]) if lower is None else np.asarray(lower, dtype=float)
        high = np.array([c.limits[1] for c in self.criteria]) if upper is None else np.asarray(upper, dtype=float)
        if np.any(low >= high):
            raise InputError("a lower limit is not below its upper one, expected it to be. Correct the limits.")
        probability, code = rule_many(self.values, self.u, low, high, met_at=self.pass_.met_at)
        weights = np.array([c.weight for c in self.criteria])
        critical = np.array([c.critical for c in self.criteria])
        met, unmet, unsure = self._settled(code)
        whole = self.applies @ weights
        with np.errstate(divide="ignore", invalid="ignore"):
            percent = 100.0 * (met @ weights) / whole
            most = 100.0 * ((met | unsure) @ weights) / whole
        line = self.pass_.minimum_percent - SAME_PERCENT
        least_outcome = (percent >= line) & ~((unmet | unsure) & critical).any(axis=1)
        most_outcome = (most >= line) & ~(unmet & critical).any(axis=1)
        return Ruled(probability, code, percent, least_outcome, most_outcome)

    def _settled(self, code: NDArray[np.int8]) -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]]:
        """Met, not met, and for a person, once the exercise's policy on what is too close to call is applied."""
        close = code == Code.TOO_CLOSE
        met, unmet = code == Code.MET, code == Code.NOT_MET
        if self.pass_.too_close == "benefit":
            met, close = met | close, np.zeros_like(close)
        elif self.pass_.too_close == "strict":
            unmet, close = unmet | close, np.zeros_like(close)
        return met, unmet, close | ((code == Code.NOT_MEASURABLE) & self.applies)


def open_bench(store: Store, actor: Actor, exercise_id: str, *, sitting_ids: Sequence[str] | None = None) -> Bench:
    """The readings of every piece of an exercise version that the actor may see, or of some sittings.

    Loading takes a second for tens of thousands of pieces; keep the bench while limits are dragged: `ruled` takes milliseconds.
    """
    with store.read() as tx:
        exercise = tx.get(kept.ExerciseVersion, exercise_id)
        sittings = [
            s
            for s in tx.all(kept.Sitting, kept.Sitting.exercise_version_id == exercise_id)
            if may(actor, "limits.see", s.site_id) and (sitting_ids is None or s.id in sitting_ids)
        ]
        if exercise is None or (sitting_ids is not None and not sittings):
            raise MissingError("there is no such exercise or sitting. Choose one of the list.")
        criteria = criteria_of(tx, exercise_id)
        pieces, values, u, applies = _matrices(tx, [s.id for s in sittings], len(criteria))
        return Bench(pieces, values, u, applies, criteria, pass_of(exercise))


def change_limits(
    store: Store, actor: Actor, sitting_id: str, limits: Sequence[tuple[float, float]] | None, *, reason: str
) -> int:
    """Put limits into force for a sitting (None: the exercise's own again) and mark every piece of it anew; returns how many.

    Earlier markings and signatures stay; every piece has to be examined, where it waits, and signed again.

    Raises
    ------
    ConflictError
        If the sitting's marks were released: a released mark changes by an appeal only. Or the limits are in force already: marking
        anew would send what was examined back to its examiners for nothing.
    """
    if not reason.strip():
        raise InputError("no reason is given, expected one: it stands on every marking. Write it.")
    with store.write() as tx:
        sitting = tx.get(kept.Sitting, sitting_id, lock=True)
        if sitting is None or not may(actor, "sitting.see", sitting.site_id):
            raise MissingError("there is no such sitting. Choose one of the list.")
        require(actor, "limits.change", sitting.site_id)
        if sitting.state == "released":
            raise ConflictError(
                "the marks were released, and a released mark changes by an appeal only. Nothing was changed."
            )
        exercise = tx.get(kept.ExerciseVersion, sitting.exercise_version_id)
        assert exercise is not None
        own = criteria_of(tx, exercise.id)
        if limits is not None and (len(limits) != len(own) or any(not low < high for low, high in limits)):
            raise InputError(
                f"limits are given of {len(limits)} criteria, expected a lower and a higher one of each of the {len(own)}. Correct them."
            )
        wanted = None if limits is None else [[opened(low), opened(high)] for low, high in limits]
        if in_force(own, wanted) == in_force(own, sitting.limits):
            raise ConflictError("these limits are in force in this sitting already. Nothing was changed.")
        sitting.limits = wanted
        tx.say(str(actor), "limits changed", f"sitting {sitting_id}", limits=sitting.limits)
        return _mark_anew(tx, actor, sitting, in_force(own, sitting.limits), pass_of(exercise), reason.strip())


def _mark_anew(
    tx: Transaction,
    actor: Actor,
    sitting: kept.Sitting,
    criteria: Sequence[CriterionLine],
    pass_: PassLine,
    reason: str,
) -> int:
    """A new marking of every piece from its stored readings."""
    found = [s for s in standings(tx, kept.Piece.sitting_id == sitting.id).values() if s.marked is not None]
    if not found:
        return 0
    values, u, _ = _of_assessments(tx, [s.marked.assessment_id for s in found if s.marked], len(criteria))
    low, high = (np.array([c.limits[side] for c in criteria]) for side in (0, 1))
    probability, code = rule_many(values, u, low, high, met_at=pass_.met_at)
    for at, s in enumerate(found):
        assert s.marked is not None
        rulings = tuple(
            _ruling(c, old, float(probability[at, j]), Code(code[at, j]))
            for j, (c, old) in enumerate(zip(criteria, s.marked.rulings, strict=True))
        )
        keep_marking(
            tx, s.piece.id, s.marked.assessment_id, s.marked.number + 1, rulings, mark(rulings, pass_),
            bounds=percent_bounds(rulings, pass_), actor=str(actor), why=reason,
        )  # fmt: skip
    return len(found)


def _ruling(criterion: CriterionLine, old: Ruling, probability: float, code: Code) -> Ruling:
    measured = code is not Code.NOT_MEASURABLE
    return Ruling(
        criterion.reading, criterion.where, criterion.stat, criterion.limits, probability if measured else None,
        CODE_WORDS[code] if measured else old.ruling, criterion.weight, criterion.critical,
    )  # fmt: skip


def _matrices(
    tx: Transaction, sitting_ids: Sequence[str], criteria: int
) -> tuple[tuple[str, ...], FloatArray, FloatArray, NDArray[np.bool_]]:
    """Readings of the last assessment of each piece, by piece and criterion."""
    last = (
        select(kept.Piece.id, func.max(kept.Marking.number).label("number"))
        .join(kept.Marking, kept.Marking.piece_id == kept.Piece.id)
        .where(kept.Piece.sitting_id.in_(sitting_ids), kept.Piece.erased_at.is_(None))
        .group_by(kept.Piece.id)
        .subquery()
    )
    query = (
        select(kept.Marking.piece_id, kept.Marking.assessment_id)
        .join(last, (last.c.id == kept.Marking.piece_id) & (last.c.number == kept.Marking.number))
        .join(kept.Piece, kept.Piece.id == kept.Marking.piece_id)
        .order_by(kept.Piece.received_at, kept.Piece.id)
    )
    rows = tx.rows(query)
    of = [row.assessment_id for row in rows]
    return tuple(row.piece_id for row in rows), *_of_assessments(tx, of, criteria, sitting_ids=sitting_ids)


def _of_assessments(
    tx: Transaction, assessments: Sequence[str], criteria: int, *, sitting_ids: Sequence[str] | None = None
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Values, uncertainties and what applies, one row an assessment."""
    values = np.full((len(assessments), criteria), np.nan)
    u, applies = values.copy(), np.ones(values.shape, bool)
    at = {assessment: row for row, assessment in enumerate(assessments)}
    query = select(kept.Reading.assessment_id, kept.Reading.criterion, kept.Reading.value, kept.Reading.u)
    query = query.join(kept.Assessment, kept.Assessment.id == kept.Reading.assessment_id)
    query = query.where(kept.Reading.criterion.is_not(None), kept.Reading.status != "not_measurable")
    if sitting_ids is not None:
        query = query.join(kept.Piece, kept.Piece.id == kept.Assessment.piece_id)
        query = query.where(kept.Piece.sitting_id.in_(sitting_ids))
    else:
        query = query.where(kept.Reading.assessment_id.in_(assessments))
    found = [
        (at[a], c, np.nan if v is None else v, np.nan if s is None else s) for a, c, v, s in tx.rows(query) if a in at
    ]
    if found:
        rows, columns, v, s = (np.array(column) for column in zip(*found, strict=True))
        values[rows, columns], u[rows, columns] = v, s
        applies[rows, columns] = ~np.isnan(v)  # not measurable ones were left out above
    return values, u, applies
