"""How a piece stands: its last marking, what examiners decided on it, what that comes to, and who signed.

Nothing here is kept: a standing is worked out from the kept rows each time, the same way for a page, a signature and an appeal.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, TypeAlias

from kerfmark.marking import DECIDED, mark
from kerfmark.records import Mark, Ruling, RulingWord
from kerfmark.sittings.exercises import CriterionLine, PassLine, closed, criteria_of, pass_of
from kerfmark.storage import Transaction, Where, select
from kerfmark.storage import schema as kept

__all__ = ["UPHELD", "Examined", "Marked", "Standing", "StandingWord", "differing", "standing", "standings"]

StandingWord: TypeAlias = Literal[
    "received",
    "set aside",
    "waits for examiner",
    "waits for second examiner",
    "waits for moderator",
    "settled",
    "signed",
]
Rule: TypeAlias = Literal["limits", "examiner", "agreed", "average", "moderator"]
SAME_PERCENT = 1e-9
UPHELD = "appeal upheld"
"""Why a marking was made that a person has to look at, whatever the limits say."""


@dataclass(frozen=True, slots=True)
class Marked:
    """A marking: the mark that the limits of its time make of an assessment's readings."""

    id: str
    assessment_id: str
    number: int
    rulings: tuple[Ruling, ...]
    mark: Mark
    why: str


@dataclass(frozen=True, slots=True)
class Examined:
    """One examination of the marking that counts. `words` by criterion; `notes` are read by the learner."""

    id: str
    marking_id: str
    examiner_id: str
    part: str
    words: Mapping[int, RulingWord]
    notes: Mapping[int, str]
    note: str
    grade: int | None
    percent: float | None


@dataclass(frozen=True, slots=True)
class Standing:
    """How a piece stands.

    Attributes
    ----------
    word : str
        What it waits for, `settled` where nothing is left but a signature, `signed`.
    marked : Marked or None
        The last marking.
    examined : tuple of Examined
        Of that marking, in order of part.
    rulings : tuple of Ruling
        What counts of each criterion, as far as it is decided.
    percent, outcome : float or None, str
        What that comes to: `pass`, `fail` or `refer`.
    rule : str
        What made it so.
    signature : Signature row or None
        The last one; where it is of an earlier marking the piece has to be signed again.
    """

    piece: kept.Piece
    word: StandingWord
    marked: Marked | None = None
    examined: tuple[Examined, ...] = ()
    rulings: tuple[Ruling, ...] = ()
    percent: float | None = None
    outcome: Literal["pass", "fail", "refer"] = "refer"
    rule: Rule = "limits"
    signature: kept.Signature | None = None


@dataclass(frozen=True, slots=True)
class _Terms:
    """What a sitting's pieces are settled by."""

    sitting: kept.Sitting
    criteria: tuple[CriterionLine, ...]
    pass_: PassLine


def standing(tx: Transaction, piece: kept.Piece) -> Standing:
    """How one piece stands."""
    return standings(tx, kept.Piece.id == piece.id)[piece.id]


def standings(tx: Transaction, *where: Where) -> dict[str, Standing]:
    """How every piece that fits stands, by id, in the order received; a handful of queries whatever their number."""
    pieces = tx.all(kept.Piece, *where, order=[kept.Piece.received_at, kept.Piece.id])
    ids = select(kept.Piece.id).where(*where)
    terms = _terms(tx, {p.sitting_id for p in pieces})
    codes = {r.id: r.code for r in tx.rows(select(kept.Seat.id, kept.Seat.code).where(kept.Seat.id.in_(select(kept.Piece.seat_id).where(*where))))}  # fmt: skip
    markings = {
        m.piece_id: m for m in tx.all(kept.Marking, kept.Marking.piece_id.in_(ids), order=[kept.Marking.number])
    }
    of = select(kept.Marking.id).where(kept.Marking.piece_id.in_(ids))
    query = select(
        kept.Ruling.marking_id, kept.Ruling.criterion, kept.Ruling.lower, kept.Ruling.upper, kept.Ruling.probability_inside,
        kept.Ruling.ruling,
    )  # fmt: skip
    rulings = _grouped(
        tx.rows(query.where(kept.Ruling.marking_id.in_(of)).order_by(kept.Ruling.criterion)), "marking_id"
    )
    examined = _examined(tx, ids)
    signed = {
        s.piece_id: s for s in tx.all(kept.Signature, kept.Signature.piece_id.in_(ids), order=[kept.Signature.number])
    }
    return {
        p.id: _standing(
            p,
            terms[p.sitting_id],
            codes[p.seat_id],
            _marked(markings.get(p.id), rulings, terms[p.sitting_id]),
            examined.get(p.id, []),
            signed.get(p.id),
        )
        for p in pieces
    }


def differing(examined: Sequence[Examined]) -> tuple[int, ...]:
    """Criteria on which first and second examiner said something else."""
    words = [e.words for e in examined if e.part in ("first", "second")]
    if len(words) < 2:
        return ()
    return tuple(sorted(k for k in {*words[0], *words[1]} if words[0].get(k) != words[1].get(k)))


def decided(rulings: Sequence[Ruling], words: Mapping[int, RulingWord]) -> tuple[Ruling, ...]:
    """The rulings with an examiner's words put in."""
    return tuple(replace(r, ruling=words.get(at, r.ruling)) for at, r in enumerate(rulings))


def open_criteria(marked: Marked, pass_: PassLine) -> tuple[int, ...]:
    """Criteria of a marking that a person has to decide."""
    return tuple(
        at
        for at, r in enumerate(marked.rulings)
        if r.ruling not in (*DECIDED, "not applicable")
        and not (r.ruling == "too close to call" and pass_.too_close != "refer")
    )


def wanted(sitting: kept.Sitting, code: str, marked: Marked, pass_: PassLine) -> int:
    """How many examiners a piece needs: 0 where the limits decide, 1 or 2."""
    least = 1 if open_criteria(marked, pass_) or marked.why == UPHELD else 0
    if sitting.second == "all":
        return 2
    if sitting.second == "unsure":
        percent = marked.mark.percent
        near = percent is not None and abs(percent - pass_.minimum_percent) <= sitting.agree_percent
        return 2 if near or marked.mark.outcome == "refer" else least
    if sitting.second == "part":
        drawn = int(hashlib.sha256(f"{sitting.id} {code}".encode()).hexdigest(), 16) / 2**256
        return 2 if drawn < sitting.second_share else least
    return least


def _standing(
    piece: kept.Piece,
    terms: _Terms,
    code: str,
    marked: Marked | None,
    examined: list[Examined],
    signature: kept.Signature | None,
) -> Standing:
    if piece.state != "assessed" or marked is None:
        return Standing(piece, "set aside" if piece.state == "set aside" else "received", marked, signature=signature)
    own = tuple(e for e in examined if e.marking_id == marked.id)
    settled = _settled(piece, terms, code, marked, own)
    word: StandingWord = settled.word
    if word == "settled" and signature is not None and signature.marking_id == marked.id:
        word = "signed"
    return replace(settled, word=word, signature=signature)


def _settled(piece: kept.Piece, terms: _Terms, code: str, marked: Marked, examined: tuple[Examined, ...]) -> Standing:
    """What limits and examiners come to, by the sitting's rule for disagreement."""
    by_part = {e.part: e for e in examined}
    first, second, moderator = (by_part.get(part) for part in ("first", "second", "moderator"))
    base = marked.rulings
    if moderator is not None:
        agreed = _agreed(first, second)
        rulings = decided(base, {**agreed, **moderator.words})
        return _made(piece, "settled", marked, examined, rulings, terms, "moderator")
    needed = wanted(terms.sitting, code, marked, terms.pass_)
    if first is None:
        word: StandingWord = "waits for examiner" if needed else "settled"
        return _made(piece, word, marked, examined, base, terms, "limits")
    one = decided(base, first.words)
    if second is None:
        word = "waits for second examiner" if needed > 1 else "settled"
        return _made(piece, word, marked, examined, one, terms, "examiner")
    return _of_two(piece, terms, marked, examined, one, decided(base, second.words))


def _of_two(
    piece: kept.Piece,
    terms: _Terms,
    marked: Marked,
    examined: tuple[Examined, ...],
    one: tuple[Ruling, ...],
    two: tuple[Ruling, ...],
) -> Standing:
    """Two examiners: alike, or near enough to be averaged; else a moderator decides."""
    first, second = mark(one, terms.pass_), mark(two, terms.pass_)
    critical = any(a.critical and a.ruling != b.ruling for a, b in zip(one, two, strict=True))
    apart = abs((first.percent or 0.0) - (second.percent or 0.0))
    if critical or first.outcome != second.outcome or apart > terms.sitting.agree_percent + SAME_PERCENT:
        base = decided(marked.rulings, _agreed(examined[0], examined[1]))
        return _made(piece, "waits for moderator", marked, examined, base, terms, "examiner")
    if [r.ruling for r in one] == [r.ruling for r in two]:
        return _made(piece, "settled", marked, examined, one, terms, "agreed")
    made = _made(
        piece, "settled", marked, examined, decided(marked.rulings, _agreed(examined[0], examined[1])), terms, "average"
    )
    percents = [m.percent for m in (first, second) if m.percent is not None]
    return replace(made, percent=sum(percents) / len(percents) if percents else None, outcome=first.outcome)


def _made(
    piece: kept.Piece,
    word: StandingWord,
    marked: Marked,
    examined: tuple[Examined, ...],
    rulings: tuple[Ruling, ...],
    terms: _Terms,
    rule: Rule,
) -> Standing:
    made = mark(rulings, terms.pass_)
    return Standing(piece, word, marked, examined, rulings, made.percent, made.outcome, rule)


def _agreed(first: Examined | None, second: Examined | None) -> dict[int, RulingWord]:
    if first is None or second is None:
        return {}
    return {k: word for k, word in first.words.items() if second.words.get(k) == word}


def _terms(tx: Transaction, sitting_ids: Iterable[str]) -> dict[str, _Terms]:
    found: dict[str, _Terms] = {}
    versions: dict[str, tuple[tuple[CriterionLine, ...], PassLine]] = {}
    for sitting in tx.all(kept.Sitting, kept.Sitting.id.in_(list(sitting_ids))):
        version = sitting.exercise_version_id
        if version not in versions:
            row = tx.get(kept.ExerciseVersion, version)
            assert row is not None
            versions[version] = criteria_of(tx, version), pass_of(row)
        found[sitting.id] = _Terms(sitting, *versions[version])
    return found


def _marked(row: kept.Marking | None, rulings: Mapping[str, list[Any]], terms: _Terms) -> Marked | None:
    if row is None:
        return None
    made = tuple(_ruling(r, terms.criteria[r.criterion]) for r in rulings.get(row.id, []))
    return Marked(row.id, row.assessment_id, row.number, made, mark(made, terms.pass_), row.why)


def _ruling(row: Any, criterion: CriterionLine) -> Ruling:
    return Ruling(
        reading=criterion.reading,
        where=criterion.where,
        stat=criterion.stat,
        limits=closed(row.lower, row.upper),
        probability_inside=row.probability_inside,
        ruling=row.ruling,
        weight=criterion.weight,
        critical=criterion.critical,
    )


def _examined(tx: Transaction, ids: object) -> dict[str, list[Examined]]:
    rows = tx.all(kept.Examination, kept.Examination.piece_id.in_(ids))  # type: ignore[arg-type]
    if not rows:
        return {}
    of = select(kept.Examination.id).where(kept.Examination.piece_id.in_(ids))  # type: ignore[arg-type]
    parts = _grouped(tx.all(kept.ExaminedCriterion, kept.ExaminedCriterion.examination_id.in_(of)), "examination_id")
    order = {"first": 0, "second": 1, "moderator": 2}
    found: dict[str, list[Examined]] = {}
    for row in sorted(rows, key=lambda r: (r.round, order[r.part])):
        own = parts.get(row.id, [])
        found.setdefault(row.piece_id, []).append(
            Examined(
                row.id, row.marking_id, row.examiner_id, row.part, {c.criterion: c.ruling for c in own}, {c.criterion: c.note for c in own},
                row.note, row.grade, row.percent,
            )
        )  # fmt: skip
    return found


def _grouped(rows: Iterable[Any], pointer: str) -> dict[str, list[Any]]:
    found: dict[str, list[Any]] = {}
    for row in rows:
        found.setdefault(getattr(row, pointer), []).append(row)
    return found
