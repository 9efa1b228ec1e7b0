"""What an answer is made of: a sentence, tables, figures, and how each was worked out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal, TypeAlias

from kerfmark.errors import InputError
from kerfmark.statistics.estimates import Estimate

__all__ = [
    "COUNT_LEAST",
    "GROUP_LEAST",
    "Action",
    "Answer",
    "Cell",
    "Claim",
    "Figure",
    "Grid",
    "Options",
    "Panel",
    "Verdict",
    "counted",
    "p_words",
    "share_of",
]

Cell: TypeAlias = "str | int | float | Estimate | None"
Verdict = Literal["stands", "with limits", "not shown"]

COUNT_LEAST: Final = 5
GROUP_LEAST: Final = 10


@dataclass(frozen=True, slots=True)
class Grid:
    """A table of an answer.

    Attributes
    ----------
    caption : str
    header : tuple of str
    rows : tuple of tuple of Cell
        An `Estimate` is shown with its interval.
    decimals : tuple of int
        One a column, for numbers.
    said : str
        The plain sentence under the table.
    """

    caption: str
    header: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    decimals: tuple[int, ...]
    said: str = ""


@dataclass(frozen=True, slots=True)
class Figure:
    """What a chart shows, as plain numbers; reports draw it. `kind` names the drawing."""

    kind: str
    caption: str
    data: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Claim:
    """One thing a board would like to say, and whether these data carry it."""

    claim: str
    verdict: Verdict
    because: str
    question: str


@dataclass(frozen=True, slots=True)
class Answer:
    """An answered question.

    Attributes
    ----------
    key, question : str
    said : str
        The answer in one or two plain sentences; where it cannot be answered, why.
    answered : bool
    grids, figures, claims : tuples
    methods : tuple of str
        Variant, boundary rule, interval; one sentence each.
    flags : tuple of str
        What a person should look at.
    """

    key: str
    question: str
    said: str
    answered: bool = True
    grids: tuple[Grid, ...] = ()
    figures: tuple[Figure, ...] = ()
    claims: tuple[Claim, ...] = ()
    methods: tuple[str, ...] = ()
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Action:
    """Something agreed to be done.

    Attributes
    ----------
    about, action, owner, by : str
        What it is about, what is to be done, who does it, by when.
    """

    about: str
    action: str
    owner: str
    by: str


@dataclass(frozen=True, slots=True)
class Panel:
    """A panel's judgements by method, as read from its file.

    Attributes
    ----------
    angoff : sequence of sequence of float
        Judges by items, percent; empty where not used.
    ebel : sequence of (count, share)
    hofstee : mapping of str to float, or empty
        cut_min, cut_max, fail_min, fail_max.
    """

    angoff: Sequence[Sequence[float]] = ()
    ebel: Sequence[tuple[float, float]] = ()
    hofstee: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Options:
    """What the person asking decides; everything is printed in the report.

    Attributes
    ----------
    seed : int
        Of every bootstrap and simulation.
    draws : int
        Bootstrap draws over learners.
    borderline, competent : float
        Grades: where the line is read, and from where a piece counts as competent.
    dependability : float
        Asked of the mark.
    margin : float
        Mark points within which sites, hands and rigs count as the same.
    minutes_each : float
        Of one examiner on one piece.
    alpha_flag, r2_flag, severity_flag, grr_flag, near_flag : float
        Limits of the flags: item-total correlation, R² of the pass line, examiner severity in errors of a mark, gauge
        percent of tolerance, share of learners within one error of the line.
    hard_flag, easy_flag : float
        Difficulty below and above which a criterion hardly tells learners apart.
    step_least, step_most : float
        Marks that one grade of the overall view should be worth.
    pair_factor : float
        Errors of a difference beyond which two examiners' marks of one piece differ by more than error.
    calibration_days : float
        Days after which a calibration is called old.
    acceptable, unacceptable : float
        Failure rates of the attempt charts.
    chosen, reason, signed : str
        The pass line chosen, why, and by whom; empty: not signed.
    title, school : str
    simulated : bool
    codes : bool
        Whether logs list single pieces by their learners' codes.
    """

    seed: int = 1
    draws: int = 2000
    borderline: float = 2.0
    competent: float = 3.0
    dependability: float = 0.8
    margin: float = 3.0
    minutes_each: float = 5.0
    alpha_flag: float = 0.20
    r2_flag: float = 0.5
    severity_flag: float = 1.0
    grr_flag: float = 30.0
    near_flag: float = 0.15
    hard_flag: float = 0.20
    easy_flag: float = 0.95
    step_least: float = 5.0
    step_most: float = 15.0
    pair_factor: float = 1.96
    calibration_days: float = 180.0
    acceptable: float = 0.2
    unacceptable: float = 0.4
    chosen: str = ""
    reason: str = ""
    signed: str = ""
    title: str = "Evidence for a set of marks"
    school: str = ""
    simulated: bool = False
    codes: bool = True

    def __post_init__(self) -> None:
        if self.draws < 100 or self.seed < 0:
            raise InputError(
                f"{self.draws} draws and seed {self.seed}, expected at least 100 draws and a seed from 0. Correct them."
            )
        if self.chosen and not (self.reason and self.signed):
            raise InputError("a pass line is chosen without a reason or a name. Give both: --reason and --signed.")


def counted(n: int) -> str:
    """A count fit to print: fewer than five people are not told apart.

    Examples
    --------
    >>> counted(3), counted(0), counted(12)
    ('under 5', '0', '12')
    """
    return f"under {COUNT_LEAST}" if 0 < n < COUNT_LEAST else str(n)


def share_of(hits: int, n: int) -> str:
    """A share fit to print: none where it would tell a small count.

    Examples
    --------
    >>> share_of(3, 50), share_of(12, 50)
    ('–', '24 %')
    """
    return "–" if 0 < hits < COUNT_LEAST else f"{100 * hits / n:.0f} %"


def p_words(p: float) -> str:
    """A p value fit to print.

    Examples
    --------
    >>> p_words(0.0000012), p_words(0.0312)
    ('p under 0.001', 'p 0.031')
    """
    return "p under 0.001" if p < 0.001 else f"p {p:.3f}" if p < 0.1 else f"p {p:.2f}"
