"""What the error of a mark does to pass and fail: accuracy, consistency, wrong passes and wrong failures."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import scipy.special
import scipy.stats
from numpy.typing import ArrayLike

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.estimates import Estimate, FloatArray, as_vector
from kerfmark.statistics.resampling import draws_of, percentile_interval

__all__ = [
    "Decisions", "GlobalRisks", "Guard", "beta_binomial_decisions", "binomial_error", "decision_quality",
    "effective_length", "global_risks", "guard_table", "livingston_k2", "livingston_lewis", "peng_subkoviak",
    "standard_error",
]  # fmt: skip

NODES, WEIGHTS = np.polynomial.legendre.leggauss(48)
NODES, WEIGHTS = 0.5 * (NODES + 1.0), 0.5 * WEIGHTS


@dataclass(frozen=True, slots=True)
class Decisions:
    """Pass and fail, as shares of all decisions.

    Attributes
    ----------
    accuracy, consistency, kappa : float
        Right decisions; the same decision on a second like sitting; that beyond chance.
    false_pass, false_fail : float
    true_pass, true_fail : float
    fail_rate : float
        Expected share failed.
    """

    accuracy: float
    consistency: float
    kappa: float
    false_pass: float
    false_fail: float
    true_pass: float
    true_fail: float
    fail_rate: float


@dataclass(frozen=True, slots=True)
class Guard:
    """A pass mark moved k standard errors from the standard: what it costs each side."""

    k: float
    cut: float
    false_pass: float
    false_fail: float
    fail_rate: float


@dataclass(frozen=True, slots=True)
class GlobalRisks:
    """Of measuring against limits: false acceptance (consumer's) and false rejection (producer's), as shares of all."""

    false_accept: float
    false_reject: float


def standard_error(sd: float, reliability: float) -> float:
    """Standard error of measurement, s √(1 − r).

    Examples
    --------
    >>> round(standard_error(8, 0.84), 3)
    3.2
    """
    if not 0.0 <= reliability <= 1.0 or sd < 0.0:
        raise EvidenceError(
            f"reliability is {reliability:.3g} and SD {sd:.3g}; outside 0 to 1 no error of a mark can be said."
        )
    return sd * math.sqrt(1.0 - reliability)


def binomial_error(correct: float, items: int) -> float:
    """Lord's binomial error of a number-right mark, √(x(n − x)/(n − 1)).

    Examples
    --------
    >>> round(binomial_error(15, 20), 6)
    1.986799
    """
    return math.sqrt(correct * (items - correct) / (items - 1))


def livingston_k2(reliability: float, sd: float, mean: float, cut: float) -> float:
    """Reliability of the distance from a cut.

    Examples
    --------
    >>> round(livingston_k2(0.8, 4, 15, 12), 3)
    0.872
    """
    away = (mean - cut) ** 2
    if sd == 0.0 and away == 0.0:
        raise EvidenceError("every mark is on the cut, so the reliability of their distance from it cannot be said.")
    return (reliability * sd**2 + away) / (sd**2 + away)


def peng_subkoviak(
    reliability: float, sd: float, mean: float, cut: float, *, continuity: float = 0.5
) -> tuple[float, float]:
    """Consistency and kappa of pass and fail from one sitting, both sittings normal.

    Trust it for whole-number marks about normal; `continuity` is half a mark, 0 for continuous marks.

    Notes
    -----
    Source: Peng and Subkoviak (1980).

    Examples
    --------
    >>> tuple(round(v, 4) for v in peng_subkoviak(0.8, 4, 15, 12))
    (0.8622, 0.5538)
    """
    if sd <= 0.0:
        raise EvidenceError("all marks are equal, so the consistency of decisions cannot be said.")
    z = (cut - continuity - mean) / sd
    both = float(
        scipy.stats.multivariate_normal.cdf([z, z], cov=[[1.0, reliability], [reliability, 1.0]], allow_singular=True)
    )
    p = float(scipy.special.ndtr(z))
    consistency = 1.0 - 2.0 * (p - both)
    chance = p**2 + (1 - p) ** 2
    return consistency, (consistency - chance) / (1.0 - chance)


def effective_length(mean: float, variance: float, reliability: float, *, least: float, most: float) -> float:
    """Livingston and Lewis' number of like, independent items that would be as precise.

    Examples
    --------
    >>> round(effective_length(10, 16, 0.8, least=0, most=20), 6)
    27.25
    """
    if not 0.0 < reliability < 1.0 or variance <= 0.0:
        raise EvidenceError(
            f"reliability is {reliability:.3g}; decisions can be judged between 0 and 1 only, not at either end."
        )
    return ((mean - least) * (most - mean) - reliability * variance) / (variance * (1.0 - reliability))


def beta_binomial_decisions(
    alpha: float, beta: float, length: int, cut: float, *, lower: float = 0.0, upper: float = 1.0
) -> Decisions:
    """Decisions where true shares are beta and observed ones binomial.

    The boundary rule is "at or above the cut passes": a learner fails whose share x/length is below `cut`.

    Parameters
    ----------
    alpha, beta : float
        Of the true shares, on `lower` to `upper`.
    length : int
        Effective number of items.
    cut : float
        As a share, 0 to 1.

    Notes
    -----
    Source: Livingston and Lewis (1995), Hanson (1991). Checked against R betafunctions.

    Examples
    --------
    >>> round(beta_binomial_decisions(5, 3, 100, 0.5, lower=0.25, upper=0.75).accuracy, 4)
    0.8775
    """
    a, b, n = (np.array([v], dtype=float) for v in (alpha, beta, length))
    table = _beta_binomial(a, b, n, cut, lower, upper)
    return Decisions(*(float(table[name][0]) for name in Decisions.__slots__))


def livingston_lewis(
    marks: ArrayLike, reliability: float, cut: float, *, least: float = 0.0, most: float = 100.0
) -> Decisions:
    """Accuracy and consistency of pass and fail from one sitting of any kind of marks.

    Trust it when reliability is of the very mark that decides, and marks are not piled up at an end. A mark on the cut
    passes.

    Parameters
    ----------
    marks : (n,) float array
    reliability : float
        Of the mark, from a decision study (dependability for a fixed line).
    cut : float
    least, most : float
        Ends of the mark's scale.

    Returns
    -------
    Decisions

    Raises
    ------
    EvidenceError
        If all marks are equal, reliability is not between 0 and 1, or true marks would spread more than the scale lets.

    Notes
    -----
    Variant: two-parameter beta true scores on the whole scale, matched in mean and true variance (the four-parameter
    fit often leaves the scale at class sizes). Source: Livingston and Lewis (1995).

    Examples
    --------
    >>> found = livingston_lewis([50, 55, 60, 65, 70, 75, 80], 0.8, 58)
    >>> round(found.accuracy, 3)
    0.886
    """
    y = as_vector(marks, name="marks", least=3)
    table = _livingston_lewis(np.array([y.mean()]), np.array([y.var(ddof=1)]), reliability, cut, least, most)
    if not np.isfinite(table["accuracy"][0]):
        raise EvidenceError(
            "marks: their true spread does not fit the mark's scale, so decisions cannot be modelled. Check least and most."
        )
    return Decisions(*(float(table[name][0]) for name in Decisions.__slots__))


def decision_quality(
    marks: ArrayLike, reliability: float, cut: float, *, least: float = 0.0, most: float = 100.0, draws: int = 2000,
    rng: np.random.Generator, level: float = 0.95,
) -> dict[str, Estimate]:  # fmt: skip
    """Every part of `livingston_lewis` with an interval over people, reliability held.

    Returns
    -------
    parts : dict of str to Estimate
        Keys as `Decisions`.
    """
    y = as_vector(marks, name="marks", least=3)
    found = livingston_lewis(y, reliability, cut, least=least, most=most)
    weights, n = draws_of(len(y), draws, rng), len(y)
    mean = weights @ y / n
    variance = (weights @ y**2 / n - mean**2) * n / (n - 1)
    made = _livingston_lewis(mean, variance, reliability, cut, least, most)
    parts = {}
    for name in Decisions.__slots__:
        lower, upper = percentile_interval(made[name], level=level)
        words = "Livingston and Lewis, two-parameter beta; a mark on the line passes; bootstrap over people"
        parts[name] = Estimate(getattr(found, name), lower, upper, n=n, method=words, level=level)
    return parts


def _livingston_lewis(
    mean: FloatArray, variance: FloatArray, reliability: float, cut: float, least: float, most: float
) -> dict[str, FloatArray]:
    if not least < most:
        raise InputError(f"marks run from {least} to {most}, expected the least below the most. Correct the scale.")
    if float(np.max(variance)) <= 0.0:
        raise EvidenceError("all marks are equal, so the quality of decisions cannot be said.")
    effective_length(float(mean[0]), float(max(variance[0], 1e-12)), reliability, least=least, most=most)
    width = most - least
    share, true = (mean - least) / width, reliability * variance / width**2
    with np.errstate(divide="ignore", invalid="ignore"):
        size = share * (1.0 - share) / true - 1.0
        length = ((mean - least) * (most - mean) - reliability * variance) / (variance * (1.0 - reliability))
    fits = (size > 0.0) & (variance > 0.0) & (length >= 1.0)
    size, length = np.where(fits, size, 1.0), np.where(fits, np.maximum(1.0, np.round(length)), 1.0)
    table = _beta_binomial(share * size, (1.0 - share) * size, length, (cut - least) / width, 0.0, 1.0)
    return {name: np.where(fits, values, np.nan) for name, values in table.items()}


def _beta_binomial(
    alpha: FloatArray, beta: FloatArray, length: FloatArray, cut: float, lower: float, upper: float
) -> dict[str, FloatArray]:
    """Every part of `Decisions`, one entry a row of parameters, by quadrature on both sides of the cut."""
    inside = float(np.clip((cut - lower) / (upper - lower), 0.0, 1.0))
    below = scipy.special.betainc(alpha, beta, inside)
    most_failed = np.ceil(cut * length - 1e-9) - 1.0
    parts = []
    for start, size in ((np.zeros_like(below), below), (below, 1.0 - below)):
        at = start[:, None] + size[:, None] * NODES
        tau = lower + (upper - lower) * scipy.special.betaincinv(alpha[:, None], beta[:, None], at)
        k, n = np.maximum(most_failed, 0.0)[:, None], length[:, None]
        failed = np.where(
            most_failed[:, None] < 0.0, 0.0, scipy.special.betainc(n - k, k + 1.0, 1.0 - np.clip(tau, 0.0, 1.0))
        )
        parts.append((size * (failed @ WEIGHTS), size * ((failed**2 + (1 - failed) ** 2) @ WEIGHTS)))
    true_fail, false_fail = parts[0][0], parts[1][0]
    fail_rate, consistency = true_fail + false_fail, parts[0][1] + parts[1][1]
    true_pass = 1.0 - below - false_fail
    chance = fail_rate**2 + (1.0 - fail_rate) ** 2
    kappa = np.where(chance < 1.0, (consistency - chance) / np.where(chance < 1.0, 1.0 - chance, 1.0), np.nan)
    return {
        "accuracy": true_fail + true_pass, "consistency": consistency, "kappa": kappa,
        "false_pass": below - true_fail, "false_fail": false_fail, "true_pass": true_pass, "true_fail": true_fail,
        "fail_rate": fail_rate,
    }  # fmt: skip


def guard_table(
    mean: float, sd: float, sem: float, standard: float, *, ks: Iterable[float] = (-1.0, 0.0, 1.0, 1.645)
) -> list[Guard]:
    """Wrong passes and wrong failures with the pass mark k standard errors above the standard.

    Both rates always stand together: a guard buys fewer wrong passes with more wrong failures.

    Parameters
    ----------
    mean, sd : float
        Of true marks, taken as normal.
    sem : float
        Standard error of a mark.
    standard : float
        The true mark that should just pass.
    ks : iterable of float

    Examples
    --------
    >>> [(g.cut, round(g.false_pass, 4), round(g.false_fail, 4)) for g in guard_table(66, 8, 3.2, 60, ks=(0, 1))]
    [(60.0, 0.0387, 0.0552), (63.2, 0.0086, 0.1546)]
    """
    if sd <= 0.0 or sem <= 0.0:
        raise EvidenceError(
            f"true marks spread by {sd:.3g} with an error of {sem:.3g}; both must be above 0 for rates of wrong decisions."
        )
    below = float(scipy.special.ndtr((standard - mean) / sd))
    low = mean + sd * scipy.special.ndtri(below * NODES)
    high = mean + sd * scipy.special.ndtri(below + (1.0 - below) * NODES)
    made = []
    for k in ks:
        cut = float(standard + k * sem)
        false_pass = below * float(scipy.special.ndtr((low - cut) / sem) @ WEIGHTS)
        false_fail = (1.0 - below) * float(scipy.special.ndtr((cut - high) / sem) @ WEIGHTS)
        made.append(
            Guard(float(k), cut, false_pass, false_fail, float(scipy.special.ndtr((cut - mean) / math.hypot(sd, sem))))
        )
    return made


def global_risks(lower: float, upper: float, *, mean: float, sd: float, u: float, guard: float = 0.0) -> GlobalRisks:
    """How often a criterion is met or missed wrongly over all pieces: JCGM 106.

    Parameters
    ----------
    lower, upper : float
        Limits of the criterion.
    mean, sd : float
        Of the pieces' true values, normal.
    u : float
        Standard uncertainty of a reading.
    guard : float
        Acceptance limits lie this far inside the limits.

    Notes
    -----
    Source: JCGM 106:2012, clause 9.5. Checked against suncal.

    Examples
    --------
    >>> risks = global_risks(1499.8, 1500.2, mean=1500, sd=0.12, u=0.04)
    >>> round(risks.false_accept, 5), round(risks.false_reject, 5)
    (0.01894, 0.03721)
    """
    if not lower < upper or sd <= 0.0 or u <= 0.0 or guard < 0.0:
        raise InputError(
            f"limits {lower} to {upper}, sd {sd}, u {u}, guard {guard}: expected rising limits, sd and u above 0, no negative guard."
        )
    nodes, weights = np.polynomial.legendre.leggauss(200)
    nodes, weights = 0.5 * (nodes + 1.0), 0.5 * weights
    ends = [0.0, *(float(scipy.special.ndtr((limit - mean) / sd)) for limit in (lower, upper)), 1.0]

    def accepted(start: float, end: float) -> float:
        true = mean + sd * scipy.special.ndtri(start + (end - start) * nodes)
        high, low = (upper - guard - true) / u, (lower + guard - true) / u
        return (end - start) * float((scipy.special.ndtr(high) - scipy.special.ndtr(low)) @ weights)

    wrong = accepted(ends[0], ends[1]) + accepted(ends[2], ends[3])
    return GlobalRisks(wrong, ends[2] - ends[1] - accepted(ends[1], ends[2]))
