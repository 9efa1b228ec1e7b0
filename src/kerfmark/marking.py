"""Readings to rulings to a mark: criteria decided by the probability of lying inside their limits (JCGM 106).

The words, the weights and what is done with a criterion that is too close to call are explained in `docs/marking.md`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from enum import IntEnum
from typing import Literal, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfmark.errors import InputError, MeasurementError
from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.conformity import inside, rule_all
from kerfmark.records import FloatArray, Limits2, Mark, Reading, Ruling, RulingWord

__all__ = [
    "CODE_WORDS",
    "DECIDED",
    "Code",
    "criterion_name",
    "mark",
    "percent_bounds",
    "probability_inside",
    "reading_finder",
    "rule",
    "rule_many",
]

Outcome = Literal["pass", "fail", "refer"]


class Code(IntEnum):
    """What `rule_many` says of each reading; `CODE_WORDS` gives the same in words."""

    NOT_MEASURABLE = 0
    NOT_MET = 1
    TOO_CLOSE = 2
    MET = 3


CODE_WORDS: dict[Code, RulingWord] = {
    Code.NOT_MEASURABLE: "not measurable",
    Code.NOT_MET: "not met",
    Code.TOO_CLOSE: "too close to call",
    Code.MET: "met",
}
DECIDED: tuple[RulingWord, ...] = ("met", "not met")
SAME_PERCENT = 1e-9
"""Percentages this close to the pass line stand on it: weights such as 0.1 do not add up exactly."""


class CriterionRule(Protocol):
    """What marking needs of a criterion of the exercise."""

    @property
    def reading(self) -> str: ...
    @property
    def where(self) -> str | None: ...
    @property
    def stat(self) -> str | None: ...
    @property
    def limits(self) -> Limits2: ...
    @property
    def weight(self) -> float: ...
    @property
    def critical(self) -> bool: ...


class PassRule(Protocol):
    """What marking needs of the exercise's `[pass]`."""

    @property
    def minimum_percent(self) -> float: ...
    @property
    def met_at(self) -> float: ...
    @property
    def too_close(self) -> Literal["refer", "benefit", "strict"]: ...


def probability_inside(value: float, u: float, limits: Limits2) -> float:
    """Probability that the true value lies inside closed limits, given a value and its standard uncertainty.

    Parameters
    ----------
    value : float
    u : float
        Standard uncertainty, same unit, at least 0. With 0 the answer is 1 inside or on the limits and 0 outside.
    limits : (lower, upper)
        Either may be infinite.

    Returns
    -------
    probability : float
        From 0 to 1.

    Notes
    -----
    Source: JCGM 106:2012, 7.2: Φ((T_U − y)/u) − Φ((T_L − y)/u), normal, nothing known beforehand.

    Examples
    --------
    >>> round(probability_inside(1.92, 0.05, (1.80, 2.00)), 6)
    0.937003
    """
    return float(inside(float(value), float(u), float(limits[0]), float(limits[1])))


def rule_many(
    values: ArrayLike, u: ArrayLike, lower: ArrayLike, upper: ArrayLike, met_at: float = 0.95
) -> tuple[FloatArray, NDArray[np.int8]]:
    """Rule many pieces on many criteria at once, as when a changed tolerance marks a term again.

    Parameters
    ----------
    values : (n, m) float array
        One row a piece, one column a criterion; NaN where nothing was measured.
    u : (n, m) float array
        Standard uncertainties, same units, at least 0.
    lower, upper : (m,) float arrays
        Closed limits of each criterion; infinite where open.
    met_at : float
        Met at and above this probability, not met at and below 1 − `met_at`; in (0.5, 1].

    Returns
    -------
    probability : (n, m) float array
        NaN where nothing was measured.
    code : (n, m) int8 array
        Values of `Code`.

    Raises
    ------
    InputError
        If the shapes do not match or `met_at` is not in (0.5, 1].

    Notes
    -----
    Source: JCGM 106:2012, 7.2 and 8.

    Examples
    --------
    >>> probability, code = rule_many([[9.4, 9.4]], [[0.5, 0.0]], lower=[-np.inf, -np.inf], upper=[10.0, 10.0])
    >>> probability.round(6).tolist(), [Code(c).name for c in code[0]]
    ([[0.88493, 1.0]], ['TOO_CLOSE', 'MET'])
    """
    value, spread = read_only(values, np.float64), read_only(u, np.float64)
    low, high = read_only(lower, np.float64), read_only(upper, np.float64)
    _check_shapes(value, spread, low, high, met_at)
    probability, code = np.empty(value.shape), np.empty(value.shape, np.int8)
    rule_all(value, spread, low, high, float(met_at), np.array(list(Code), np.int8), probability, code)
    return probability, code


def rule(readings: Sequence[Reading], criteria: Sequence[CriterionRule], pass_: PassRule) -> tuple[Ruling, ...]:
    """Each criterion of an exercise decided from a piece's readings, in the criteria's order.

    Parameters
    ----------
    readings : sequence of Reading
    criteria : sequence of Criterion
        A criterion without `where` or `stat` takes the only reading of its id that fits.
    pass_ : Pass
        The exercise's `[pass]`: `met_at` decides here, the rest in `mark`.

    Returns
    -------
    rulings : tuple of Ruling
        `not measurable` also where no such reading was taken.
    """
    find = reading_finder(readings)
    return tuple(_ruling(find(criterion), criterion, pass_.met_at) for criterion in criteria)


def mark(rulings: Sequence[Ruling], pass_: PassRule) -> Mark:
    """The mark of a piece: percent of the weight earned, the outcome, and what a person still has to decide.

    A criterion that does not apply leaves the sum. Too close to call: with `benefit` it counts as met, with `strict` as
    not met, with `refer` a person decides. What could not be measured is always for a person, never silently lost. The
    percent is what is earned already, so a person's decisions can only raise it (`percent_bounds` gives both ends). The
    outcome is `refer` where those decisions could change it.

    Parameters
    ----------
    rulings : sequence of Ruling
    pass_ : Pass
        `minimum_percent`, a closed limit, and `too_close`.

    Returns
    -------
    mark : Mark
        `percent` is None where no criterion with weight applies.

    Raises
    ------
    MeasurementError
        If not one criterion could be measured.
    """
    _check_measured(rulings)
    settled = [(r, _settled(r, pass_)) for r in rulings if r.ruling != "not applicable"]
    least, most = _outcome(settled, pass_, open_as="not met"), _outcome(settled, pass_, open_as="met")
    return Mark(
        percent=_percent(settled, open_as="not met"),
        outcome=least if least == most else "refer",
        critical_not_met=tuple(criterion_name(r) for r, word in settled if r.critical and word == "not met"),
        referred=tuple(criterion_name(r) for r, word in settled if word not in DECIDED),
    )


def percent_bounds(rulings: Sequence[Ruling], pass_: PassRule) -> tuple[float, float] | None:
    """Least and most percent of the weight that a person's decisions could leave the piece with.

    None where no criterion with weight applies. The two are equal where nothing is left to decide.
    """
    settled = [(r, _settled(r, pass_)) for r in rulings if r.ruling != "not applicable"]
    least, most = _percent(settled, open_as="not met"), _percent(settled, open_as="met")
    return None if least is None or most is None else (least, most)


def criterion_name(ruling: Ruling) -> str:
    """What to call a criterion in one line: its reading, place and statistic.

    Examples
    --------
    >>> criterion_name(Ruling("crown.height_mm", "buccal", None, (3.0, 9.0), 1.0, "met", 1.0, False))
    'crown.height_mm buccal'
    """
    return " ".join(word for word in (ruling.reading, ruling.where, ruling.stat) if word)


def _check_shapes(value: FloatArray, u: FloatArray, lower: FloatArray, upper: FloatArray, met_at: float) -> None:
    m = value.shape[1] if value.ndim == 2 else -1
    if u.shape != value.shape or lower.shape != (m,) or upper.shape != (m,):
        raise InputError(
            f"rule_many: values are {value.shape}, u {u.shape}, lower {lower.shape}, upper {upper.shape}, "
            "expected (n, m), (n, m), (m,), (m,). Give one column and one pair of limits for each criterion."
        )
    if not 0.5 < met_at <= 1.0:
        raise InputError(f"rule_many: met_at is {met_at}, expected more than 0.5 and at most 1. Correct it.")


def reading_finder(readings: Sequence[Reading]) -> Callable[[CriterionRule], Reading | None]:
    """Finds the reading a criterion asks for: the exact one, else the only one of its id that fits; None where there is none."""
    exact = {r.key: r for r in readings}

    def find(criterion: CriterionRule) -> Reading | None:
        found = exact.get((criterion.reading, criterion.where, criterion.stat))
        if found is not None:
            return found
        fitting = [
            r
            for r in readings
            if r.id == criterion.reading
            and (criterion.where is None or criterion.where == r.where)
            and (criterion.stat is None or criterion.stat == r.stat)
        ]
        return fitting[0] if len(fitting) == 1 else None

    return find


def _ruling(reading: Reading | None, criterion: CriterionRule, met_at: float) -> Ruling:
    word: RulingWord = "not measurable"
    probability = None
    if reading is not None and reading.status == "not_applicable":
        word = "not applicable"
    elif reading is not None and reading.value is not None and reading.u is not None:
        probability = probability_inside(reading.value, reading.u, criterion.limits)
        word = _word(probability, met_at)
    return Ruling(
        reading=criterion.reading,
        where=criterion.where,
        stat=criterion.stat,
        limits=(float(criterion.limits[0]), float(criterion.limits[1])),
        probability_inside=probability,
        ruling=word,
        weight=float(criterion.weight),
        critical=bool(criterion.critical),
    )


def _word(probability: float, met_at: float) -> RulingWord:
    return "met" if probability >= met_at else "not met" if probability <= 1.0 - met_at else "too close to call"


def _check_measured(rulings: Sequence[Ruling]) -> None:
    if any(r.probability_inside is not None for r in rulings):
        return
    raise MeasurementError(
        f"marking: none of the {len(rulings)} criteria could be measured on this piece, expected at least one. "
        "See the reasons beside the readings, capture the piece again so that what was cut is covered, "
        "and assess it again."
    )


def _settled(ruling: Ruling, pass_: PassRule) -> RulingWord:
    """The ruling once the exercise's policy on what is too close to call is applied."""
    if ruling.ruling != "too close to call" or pass_.too_close == "refer":
        return ruling.ruling
    return "met" if pass_.too_close == "benefit" else "not met"


def _percent(settled: Sequence[tuple[Ruling, RulingWord]], *, open_as: RulingWord) -> float | None:
    whole = math.fsum(r.weight for r, _ in settled)
    if whole <= 0.0:
        return None
    earned = math.fsum(r.weight for r, word in settled if (word if word in DECIDED else open_as) == "met")
    return 100.0 * (earned / whole)


def _outcome(settled: Sequence[tuple[Ruling, RulingWord]], pass_: PassRule, *, open_as: RulingWord) -> Outcome:
    if any(r.critical and (word if word in DECIDED else open_as) == "not met" for r, word in settled):
        return "fail"
    percent = _percent(settled, open_as=open_as)
    if percent is None:
        return "refer"
    return "pass" if percent >= pass_.minimum_percent - SAME_PERCENT else "fail"
