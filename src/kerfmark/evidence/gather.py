"""All questions asked of one table, in order; where one cannot be answered, the sentence that says why."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, TypeVar

import numpy as np

from kerfmark.errors import EvidenceError
from kerfmark.evidence.agreement import agreement
from kerfmark.evidence.answer import Action, Answer, Claim, Options, Panel
from kerfmark.evidence.cohorts import cohorts
from kerfmark.evidence.content import ContentLine
from kerfmark.evidence.content import content as content_asked
from kerfmark.evidence.decisions import decisions
from kerfmark.evidence.entered import entered, out_of_order, passed_and_failed
from kerfmark.evidence.fairness import fairness
from kerfmark.evidence.learning import learning
from kerfmark.evidence.marks import Marks, marks_of
from kerfmark.evidence.measuring import measuring
from kerfmark.evidence.moderation import moderation
from kerfmark.evidence.nextsitting import next_sitting
from kerfmark.evidence.ownview import own_view
from kerfmark.evidence.passline import PassLine, pass_line
from kerfmark.evidence.severity import severity
from kerfmark.evidence.sources import Sources, sources_of_spread
from kerfmark.evidence.spread import spread_of_marks
from kerfmark.evidence.table import Table

__all__ = ["QUESTIONS", "Evidence", "gather"]

T = TypeVar("T")

QUESTIONS: Final = {
    "content": "What was asked?",
    "marks": "What do the marks look like?",
    "order": "Was anything out of order?",
    "passline": "Where is the pass line?",
    "agreement": "Do examiners and readings agree?",
    "sources": "Where do differences in marks come from?",
    "decisions": "How many decisions are right?",
    "moderation": "What did moderation change?",
    "severity": "Are examiners equally severe?",
    "ownview": "Do learners see their own work rightly?",
    "learning": "Are they learning?",
    "fairness": "The same mark for the same work?",
    "measuring": "Is the instrument good enough for the limits?",
    "cohorts": "How does this cohort compare with earlier ones?",
    "next": "What does the next sitting need?",
}
"""In the order of the report."""

FIRST: Final = ("passline", "sources")
"""Asked first, since others rest on them."""

STREAMS: Final = (
    "marks", "passline", "agreement", "sources", "decisions", "severity", "ownview", "learning", "fairness", "measuring", "next",
)  # fmt: skip
"""Places of the random streams; a question that comes later takes a place at the end, so that numbers stay as they were."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """Every answer, and what it was made from.

    Attributes
    ----------
    answers : dict of str to Answer
        In the order of `QUESTIONS`.
    learners, pieces, examiners, exercises, sites : int
    rows : int
    digest : str
        SHA-256 of the table's content.
    line : PassLine or None
    sources : Sources or None
    options : Options
    actions : tuple of Action
        What has been agreed.
    earlier : dict of str to str
        Digests of earlier cohorts' tables.
    entered : int
        Everyone of whom a whole piece is known, handed in or not.
    passed : (int, int) or None
        Learners at or above the line, and below it, after moderation; None without a line.
    """

    answers: dict[str, Answer]
    learners: int
    pieces: int
    examiners: int
    exercises: int
    sites: int
    rows: int
    digest: str
    line: PassLine | None
    sources: Sources | None
    options: Options
    actions: tuple[Action, ...] = ()
    earlier: Mapping[str, str] = field(default_factory=dict)
    entered: int = 0
    passed: tuple[int, int] | None = None

    @property
    def claims(self) -> tuple[Claim, ...]:
        """What may be said, and what may not."""
        return tuple(claim for answer in self.answers.values() for claim in answer.claims)


def gather(
    table: Table,
    *,
    panel: Panel | None = None,
    content: Sequence[ContentLine] = (),
    earlier: Mapping[str, Table] | None = None,
    actions: Sequence[Action] = (),
    options: Options | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> Evidence:
    """Ask every question of a table.

    The same table, panel and options give the same answers, number for number.

    Parameters
    ----------
    table : Table
    panel : Panel, optional
    content : sequence of ContentLine
        What was asked: criteria with outcomes, limits, weights and sources.
    earlier : mapping of str to Table, optional
        Tables of earlier cohorts, by what they are called.
    actions : sequence of Action
        What has been agreed; printed with who and by when.
    options : Options, optional
    progress : callable, optional
        Called with each question as it begins.

    Returns
    -------
    Evidence

    Raises
    ------
    EvidenceError
        If the table holds no marks at all.

    Examples
    --------
    >>> from kerfmark.evidence.table import table_of
    >>> rows = [[f"L{n:03d}", "measured", e, str(50 + (n * 7) % 31)] for n in range(30) for e in "ab"]
    >>> found = gather(table_of(["learner", "by", "exercise", "score"], rows), options=Options(draws=100))
    >>> found.answers["severity"].answered
    False
    """
    case = _Case(table, marks_of(table), panel or Panel(), tuple(content), earlier or {}, options or Options())
    answers: dict[str, Answer] = {}
    for key in sorted(QUESTIONS, key=lambda key: key not in FIRST):
        progress(QUESTIONS[key])
        try:
            answers[key] = _ASK[key](case)
        except EvidenceError as why:
            answers[key] = Answer(key, QUESTIONS[key], _sentence(why), answered=False)
    return _evidence(case, {key: answers[key] for key in QUESTIONS}, tuple(actions))


@dataclass(slots=True, eq=False)
class _Case:
    """What the questions are asked of; `line` and `sources` are filled in by the questions they answer."""

    table: Table
    marks: Marks
    panel: Panel
    content: tuple[ContentLine, ...]
    earlier: Mapping[str, Table]
    options: Options
    line: PassLine | None = None
    sources: Sources | None = None

    def rng(self, key: str) -> np.random.Generator:
        """A question's own stream, so that no answer depends on which others were asked."""
        return np.random.default_rng([self.options.seed, STREAMS.index(key)])

    @property
    def cut(self) -> float | None:
        return self.line.cut.value if self.line else None

    @property
    def error(self) -> float | None:
        """Standard error of a learner's mark."""
        return self.sources.study.sem if self.sources else None


def _pass_line(case: _Case) -> Answer:
    answer, case.line = pass_line(case.table, case.marks, case.panel, case.options, case.rng("passline"))
    return answer


def _sources(case: _Case) -> Answer:
    answer, case.sources = sources_of_spread(case.table, case.marks, case.options, case.rng("sources"))
    return answer


def _decisions(case: _Case) -> Answer:
    line, sources = _needed(case.line, "a pass line"), _needed(case.sources, "the mark's dependability")
    return decisions(case.marks, line, sources, case.options, case.rng("decisions"))


def _next(case: _Case) -> Answer:
    line, sources = _needed(case.line, "a pass line"), _needed(case.sources, "components of variance")
    return next_sitting(case.marks, line, sources, case.options, case.rng("next"))


_ASK: Final[Mapping[str, Callable[[_Case], Answer]]] = {
    "content": lambda c: content_asked(c.table, c.content),
    "marks": lambda c: spread_of_marks(c.table, c.marks, c.cut, c.error, c.options),
    "order": lambda c: out_of_order(c.table, c.marks, c.options),
    "passline": _pass_line,
    "agreement": lambda c: agreement(c.table, c.options, c.rng("agreement")),
    "sources": _sources,
    "decisions": _decisions,
    "moderation": lambda c: moderation(c.table, c.marks, c.cut, c.error, c.options),
    "severity": lambda c: severity(c.table, c.options, c.error),
    "ownview": lambda c: own_view(c.table, c.options, c.rng("ownview")),
    "learning": lambda c: learning(c.table, c.cut, c.options, c.rng("learning")),
    "fairness": lambda c: fairness(c.table, c.marks, c.cut, c.options),
    "measuring": lambda c: measuring(c.table, c.options),
    "cohorts": lambda c: cohorts(c.table, c.marks, c.cut, c.earlier),
    "next": _next,
}


def _needed(found: T | None, what: str) -> T:
    if found is None:
        raise EvidenceError(f"this rests on {what}, which could not be worked out; see there.")
    return found


def _sentence(why: EvidenceError) -> str:
    text = str(why)
    return text[0].upper() + text[1:]


def _evidence(case: _Case, answers: dict[str, Answer], actions: tuple[Action, ...]) -> Evidence:
    table, marks = case.table, case.marks
    examiners = np.unique(table["examiner"][table["by"] == "examiner"])
    sites = np.unique(table["site"][table["site"] != ""])
    return Evidence(
        answers,
        len(marks.learners),
        int(np.count_nonzero(~np.isnan(marks.marks))),
        len(examiners),
        len(marks.exercises),
        len(sites),
        len(table),
        table.digest(),
        case.line,
        case.sources,
        case.options,
        actions,
        {name: old.digest() for name, old in case.earlier.items()},
        len(entered(table)),
        passed_and_failed(table, marks, case.cut),
    )
