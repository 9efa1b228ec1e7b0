"""All questions asked of one table, in order; where one cannot be answered, the sentence that says why."""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final, TypeVar

import numpy as np

from kerfmark.errors import EvidenceError, InputError, printable
from kerfmark.evidence.agreement import agreement
from kerfmark.evidence.answer import Answer, Claim, Options, Panel
from kerfmark.evidence.decisions import decisions
from kerfmark.evidence.fairness import fairness
from kerfmark.evidence.learning import learning
from kerfmark.evidence.marks import Marks, marks_of, spread_of_marks
from kerfmark.evidence.measuring import measuring
from kerfmark.evidence.nextsitting import next_sitting
from kerfmark.evidence.ownview import own_view
from kerfmark.evidence.passline import PassLine, pass_line
from kerfmark.evidence.severity import severity
from kerfmark.evidence.sources import Sources, sources_of_spread
from kerfmark.evidence.table import Table

__all__ = ["QUESTIONS", "Evidence", "gather", "read_panel"]

T = TypeVar("T")

QUESTIONS: Final = {
    "marks": "What do the marks look like?",
    "passline": "Where is the pass line?",
    "agreement": "Do examiners and readings agree?",
    "sources": "Where do differences in marks come from?",
    "decisions": "How many decisions are right?",
    "severity": "Are examiners equally severe?",
    "ownview": "Do learners see their own work rightly?",
    "learning": "Are they learning?",
    "fairness": "The same mark for the same work?",
    "measuring": "Is the instrument good enough for the limits?",
    "next": "What does the next sitting need?",
}


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

    @property
    def claims(self) -> tuple[Claim, ...]:
        """What may be said, and what may not."""
        return tuple(claim for answer in self.answers.values() for claim in answer.claims)


def gather(
    table: Table,
    *,
    panel: Panel | None = None,
    options: Options | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> Evidence:
    """Ask every question of a table.

    The same table, panel and options give the same answers, number for number.

    Parameters
    ----------
    table : Table
    panel : Panel, optional
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
    chosen = options or Options()
    asked = panel or Panel()
    marks = marks_of(table)
    answers: dict[str, Answer] = {}
    line: PassLine | None = None
    sources: Sources | None = None

    def rng(key: str) -> np.random.Generator:
        return np.random.default_rng([chosen.seed, list(QUESTIONS).index(key)])

    def ask(key: str, make: Callable[[], Answer]) -> None:
        progress(QUESTIONS[key])
        try:
            answers[key] = make()
        except EvidenceError as why:
            answers[key] = Answer(key, QUESTIONS[key], _sentence(why), answered=False)

    def with_line() -> Answer:
        nonlocal line
        answer, line = pass_line(marks, asked, chosen, rng("passline"))
        return answer

    def with_sources() -> Answer:
        nonlocal sources
        answer, sources = sources_of_spread(table, marks, chosen, rng("sources"))
        return answer

    ask("marks", lambda: spread_of_marks(table, marks, chosen))
    ask("passline", with_line)
    ask("agreement", lambda: agreement(table, chosen, rng("agreement")))
    ask("sources", with_sources)
    ask(
        "decisions",
        lambda: decisions(
            marks, _needed(line, "a pass line"), _needed(sources, "the mark's dependability"), chosen, rng("decisions")
        ),
    )
    ask("severity", lambda: severity(table, chosen, sources.study.sem if sources else None))
    ask("ownview", lambda: own_view(table, chosen, rng("ownview")))
    ask("learning", lambda: learning(table, line.cut.value if line else None, chosen, rng("learning")))
    ask("fairness", lambda: fairness(table, marks, chosen))
    ask("measuring", lambda: measuring(table, chosen))
    ask(
        "next",
        lambda: next_sitting(
            marks, _needed(line, "a pass line"), _needed(sources, "components of variance"), chosen, rng("next")
        ),
    )
    return _evidence(table, marks, answers, line, sources, chosen)


def _needed(found: T | None, what: str) -> T:
    if found is None:
        raise EvidenceError(f"this rests on {what}, which could not be worked out; see there.")
    return found


def _sentence(why: EvidenceError) -> str:
    text = str(why)
    return text[0].upper() + text[1:]


def _evidence(
    table: Table,
    marks: Marks,
    answers: dict[str, Answer],
    line: PassLine | None,
    sources: Sources | None,
    options: Options,
) -> Evidence:
    digest = hashlib.sha256()
    for name, column in table.columns.items():
        digest.update(name.encode())
        digest.update("\x1f".join(map(str, column)).encode())
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
        digest.hexdigest(),
        line,
        sources,
        options,
    )


def read_panel(path: Path) -> Panel:
    """A panel's judgements from a CSV with columns method, judge, item, value, count.

    Raises
    ------
    InputError
        If the file cannot be read, a method is unknown, or a judge has not judged every item.
    """
    name = printable(path.name)
    try:
        rows = list(csv.DictReader(path.read_text(encoding="utf-8-sig").splitlines()))
        parsed = [
            (
                r["method"].strip(),
                r["judge"].strip(),
                r["item"].strip(),
                float(r["value"]),
                float(r.get("count") or "nan"),
            )
            for r in rows
        ]
    except OSError as why:
        raise InputError(
            f"{name}: cannot be read ({printable(why.strerror or why, limit=80)}), expected a panel's file in CSV. Check its path."
        ) from why
    except (UnicodeDecodeError, KeyError, ValueError, AttributeError, TypeError) as why:
        raise InputError(
            f"{name}: not a panel's file ({printable(repr(why), limit=80)}), expected columns method, judge, item, value and, for ebel, count. Correct it."
        ) from why
    unknown = {m for m, *_ in parsed} - {"angoff", "ebel", "hofstee"}
    if unknown:
        raise InputError(
            f"{name}: method '{printable(sorted(unknown)[0], limit=40)}', expected angoff, ebel or hofstee. Correct it."
        )
    return Panel(_angoff(parsed, name), _ebel(parsed, name), _hofstee(parsed, name))


_Rows = list[tuple[str, str, str, float, float]]


def _angoff(parsed: _Rows, name: str) -> list[list[float]]:
    own = {(judge, item): value for method, judge, item, value, _ in parsed if method == "angoff"}
    judges, items = sorted({j for j, _ in own}), sorted({i for _, i in own})
    missing = [(j, i) for j in judges for i in items if (j, i) not in own]
    if missing:
        raise InputError(
            f"{name}: judge {printable(missing[0][0])} has no angoff value for item {printable(missing[0][1])}. Ask and add it."
        )
    return [[own[j, i] for i in items] for j in judges]


def _ebel(parsed: _Rows, name: str) -> list[tuple[float, float]]:
    cells: dict[str, list[tuple[float, float]]] = {}
    for method, _, item, value, count in parsed:
        if method == "ebel":
            if not (0.0 <= value <= 1.0 and count > 0.0):
                raise InputError(
                    f"{name}: ebel cell {printable(item)} has share {value:g} and count {count:g}, expected 0 to 1 and above 0. Correct it."
                )
            cells.setdefault(item, []).append((count, value))
    return [(own[0][0], sum(v for _, v in own) / len(own)) for own in cells.values()]


def _hofstee(parsed: _Rows, name: str) -> dict[str, float]:
    wanted = ("cut_min", "cut_max", "fail_min", "fail_max")
    own = {w: [v for m, _, i, v, _ in parsed if m == "hofstee" and i == w] for w in wanted}
    if not any(own.values()):
        return {}
    missing = [w for w in wanted if not own[w]]
    if missing:
        raise InputError(f"{name}: hofstee has no {missing[0]}, expected {', '.join(wanted)}. Add it.")
    return {w: sum(values) / len(values) for w, values in own.items()}
