"""How far a mark can be relied on: decision studies over any numbers of exercises, attempts and examiners."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import product

import numpy as np
import scipy.stats
from numpy.typing import ArrayLike

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.components import Components, Effect
from kerfmark.statistics.estimates import Estimate, FloatArray, as_matrix
from kerfmark.statistics.resampling import percentile_interval

__all__ = [
    "Dependability", "alpha_if_removed", "at_cut", "conditional_error", "cronbach_alpha", "decision_study",
    "decision_table", "interval_of", "least_levels",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Dependability:
    """What a mark averaged over given numbers of conditions is worth.

    Attributes
    ----------
    levels : mapping of str to int
        The numbers asked about.
    universe : float
        Variance of what is to be known.
    relative, absolute : float
        Error variances for ranking and for a fixed line.
    generalizability, dependability : float
        Eρ² (ranking) and Φ (a fixed line).
    """

    levels: Mapping[str, int]
    universe: float
    relative: float
    absolute: float
    generalizability: float
    dependability: float

    @property
    def sem(self) -> float:
        """Absolute standard error of measurement of the mean mark, in mark points."""
        return math.sqrt(self.absolute)


def decision_study(
    variance: Mapping[Effect, float] | Components, levels: Mapping[str, int], *, fixed: Iterable[str] = ()
) -> Dependability:
    """Coefficients and errors for given numbers of each facet, people in facet "p".

    Trust it as far as the components: with three examiners an examiner component is barely known. Choose dependability
    (Φ) and the absolute error for a pass line, generalizability only for ranking.

    Parameters
    ----------
    variance : mapping of Effect to float, or Components
        Negative components count as 0.
    levels : mapping of str to int
        How many of each facet but "p" the mark is averaged over.
    fixed : iterable of str
        Facets that are the same ever after: these very exercises, these very examiners.

    Returns
    -------
    Dependability

    Raises
    ------
    InputError
        If a facet has no number, or a number below 1.
    EvidenceError
        If there is neither spread nor error.

    Notes
    -----
    Source: Brennan (2001). Checked against his synthetic data and generalizit's rows.

    Examples
    --------
    >>> variance = {("p",): 0.057407, ("i",): 0.075421, ("p", "i"): 0.126852}
    >>> round(decision_study(variance, {"i": 12}).dependability, 4)
    0.773
    """
    usable = variance.usable() if isinstance(variance, Components) else {e: max(0.0, v) for e, v in variance.items()}
    held = set(fixed)
    universe, relative, absolute = 0.0, 0.0, 0.0
    for effect, value in usable.items():
        others = [facet for facet in effect if facet != "p"]
        missing = [f for f in others if levels.get(f, 0) < 1]
        if missing:
            raise InputError(f"levels: facet {missing[0]} has no number of 1 or more. Say how many of it there are.")
        part = value / math.prod(levels[facet] for facet in others)
        if set(others) <= held:
            universe += part if "p" in effect else 0.0
        else:
            absolute += part
            relative += part if "p" in effect else 0.0
    if universe + absolute <= 0.0:
        raise EvidenceError("components: there is neither spread between people nor error, so nothing can be said.")
    return Dependability(
        dict(levels), universe, relative, absolute, _ratio(universe, relative), _ratio(universe, absolute)
    )


def _ratio(universe: float, error: float) -> float:
    return universe / (universe + error) if universe + error > 0.0 else 0.0


def decision_table(
    variance: Mapping[Effect, float] | Components, numbers: Mapping[str, Iterable[int]], *, fixed: Iterable[str] = ()
) -> list[Dependability]:
    """A decision study for every combination of the numbers given.

    Examples
    --------
    >>> variance = {("p",): 1.0, ("i",): 0.2, ("p", "i"): 2.0}
    >>> [round(d.dependability, 2) for d in decision_table(variance, {"i": [1, 4]})]
    [0.31, 0.65]
    """
    facets, held = list(numbers), tuple(fixed)
    return [
        decision_study(variance, dict(zip(facets, chosen, strict=True)), fixed=held)
        for chosen in product(*(numbers[facet] for facet in facets))
    ]


def least_levels(
    variance: Mapping[Effect, float] | Components,
    facet: str,
    levels: Mapping[str, int],
    *,
    target: float = 0.8,
    most: int = 200,
    fixed: Iterable[str] = (),
) -> int | None:
    """The least number of one facet with which dependability reaches the target; None where not even `most` does.

    Examples
    --------
    >>> least_levels({("p",): 1.0, ("i",): 0.2, ("p", "i"): 2.0}, "i", {})
    9
    """
    held = tuple(fixed)
    for number in range(1, most + 1):
        if decision_study(variance, {**levels, facet: number}, fixed=held).dependability >= target:
            return number
    return None


def interval_of(
    made: Mapping[Effect, FloatArray],
    levels: Mapping[str, int],
    found: Dependability,
    *,
    people: int,
    level: float = 0.95,
) -> tuple[Estimate, Estimate]:
    """Generalizability and dependability with intervals, from bootstrap draws of the components."""
    universe = np.maximum(made["p",], 0.0)
    relative, absolute = np.zeros_like(universe), np.zeros_like(universe)
    for effect, draws in made.items():
        others = [facet for facet in effect if facet != "p"]
        if others:
            part = np.maximum(draws, 0.0) / math.prod(levels[facet] for facet in others)
            absolute += part
            relative += part if "p" in effect else 0.0
    ends = []
    for value, error, name in (
        (found.generalizability, relative, "generalizability"),
        (found.dependability, absolute, "dependability"),
    ):
        total = universe + error
        draws = np.where(total > 0.0, universe / np.where(total > 0.0, total, 1.0), np.nan)
        lower, upper = percentile_interval(draws, level=level)
        ends.append(Estimate(value, lower, upper, n=people, method=f"{name}; bootstrap over people", level=level))
    return ends[0], ends[1]


def at_cut(found: Components, levels: Mapping[str, int], cut: float) -> float:
    """Dependability of decisions at a cut, Φ(λ): larger the further the cut lies from the mean (p × i designs).

    Notes
    -----
    Source: Brennan and Kane (1977), with the variance of the mean taken off.

    Examples
    --------
    >>> found = Components({("p",): 0.057407, ("i",): 0.075421, ("p", "i"): 0.126852}, {}, {}, {},
    ...                    {"p": 10, "i": 12}, 0.558333, "given")
    >>> round(at_cut(found, {"i": 12}, 0.8), 3)
    0.859
    """
    study = decision_study(found, levels)
    usable = found.usable()
    n_p = found.levels["p"]
    of_mean = sum(
        value / math.prod(n_p if facet == "p" else found.levels[facet] for facet in effect)
        for effect, value in usable.items()
    )
    signal = study.universe + (found.mean - cut) ** 2 - of_mean
    return max(0.0, signal) / (max(0.0, signal) + study.absolute) if study.absolute or signal > 0 else 0.0


def conditional_error(scores: ArrayLike) -> FloatArray:
    """Each person's absolute standard error of their own mean over items: √(Σ(x − x̄)²/(n(n − 1))).

    Trust it smoothed over people of like marks: one person's own value is as unsure as any variance of few items.

    Parameters
    ----------
    scores : (people, items) float array
        NaN where empty; people with fewer than two items get NaN.

    Notes
    -----
    Source: Brennan (1998). Its mean square over people is the absolute error variance of the p × i design, exactly.

    Examples
    --------
    >>> conditional_error([[0.0, 1.0, 1.0, 0.0]]).round(4)
    array([0.2887])
    """
    table = np.asarray(scores, dtype=float)
    counts = np.count_nonzero(~np.isnan(table), axis=1).astype(float)
    counts[counts < 2] = np.nan
    mean = np.nansum(table, axis=1) / counts
    return np.asarray(np.sqrt(np.nansum((table - mean[:, None]) ** 2, axis=1) / (counts * (counts - 1))))


def cronbach_alpha(scores: ArrayLike, *, level: float = 0.95) -> Estimate:
    """Internal consistency of a sum over items; equals generalizability of the p × i design.

    Returns
    -------
    Estimate
        Interval by F (Feldt 1965).

    Raises
    ------
    EvidenceError
        If people do not differ in their totals.

    Examples
    --------
    >>> round(cronbach_alpha([[1, 2], [2, 3], [4, 4], [5, 6]]).value, 3)
    0.98
    """
    table = as_matrix(scores, name="scores")
    n, k = table.shape
    total = float(table.sum(axis=1).var(ddof=1))
    if total <= 0.0:
        raise EvidenceError("scores: everyone has the same total, so its consistency cannot be said.")
    alpha = k / (k - 1) * (1.0 - float(table.var(axis=0, ddof=1).sum()) / total)
    low, high = (float(scipy.stats.f.ppf(q, n - 1, (n - 1) * (k - 1))) for q in (0.5 * (1 - level), 0.5 * (1 + level)))
    lower, upper = 1 - (1 - alpha) * high, 1 - (1 - alpha) * low
    return Estimate(alpha, float(lower), float(upper), n=n, method="Cronbach's alpha; F interval", level=level)


def alpha_if_removed(scores: ArrayLike) -> FloatArray:
    """Alpha of the rest, each item left out in turn; NaN where it cannot be formed."""
    table = as_matrix(scores, name="scores", least=(2, 3))
    made = []
    for item in range(table.shape[1]):
        try:
            made.append(cronbach_alpha(np.delete(table, item, axis=1)).value)
        except EvidenceError:
            made.append(np.nan)
    return np.array(made)
