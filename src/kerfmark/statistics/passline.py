"""Pass lines from examiners' overall views of the same work: borderline regression, borderline group, contrasting groups."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy.optimize
import scipy.special
from numpy.typing import ArrayLike

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.estimates import Estimate, FloatArray, as_pairs, check_level
from kerfmark.statistics.resampling import draws_of, percentile_interval

__all__ = [
    "CONTRAST_RULES",
    "BorderlineLine",
    "ContrastRule",
    "borderline_cuts",
    "borderline_group",
    "borderline_regression",
    "contrasting_groups",
    "fail_rate",
]

ContrastRule = Literal["logistic", "midpoint", "equal density", "fewest misclassified"]
CONTRAST_RULES: tuple[ContrastRule, ...] = ("logistic", "midpoint", "equal density", "fewest misclassified")


@dataclass(frozen=True, slots=True)
class BorderlineLine:
    """Marks regressed on the examiner's overall view.

    Attributes
    ----------
    cut : Estimate
        At the borderline grade; bootstrap over people, with the analytic standard error.
    intercept, slope, r2 : float
        `slope` is the marks gained per grade step.
    jackknife_se : float
    """

    cut: Estimate
    intercept: float
    slope: float
    r2: float
    jackknife_se: float


def borderline_regression(
    marks: ArrayLike, grades: ArrayLike, *, people: ArrayLike | None = None, borderline: float = 2.0, draws: int = 2000,
    rng: np.random.Generator, level: float = 0.95,
) -> BorderlineLine:  # fmt: skip
    """The mark that the line of marks on overall views reaches at "borderline".

    Trust it with 50 people or more, R² above .5, and views given before any mark was seen. It is the default: it uses
    everyone, not only the borderline few.

    Parameters
    ----------
    marks, grades : (n,) float arrays
    people : (n,) array, optional
        Whose they are, where one person has several pieces; the bootstrap and the jackknife then take people.
    borderline : float
        Grade at which the line is read.
    draws : int
        Bootstrap draws over people.
    rng : Generator
    level : float

    Returns
    -------
    BorderlineLine

    Raises
    ------
    EvidenceError
        If there are fewer than three people, one grade only, or marks do not rise with grades.

    Notes
    -----
    Source: Wood, Humphrey-Murto and Norman (2006); error of a fitted value. Checked against a computed cohort of twenty.

    Examples
    --------
    >>> found = borderline_regression([40, 50, 62, 70], [1, 2, 3, 4], rng=np.random.default_rng(1))
    >>> round(found.cut.value, 1)
    50.4
    """
    y, g = as_pairs(marks, grades, names=("marks", "grades"))
    n, centred = len(y), g - g.mean()
    sgg = float(centred @ centred)
    if sgg == 0.0:
        raise EvidenceError(f"grades: all {n} are {g[0]:g}, so no line of marks on grades can be laid.")
    if float(np.ptp(y)) == 0.0:
        raise EvidenceError(f"marks: all {n} are {y[0]:g}, so no line of marks on grades can be laid.")
    slope = float(centred @ y) / sgg
    if slope <= 0.0:
        raise EvidenceError(
            "grades: marks do not rise with the overall view, so borderline regression has no meaning here."
        )
    intercept = float(y.mean() - slope * g.mean())
    rest = y - intercept - slope * g
    s = math.sqrt(float(rest @ rest) / (n - 2))
    cut = intercept + slope * borderline
    se = s * math.sqrt(1 / n + (borderline - float(g.mean())) ** 2 / sgg)
    total = float(np.sum((y - y.mean()) ** 2))
    each = _sums(y, g, _person_codes(people, n))
    persons = len(each)
    lower, upper = percentile_interval(_cuts(draws_of(persons, draws, rng) @ each, borderline), level=level)
    left_out = _cuts(each.sum(axis=0) - each, borderline)
    jackknife = math.sqrt((persons - 1) / persons * float(np.nansum((left_out - np.nanmean(left_out)) ** 2)))
    words = f"borderline regression read at {borderline:g}; bootstrap over people"
    se = se if people is None else jackknife
    estimate = Estimate(cut, lower, upper, n=persons, method=words, se=se, level=level)
    return BorderlineLine(estimate, intercept, slope, 1.0 - float(rest @ rest) / total, jackknife)


def borderline_cuts(
    marks: ArrayLike, grades: ArrayLike, person: ArrayLike, weights: FloatArray, *, borderline: float = 2.0
) -> FloatArray:
    """The line of one exercise in each draw of people, so that exercises drawn together can be averaged.

    Parameters
    ----------
    marks, grades : (n,) float arrays
    person : (n,) int array
        Whose, from 0 to the number of columns of `weights`.
    weights : (draws, people) float array
        From `resampling.draws_of`.

    Returns
    -------
    cuts : (draws,) float array
        NaN where a draw has one grade only.

    Examples
    --------
    >>> borderline_cuts([40, 50, 62, 70], [1, 2, 3, 4], [0, 1, 2, 3], np.ones((1, 4))).round(1)
    array([50.4])
    """
    y, g = as_pairs(marks, grades, names=("marks", "grades"), least=1)
    return _cuts(weights @ _sums(y, g, np.asarray(person, dtype=np.intp), weights.shape[1]), borderline)


def _person_codes(people: ArrayLike | None, n: int) -> np.ndarray:
    return np.arange(n) if people is None else np.unique(np.asarray(people), return_inverse=True)[1]


def _sums(y: FloatArray, g: FloatArray, person: np.ndarray, people: int | None = None) -> FloatArray:
    """(people, 5): count, and sums of marks, grades, squared grades and products."""
    columns = (np.ones_like(y), y, g, g**2, g * y)
    return np.column_stack([np.bincount(person, weights=c, minlength=people or 0) for c in columns])


def _cuts(sums: FloatArray, borderline: float) -> FloatArray:
    """The line's value at the borderline grade from each row of sums."""
    n, y, g, gg, gy = sums.T
    with np.errstate(divide="ignore", invalid="ignore"):
        sgg, sgy = gg - g**2 / n, gy - g * y / n
        return np.asarray(np.where(sgg > 1e-9, y / n + sgy / sgg * (borderline - g / n), np.nan))


def borderline_group(
    marks: ArrayLike, grades: ArrayLike, *, people: ArrayLike | None = None, borderline: float = 2.0,
    middle: Literal["mean", "median"] = "mean", draws: int = 2000, rng: np.random.Generator, level: float = 0.95,
) -> Estimate:  # fmt: skip
    """Mean or median mark of those seen as borderline.

    Trust it with twenty borderline people or more; it forgets everyone else.

    Returns
    -------
    Estimate
        Bootstrap over the borderline people; the standard error of a mean is analytic, of a median from the bootstrap.

    Raises
    ------
    EvidenceError
        If fewer than three are borderline.

    Examples
    --------
    >>> round(borderline_group([44, 50, 52, 56, 70], [2, 2, 2, 2, 4], rng=np.random.default_rng(1)).value, 1)
    50.5
    """
    y, g = as_pairs(marks, grades, names=("marks", "grades"), least=1)
    own = y[g == borderline]
    if len(own) < 3:
        raise EvidenceError(
            f"grades: {len(own)} of {len(y)} are borderline, at least 3 are needed for a line from that group."
        )
    take = np.mean if middle == "mean" else np.median
    person = _person_codes(None if people is None else np.asarray(people)[g == borderline], len(own))
    persons = int(person.max()) + 1
    weights = draws_of(persons, draws, rng)
    if middle == "mean":
        made = weights @ np.bincount(person, weights=own) / (weights @ np.bincount(person))
    else:
        made = np.array([np.median(np.repeat(own, row[person].astype(int))) for row in weights])
    lower, upper = percentile_interval(made, level=level)
    simple = middle == "mean" and people is None
    se = float(own.std(ddof=1)) / math.sqrt(len(own)) if simple else float(made.std(ddof=1))
    words = f"borderline group, {middle}; bootstrap over people"
    return Estimate(float(take(own)), lower, upper, n=len(own), method=words, se=se, level=level)


def contrasting_groups(
    marks: ArrayLike, competent: ArrayLike, *, rule: ContrastRule = "midpoint", people: ArrayLike | None = None,
    draws: int = 0, rng: np.random.Generator | None = None, level: float = 0.95,
) -> Estimate:  # fmt: skip
    """The mark that parts those seen as competent from the others, by a named rule.

    The rules differ by marks on the same data, so the rule is part of the result. Trust "logistic" when the groups
    overlap, "midpoint" when they hardly do.

    Parameters
    ----------
    marks : (n,) float array
    competent : (n,) bool array
    rule : str
        "logistic" (even odds), "midpoint" of the means, "equal density" of two normal curves, or "fewest
        misclassified", which may have several answers and then is refused.
    draws : int
        Bootstrap draws over people; 0 gives no interval.
    rng : Generator, optional

    Raises
    ------
    EvidenceError
        If a group has fewer than two people, means are in the wrong order, or the rule has no or several answers.

    Examples
    --------
    >>> round(contrasting_groups([40, 50, 60, 70], [0, 0, 1, 1], rule="midpoint").value, 1)
    55.0
    """
    if rule not in CONTRAST_RULES:
        raise InputError(f"rule is '{rule}', expected one of {', '.join(CONTRAST_RULES)}. Correct it.")
    y, g = as_pairs(marks, np.asarray(competent, dtype=float), names=("marks", "competent"))
    check_level(level)
    cut = _contrast(y, g > 0.5, rule)
    words = f"contrasting groups, {rule}"
    if not draws:
        return Estimate(cut, math.nan, math.nan, n=len(y), method=f"{words}; no interval", level=level)
    if rng is None:
        raise InputError("a bootstrap needs a random generator. Pass rng=numpy.random.default_rng(seed).")
    made = np.full(draws, np.nan)
    person = _person_codes(people, len(y))
    for at, weights in enumerate(draws_of(int(person.max()) + 1, draws, rng)):
        rows = np.repeat(np.arange(len(y)), weights[person].astype(int))
        try:
            made[at] = _contrast(y[rows], g[rows] > 0.5, rule)
        except EvidenceError:
            continue
    lower, upper = percentile_interval(made, level=level)
    se = float(np.nanstd(made, ddof=1))
    return Estimate(cut, lower, upper, n=len(y), method=f"{words}; bootstrap over people", se=se, level=level)


def _contrast(y: FloatArray, competent: np.ndarray, rule: ContrastRule) -> float:
    low, high = y[~competent], y[competent]
    if min(len(low), len(high)) < 2:
        raise EvidenceError(
            f"competent: {len(high)} competent and {len(low)} not, at least 2 of each are needed for a line between."
        )
    if high.mean() <= low.mean():
        raise EvidenceError("competent: they do not have the higher marks, so no line parts them from the others.")
    if rule == "midpoint":
        return float((low.mean() + high.mean()) / 2)
    if rule == "equal density":
        return _equal_density(low, high)
    if rule == "logistic":
        return _even_odds(y, competent)
    cuts = np.unique(y)
    wrong = np.array([np.sum(high < c) + np.sum(low >= c) for c in cuts])
    best = np.flatnonzero(wrong == wrong.min())
    if np.any(np.diff(best) > 1):
        raise EvidenceError(
            f"fewest misclassified: {wrong.min()} of {len(y)} at several marks apart, {cuts[best[0]]:g} to {cuts[best[-1]]:g}; "
            "the rule has no single answer. Choose another."
        )
    return float(cuts[best[0]])


def _equal_density(low: FloatArray, high: FloatArray) -> float:
    """Between the means, where both normal curves are equally high (sizes of the groups left aside)."""
    m0, m1, s0, s1 = low.mean(), high.mean(), low.std(ddof=1), high.std(ddof=1)
    if min(s0, s1) <= 0.0:
        raise EvidenceError(
            "equal density: one group has no spread, so its curve cannot be drawn. Choose the midpoint."
        )
    roots = np.roots([
        1 / s1**2 - 1 / s0**2,
        2 * (m0 / s0**2 - m1 / s1**2),
        m1**2 / s1**2 - m0**2 / s0**2 + 2 * math.log(s1 / s0),
    ])  # fmt: skip
    inside = [float(r.real) for r in np.atleast_1d(roots) if abs(r.imag) < 1e-9 and m0 <= r.real <= m1]
    if len(inside) != 1:
        raise EvidenceError("equal density: the curves do not cross once between the means. Choose the midpoint.")
    return inside[0]


def _even_odds(y: FloatArray, competent: np.ndarray) -> float:
    """Where a logistic curve of competence on marks reaches one half."""
    if y[~competent].max() < y[competent].min():
        raise EvidenceError("logistic: the groups do not overlap, so the curve has no slope. Choose the midpoint.")
    centre, scale = float(y.mean()), float(y.std())
    value, code, n = np.unique(y, return_inverse=True, return_counts=True)  # many pieces share a mark
    able = np.bincount(code, weights=competent)
    x = np.column_stack([np.ones(len(value)), (value - centre) / scale])

    def loss(beta: FloatArray) -> float:
        eta = x @ beta
        return float(np.sum(n * np.logaddexp(0.0, eta) - able * eta))

    beta = np.zeros(2)
    for _ in range(60):
        p = scipy.special.expit(x @ beta)
        hessian = (x * (n * p * (1 - p))[:, None]).T @ x + 1e-12 * np.eye(2)
        move = np.linalg.solve(hessian, x.T @ (able - n * p))
        start, size = loss(beta), 1.0
        while loss(beta + size * move) > start + 1e-12 and size > 1e-8:
            size /= 2
        beta = beta + size * move
        if float(np.abs(move).max()) < 1e-10:
            break
    if beta[1] <= 0.0:
        raise EvidenceError("logistic: competence does not rise with marks, so no line parts the groups.")
    return centre - scale * float(beta[0] / beta[1])


def fail_rate(marks: ArrayLike, cut: float) -> float:
    """Share of marks below a cut; a mark on the cut passes."""
    return float(np.mean(np.asarray(marks, dtype=float) < cut))
