"""The same mark for the same work? Differential functioning by hand, site or rig, after matching on the rest of the mark."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
import scipy.stats
from numpy.typing import ArrayLike

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.estimates import Estimate, FloatArray, as_vector, check_level
from kerfmark.statistics.intervals import coverage_factor

__all__ = [
    "VERDICT_LEAST",
    "MantelHaenszel",
    "OrdinalFunctioning",
    "mantel_haenszel",
    "matched_difference",
    "matched_tables",
    "ordinal_functioning",
]

VERDICT_LEAST: Final = 100
"""Fewer in either group, and effect and interval are given without a verdict."""


@dataclass(frozen=True, slots=True)
class MantelHaenszel:
    """A pass/fail criterion in two groups, matched on strata.

    Attributes
    ----------
    odds_ratio : Estimate
        Common odds of meeting it, reference over focal; 1 is equal.
    chi2, p : float
        With continuity correction.
    delta : float
        −2.35 ln of the odds ratio.
    homogeneity_chi2, homogeneity_p : float
        Breslow and Day: whether the ratio is the same in all strata. Always read both: opposite effects cancel.
    verdict : str or None
        "A" negligible, "B" moderate, "C" large; None for small groups.
    n_reference, n_focal : int
    """

    odds_ratio: Estimate
    chi2: float
    p: float
    delta: float
    homogeneity_chi2: float
    homogeneity_p: float
    verdict: Literal["A", "B", "C"] | None
    n_reference: int
    n_focal: int


@dataclass(frozen=True, slots=True)
class OrdinalFunctioning:
    """Ordered grades in two groups, matched on a score, by proportional odds.

    Attributes
    ----------
    uniform : Estimate
        Log odds of a higher grade, focal less reference, at like matching score.
    uniform_p, non_uniform_p : float
        Likelihood ratio: group; group by matching score.
    r2_change : float
        Change in McFadden's pseudo-R² by both.
    verdict : str or None
        None for small groups.
    n : int
    """

    uniform: Estimate
    uniform_p: float
    non_uniform_p: float
    r2_change: float
    verdict: str | None
    n: int


def mantel_haenszel(tables: ArrayLike, *, level: float = 0.95) -> MantelHaenszel:
    """Common odds ratio over strata with its test, and the test that it is common.

    Trust the verdict with 100 in each group; below, effect and interval stand alone.

    Parameters
    ----------
    tables : (strata, 2, 2) float array
        Reference in the first row, focal in the second; met in the first column, not met in the second.

    Returns
    -------
    MantelHaenszel
        Interval by Robins, Breslow and Greenland's variance.

    Raises
    ------
    InputError
        If the shape is another or a count negative.
    EvidenceError
        If no stratum has both groups and both outcomes.

    Notes
    -----
    Source: Mantel and Haenszel (1959); classes of Zieky (1993), memory. By statsmodels StratifiedTable. Checked against R
    on its admissions table.

    Examples
    --------
    >>> round(mantel_haenszel([[[20, 10], [15, 15]], [[30, 5], [25, 10]]]).odds_ratio.value, 3)
    2.167
    """
    from statsmodels.stats.contingency_tables import StratifiedTable

    strata = np.asarray(tables, dtype=float)
    if strata.ndim != 3 or strata.shape[1:] != (2, 2) or np.any(strata < 0):
        raise InputError(f"tables: shape {strata.shape}, expected (strata, 2, 2) counts, none negative. Correct them.")
    useful = np.all(strata.sum(axis=2) > 0, axis=1) & np.all(strata.sum(axis=1) > 0, axis=1)
    kept = strata[useful]
    n = kept.sum(axis=(1, 2))
    cross, across = float(np.sum(kept[:, 0, 0] * kept[:, 1, 1] / n)), float(np.sum(kept[:, 0, 1] * kept[:, 1, 0] / n))
    if len(kept) == 0 or cross == 0.0 or across == 0.0:
        raise EvidenceError(
            "fairness: no stratum has both groups with both outcomes in balance, so odds cannot be compared."
        )
    found: Any = StratifiedTable(list(kept.transpose(1, 2, 0).transpose(2, 0, 1)))
    null = found.test_null_odds(correction=True)
    ratio, se = float(found.oddsratio_pooled), float(found.logodds_pooled_se)
    z = coverage_factor(check_level(level))
    estimate = Estimate(
        ratio, math.exp(math.log(ratio) - z * se), math.exp(math.log(ratio) + z * se), n=int(n.sum()),
        method=f"Mantel-Haenszel odds ratio over {len(kept)} strata; normal interval of its log", se=se, level=level,
    )  # fmt: skip
    same, same_p = _equal_odds(found, kept, ratio)
    reference, focal = int(strata[:, 0].sum()), int(strata[:, 1].sum())
    delta = -2.35 * math.log(ratio)
    verdict = _class_of(delta, 2.35 * se) if min(reference, focal) >= VERDICT_LEAST else None
    return MantelHaenszel(
        estimate, float(null.statistic), float(null.pvalue), delta,
        same, same_p, verdict, reference, focal,
    )  # fmt: skip


def _equal_odds(found: Any, strata: FloatArray, ratio: float) -> tuple[float, float]:
    """Breslow and Day's statistic and p; NaN of one stratum.

    At a pooled ratio of 1 the cells expected are those of independence; statsmodels' equation has no second term there.
    """
    if len(strata) < 2:
        return math.nan, math.nan
    if abs(ratio - 1.0) > 1e-9:
        same = found.test_equal_odds()
        return float(same.statistic), float(same.pvalue)
    n = strata.sum(axis=(1, 2))
    expected = strata.sum(axis=2)[:, :, None] * strata.sum(axis=1)[:, None, :] / n[:, None, None]
    chi2 = float(np.sum((strata[:, 0, 0] - expected[:, 0, 0]) ** 2 * np.sum(1.0 / expected, axis=(1, 2))))
    return chi2, float(scipy.stats.chi2.sf(chi2, len(strata) - 1))


def _class_of(delta: float, se: float) -> Literal["A", "B", "C"]:
    size = abs(delta)
    if size < 1.0 or size / se < 1.96:
        return "A"
    return "C" if size >= 1.5 and (size - 1.0) / se > 1.645 else "B"


def matched_tables(met: ArrayLike, focal: ArrayLike, matching: ArrayLike, *, strata: int = 5) -> FloatArray:
    """Tables for `mantel_haenszel` from people matched on a score cut at its quantiles.

    The matching score must leave the criterion itself out (rest score).

    Examples
    --------
    >>> matched_tables([1, 0, 1, 1], [0, 0, 1, 1], [1, 2, 1, 2], strata=2).shape
    (2, 2, 2)
    """
    score = as_vector(matching, name="matching", least=2)
    hit, group = np.asarray(met, dtype=bool), np.asarray(focal, dtype=bool)
    if not len(hit) == len(group) == len(score):
        raise InputError(
            f"{len(hit)} outcomes, {len(group)} groups, {len(score)} scores, expected one of each a person."
        )
    edges = np.unique(np.quantile(score, np.linspace(0, 1, strata + 1)[1:-1]))
    at = np.searchsorted(edges, score, side="right")
    tables = np.zeros((len(edges) + 1, 2, 2))
    np.add.at(tables, (at, group.astype(int), 1 - hit.astype(int)), 1.0)
    return tables


def matched_difference(
    marks: ArrayLike, focal: ArrayLike, matching: ArrayLike, *, people: ArrayLike | None = None, level: float = 0.95
) -> Estimate:
    """Mean difference of marks, focal less reference, left after matching on another view of the same work.

    Trust it when the matching view is as fair to both groups as can be had, and rises evenly with the mark.

    Parameters
    ----------
    marks : (n,) float array
    focal : (n,) bool array
    matching : (n,) float array
        Such as examiners' overall view.
    people : (n,) array, optional
        Whose, where one person has several pieces; the error then allows for it.
    level : float

    Returns
    -------
    Estimate
        In mark points; sandwich error over people, t with people − 1 degrees of freedom.

    Raises
    ------
    EvidenceError
        If a group is missing or the matching view does not vary within groups.

    Notes
    -----
    Source: analysis of covariance with Liang and Zeger's error, corrected for few people. Checked against statsmodels.

    Examples
    --------
    >>> found = matched_difference([50, 60, 70, 52, 62, 73], [0, 0, 0, 1, 1, 1], [1, 2, 3, 1, 2, 3])
    >>> round(found.value, 2)
    2.33
    """
    columns = ((marks, "marks"), (focal, "focal"), (matching, "matching"))
    y, group, match = (as_vector(np.asarray(v, dtype=float), name=name, least=5) for v, name in columns)
    if not len(y) == len(group) == len(match):
        raise InputError(
            f"{len(y)} marks, {len(group)} groups, {len(match)} matching views, expected one of each a piece."
        )
    x = np.column_stack([np.ones(len(y)), group, match - match.mean()])
    if np.linalg.matrix_rank(x) < 3:
        raise EvidenceError(
            "fairness: one group only, or all matching views equal within groups, so nothing can be compared."
        )
    bread = np.linalg.inv(x.T @ x)
    beta = bread @ x.T @ y
    code = np.arange(len(y)) if people is None else np.unique(np.asarray(people), return_inverse=True)[1]
    persons = int(code.max()) + 1
    score = np.zeros((persons, 3))
    np.add.at(score, code, x * (y - x @ beta)[:, None])
    few = persons / (persons - 1) * (len(y) - 1) / (len(y) - 3)
    covariance = few * bread @ (score.T @ score) @ bread
    value, se = float(beta[1]), math.sqrt(max(0.0, float(covariance[1, 1])))
    half = float(scipy.stats.t.ppf(0.5 * (1 + check_level(level)), persons - 1)) * se
    words = "difference of marks after matching; sandwich error over people"
    return Estimate(value, value - half, value + half, n=persons, method=words, se=se, level=level)


def ordinal_functioning(
    grades: ArrayLike, focal: ArrayLike, matching: ArrayLike, *, level: float = 0.95
) -> OrdinalFunctioning:
    """Whether a group gets other grades than its matched peers, evenly (uniform) or only high or low (non-uniform).

    Trust it with 100 in each group; below, effect and interval stand alone.

    Parameters
    ----------
    grades : (n,) int array
        Ordered categories.
    focal : (n,) bool array
    matching : (n,) float array
        Rest score.

    Raises
    ------
    EvidenceError
        If a group or a second grade is missing, or the fit does not settle.

    Notes
    -----
    Source: Zumbo (1999). By statsmodels OrderedModel, checked against R MASS polr.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> score, focal = rng.normal(size=120), np.arange(120) % 2
    >>> found = ordinal_functioning(np.digitize(score + rng.logistic(size=120), [-1, 1]), focal, score)
    >>> found.verdict is None
    True
    """
    score = as_vector(matching, name="matching", least=10)
    grade, group = np.unique(np.asarray(grades), return_inverse=True)[1], np.asarray(focal, dtype=float)
    if not len(grade) == len(group) == len(score):
        raise InputError(
            f"{len(grade)} grades, {len(group)} groups, {len(score)} scores, expected one of each a person."
        )
    if grade.max() < 1 or group.min() == group.max() or np.ptp(score) == 0.0:
        raise EvidenceError("fairness: one grade, one group or one matching score only, so nothing can be compared.")
    z = (score - score.mean()) / score.std()
    models = [
        _ordered(grade, columns)
        for columns in (z[:, None], np.column_stack([z, group]), np.column_stack([z, group, z * group]))
    ]
    logs = [float(model.llf) for model in models]
    value, se = float(models[1].params[1]), float(models[1].bse[1])
    half = coverage_factor(check_level(level)) * se
    words = "log odds of a higher grade, focal less reference, proportional odds; normal interval"
    counts = np.bincount(grade)
    empty = float(np.sum(counts[counts > 0] * np.log(counts[counts > 0] / len(grade))))
    change = (logs[2] - logs[0]) / -empty
    small = min(group.sum(), len(group) - group.sum()) < VERDICT_LEAST
    verdict = None if small else ("negligible" if change < 0.035 else "moderate" if change < 0.07 else "large")
    tests = [float(scipy.stats.chi2.sf(max(0.0, 2 * (logs[k + 1] - logs[k])), 1)) for k in range(2)]
    estimate = Estimate(value, value - half, value + half, n=len(grade), method=words, se=se, level=level)
    return OrdinalFunctioning(estimate, tests[0], tests[1], change, verdict, len(grade))


def _ordered(grade: np.ndarray, columns: FloatArray) -> Any:
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        fit: Any = OrderedModel(grade, columns, distr="logit").fit(method="bfgs", disp=0, maxiter=500)
    if not np.all(np.isfinite(fit.bse[: columns.shape[1]])):
        raise EvidenceError(
            "fairness: grades are perfectly parted by the matching score or the group, so no odds can be fitted."
        )
    return fit
