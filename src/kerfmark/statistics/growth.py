"""Growth of a cohort over attempts, each learner with a start and a slope of their own."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.optimize
from numpy.typing import ArrayLike

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.estimates import Estimate, FloatArray, as_pairs, check_level
from kerfmark.statistics.intervals import coverage_factor

__all__ = ["Growth", "mixed_growth"]


@dataclass(frozen=True, slots=True)
class Growth:
    """Linear growth of a cohort: mean start and slope, and how much learners differ in both.

    Attributes
    ----------
    start, slope : Estimate
        Fixed effects, normal interval.
    var_start, var_slope, covariance, residual : float
    people : int
    """

    start: Estimate
    slope: Estimate
    var_start: float
    var_slope: float
    covariance: float
    residual: float
    people: int


def mixed_growth(people: ArrayLike, time: ArrayLike, marks: ArrayLike, *, level: float = 0.95) -> Growth:
    """Linear growth with each learner's own start and slope, by restricted maximum likelihood.

    Trust it for a cohort over a term, at least ten learners with three attempts each; for one learner's bend use
    `learning_curve`. Learners with one attempt say nothing of growth and are left out.

    Parameters
    ----------
    people, time, marks : (n,) arrays
    level : float

    Returns
    -------
    Growth

    Raises
    ------
    EvidenceError
        If there are too few learners or attempts, or the fit does not settle.

    Notes
    -----
    Each learner's own line b_i is normal about the mean line with covariance D + σ²(X'X)⁻¹, so that the likelihood needs
    2 × 2 matrices only and does not mind learners who hardly differ in slope, where the general program fails. Checked
    against statsmodels MixedLM and R lme4 on its sleep study.

    Examples
    --------
    >>> people, time = np.repeat(np.arange(12), 4), np.tile(np.arange(4.0), 12)
    >>> rng = np.random.default_rng(1)
    >>> marks = 50 + 3 * rng.normal(size=12)[people] + (5 + rng.normal(size=12)[people]) * time + rng.normal(size=48)
    >>> mixed_growth(people, time, marks).slope.holds(5.0)
    True
    """
    who = np.asarray(people)
    t, y = as_pairs(time, marks, names=("time", "marks"), least=12)
    if who.shape != y.shape:
        raise InputError(f"people: {who.size} entries for {len(y)} marks, expected one a mark. Correct the columns.")
    if float(np.ptp(y)) == 0.0 or float(np.ptp(t)) == 0.0:
        raise EvidenceError("growth: all marks or all times are equal, so growth cannot be said.")
    lines = _own_lines(np.unique(who, return_inverse=True)[1], t, y)
    if len(lines.own) < 5 or np.sum(lines.attempts >= 3) < 5:
        raise EvidenceError(
            "growth: fewer than five learners have three attempts, so their slopes cannot be told apart."
        )
    if lines.rest <= 1e-12 * float(y @ y):
        raise EvidenceError(
            "growth: every learner lies on a line of their own, so there is no error to judge growth by."
        )
    start = np.array([1.0, 0.0, 0.5, 0.0])

    def value_at(at: FloatArray) -> float:
        return lines.criterion(at)[0]

    found = scipy.optimize.minimize(value_at, start, method="BFGS", options={"gtol": 1e-6})
    _, mean, covariance, d, residual = lines.criterion(np.asarray(found.x))
    errors = np.sqrt(np.diag(covariance))
    if not np.all(np.isfinite(errors)):
        raise EvidenceError("growth: the likelihood did not settle; learners hardly differ in start or slope.")
    z, n = coverage_factor(check_level(level)), len(lines.own)
    words = "mixed linear growth, restricted maximum likelihood; normal interval"
    ends = [
        Estimate(float(v), float(v - z * s), float(v + z * s), n=n, method=words, se=float(s), level=level)
        for v, s in zip(mean, errors, strict=True)
    ]
    return Growth(ends[0], ends[1], float(d[0, 0]), float(d[1, 1]), float(d[0, 1]), residual, n)


@dataclass(frozen=True, slots=True)
class _OwnLines:
    """Each learner's least-squares line, its inverse information, and what is left over.

    Attributes
    ----------
    own : (people, 2) float array
        Start and slope.
    spread : (people, 2, 2) float array
        (X'X)⁻¹.
    attempts : (people,) float array
    rest : float
        Residual sum of squares of all own lines.
    """

    own: FloatArray
    spread: FloatArray
    attempts: FloatArray
    rest: float

    def criterion(self, at: FloatArray) -> tuple[float, FloatArray, FloatArray, FloatArray, float]:
        """−2 log restricted likelihood; mean line, its covariance, covariance of learners, residual variance."""
        df = float(self.attempts.sum()) - 2 * len(self.own)
        residual = self.rest / max(df, 1.0) * math.exp(float(np.clip(at[3], -20, 20)))
        scale = np.sqrt(np.maximum(self.own.var(axis=0), 1e-12))
        root = np.array([[at[0], 0.0], [at[1], at[2]]]) * scale[:, None]
        d = root @ root.T
        w = d + residual * self.spread
        inverse = np.linalg.inv(w)
        total = inverse.sum(axis=0)
        covariance = np.asarray(np.linalg.inv(total), dtype=float)
        mean = covariance @ np.einsum("pij,pj->i", inverse, self.own)
        apart = self.own - mean
        value = float(np.sum(np.linalg.slogdet(w)[1])) + float(np.linalg.slogdet(total)[1])
        value += float(np.einsum("pi,pij,pj->", apart, inverse, apart)) + df * math.log(residual) + self.rest / residual
        return value, mean, covariance, d, residual


def _own_lines(person: np.ndarray, t: FloatArray, y: FloatArray) -> _OwnLines:
    sums = [np.bincount(person, weights=v) for v in (np.ones_like(t), t, t * t, y, t * y, y * y)]
    n, st, stt, sy, sty, syy = sums
    spread = n * stt - st**2
    keep = spread > 1e-9
    n, st, stt, sy, sty, syy, spread = (v[keep] for v in (*sums, spread))
    inverse = np.moveaxis(np.array([[stt, -st], [-st, n]]) / spread, 2, 0) if len(n) else np.zeros((0, 2, 2))
    own = np.einsum("pij,pj->pi", inverse, np.column_stack([sy, sty]))
    rest = float(np.sum(syy - own[:, 0] * sy - own[:, 1] * sty))
    return _OwnLines(own, inverse, np.asarray(n, dtype=float), max(0.0, rest))
