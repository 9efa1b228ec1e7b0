"""Components of variance of full tables by mean squares: who, which exercise, which examiner, and the rest."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import scipy.stats
from numpy.typing import ArrayLike

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.estimates import Estimate, FloatArray
from kerfmark.statistics.intervals import DF_LEAST
from kerfmark.statistics.resampling import draws_of

__all__ = ["Components", "Effect", "bootstrap_crossed", "crossed", "nested"]

Effect = tuple[str, ...]
"""The facets of an effect, people first: ("p",), ("p", "i"). A facet nested in another is listed after it."""


@dataclass(frozen=True, slots=True)
class Components:
    """What the spread of scores is made of.

    Attributes
    ----------
    variance : mapping of Effect to float
        As estimated: a component may be negative, and is shown so.
    mean_square, df : mapping of Effect to float
        Empty where they come from likelihood.
    estimate : mapping of Effect to Estimate
        Set to 0 where negative, with an interval.
    levels : mapping of str to int
        How many of each facet.
    mean : float
    method : str
    """

    variance: Mapping[Effect, float]
    mean_square: Mapping[Effect, float]
    df: Mapping[Effect, float]
    estimate: Mapping[Effect, Estimate]
    levels: Mapping[str, int]
    mean: float
    method: str

    def usable(self) -> dict[Effect, float]:
        """The components with negative ones set to 0, as coefficients use them."""
        return {effect: max(0.0, value) for effect, value in self.variance.items()}

    def negative(self) -> tuple[Effect, ...]:
        """The effects whose estimate is negative: a report states them."""
        return tuple(effect for effect, value in self.variance.items() if value < 0.0)

    def shares(self) -> dict[Effect, float]:
        """Each component's share of the total, negative ones set to 0."""
        usable = self.usable()
        total = sum(usable.values())
        if total <= 0.0:
            raise EvidenceError("components: no effect has any spread, so shares of it cannot be said.")
        return {effect: value / total for effect, value in usable.items()}


def crossed(scores: ArrayLike, facets: tuple[str, ...], *, level: float = 0.95) -> Components:
    """Components of a full crossed table: p × i, p × i × o, or more facets.

    Trust them when every person has every cell; with gaps use `reml.reml_components`. The last effect holds the
    error, since each cell is seen once.

    Parameters
    ----------
    scores : float array, one axis a facet
        No cell empty, at least two of each facet.
    facets : tuple of str
        One letter an axis, people first: ("p", "i", "o").
    level : float
        Of the intervals.

    Returns
    -------
    Components
        Intervals by Satterthwaite's degrees of freedom.

    Raises
    ------
    InputError
        If axes and facets do not match or a cell is empty.
    EvidenceError
        If a facet has one level only, or all scores are equal.

    Notes
    -----
    Source: Brennan (2001), expected mean squares of random crossed designs. Checked against his synthetic data.

    Examples
    --------
    >>> found = crossed([[1.0, 2.0], [3.0, 5.0], [4.0, 4.0]], ("p", "i"))
    >>> round(found.variance["p",], 3)
    1.833
    """
    table = _as_table(scores, facets)
    effects = [effect for size in range(1, len(facets) + 1) for effect in combinations(facets, size)]
    squares = _sums_of_squares(table, facets)
    sizes = dict(zip(facets, table.shape, strict=True))
    df = {effect: float(np.prod([sizes[f] - 1 for f in effect])) for effect in effects}
    ms = {effect: squares[effect] / df[effect] for effect in effects}
    combined = {effect: _crossed_combination(effect, facets, sizes) for effect in effects}
    return _from_mean_squares(
        ms, df, combined, sizes, float(np.asarray(scores, dtype=float).mean()), "mean squares, crossed", level
    )


def nested(scores: ArrayLike, *, level: float = 0.95) -> Components:
    """Components of p × (r : t): each task (t) has its own raters (r), everyone takes all tasks.

    Parameters
    ----------
    scores : (people, tasks, raters) float array
        Raters within each task; no cell empty.

    Returns
    -------
    Components
        Effects ("p",), ("t",), ("t", "r"), ("p", "t"), ("p", "t", "r").

    Raises
    ------
    InputError, EvidenceError
        As `crossed`.

    Notes
    -----
    Source: Brennan (2001). Checked against his synthetic data set 4.

    Examples
    --------
    >>> scores = [[[1, 2], [3, 3]], [[2, 4], [5, 6]], [[6, 5], [7, 9]]]
    >>> sorted(nested(scores).levels.items())
    [('p', 3), ('r', 2), ('t', 2)]
    """
    table = _as_table(scores, ("p", "t", "r"))
    squares = _sums_of_squares(table, ("p", "t", "r"))
    n_p, n_t, n_r = table.shape
    df = {("p",): n_p - 1, ("t",): n_t - 1, ("t", "r"): n_t * (n_r - 1), ("p", "t"): (n_p - 1) * (n_t - 1)}
    df = {**df, ("p", "t", "r"): n_t * (n_p - 1) * (n_r - 1)}
    sums = {
        ("p",): squares["p",],
        ("t",): squares["t",],
        ("t", "r"): squares["r",] + squares["t", "r"],
        ("p", "t"): squares["p", "t"],
        ("p", "t", "r"): squares["p", "r"] + squares["p", "t", "r"],
    }
    ms = {effect: sums[effect] / df[effect] for effect in sums}
    rest, pt, tr = ("p", "t", "r"), ("p", "t"), ("t", "r")
    combined: dict[Effect, dict[Effect, float]] = {
        ("p",): {("p",): 1 / (n_t * n_r), pt: -1 / (n_t * n_r)},
        ("t",): {("t",): 1 / (n_p * n_r), tr: -1 / (n_p * n_r), pt: -1 / (n_p * n_r), rest: 1 / (n_p * n_r)},
        tr: {tr: 1 / n_p, rest: -1 / n_p},
        pt: {pt: 1 / n_r, rest: -1 / n_r},
        rest: {rest: 1.0},
    }
    sizes = {"p": n_p, "t": n_t, "r": n_r}
    degrees = {effect: float(value) for effect, value in df.items()}
    return _from_mean_squares(
        ms,
        degrees,
        combined,
        sizes,
        float(np.asarray(scores, dtype=float).mean()),
        "mean squares, r nested in t",
        level,
    )


def bootstrap_crossed(
    scores: ArrayLike, facets: tuple[str, ...], *, draws: int, rng: np.random.Generator
) -> dict[Effect, FloatArray]:
    """Components of a p × i or p × i × o table in each of many samples of its people, all at once.

    Exercises and examiners stay as they are, so the draws say nothing about other exercises or examiners. Mean squares
    with people in them are raised by n/(n − 1), since a sample drawn with replacement spreads less (Brennan 2001).

    Returns
    -------
    made : mapping of Effect to (draws,) float array
        Negative values are kept.
    """
    table = _as_table(scores, facets)
    if len(facets) not in (2, 3):
        raise InputError(f"{len(facets)} facets, expected people and one or two more. Average over the others first.")
    cube = table if table.ndim == 3 else table[:, :, None]
    n, n_i, n_o = cube.shape
    weights = draws_of(n, draws, rng)
    means = (weights @ cube.reshape(n, -1) / n).reshape(draws, n_i, n_o)
    within, of_means = _within(cube), _within(means)
    lift, squares = n / (n - 1), {}
    for key, part, mean in zip(("", "i", "o", "io"), within, of_means, strict=True):
        cells = n_i * n_o / max(1, part.reshape(n, -1).shape[1])
        spread = (weights @ part.reshape(n, -1) ** 2).sum(axis=1) - n * np.sum(mean.reshape(draws, -1) ** 2, axis=1)
        squares["p" + key] = lift * cells * spread
        squares[key] = n * cells * np.sum(mean.reshape(draws, -1) ** 2, axis=1)
    sizes = dict(zip(facets, table.shape, strict=True))
    effects = [effect for size in range(1, len(facets) + 1) for effect in combinations(facets, size)]
    letters = dict(zip(facets, ("p", "i", "o"), strict=False))
    ms = {
        effect: squares["".join(letters[f] for f in effect)] / np.prod([sizes[f] - 1 for f in effect])
        for effect in effects
    }
    return {
        effect: np.asarray(
            sum(share * ms[other] for other, share in _crossed_combination(effect, facets, sizes).items())
        )
        for effect in effects
    }


def _within(cube: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Each table's mean, row effects, column effects and interaction."""
    mean = cube.mean(axis=(1, 2))
    rows, columns = cube.mean(axis=2) - mean[:, None], cube.mean(axis=1) - mean[:, None]
    rest = cube - mean[:, None, None] - rows[:, :, None] - columns[:, None, :]
    return mean, rows, columns, rest


def _as_table(scores: ArrayLike, facets: tuple[str, ...]) -> FloatArray:
    table = np.asarray(scores, dtype=float)
    if table.ndim != len(facets):
        raise InputError(f"scores: {table.ndim} axes for {len(facets)} facets, expected one axis a facet. Correct it.")
    gaps = int(np.count_nonzero(~np.isfinite(table)))
    if gaps:
        raise InputError(f"scores: {gaps} of {table.size} cells are empty, expected none. Use the likelihood route.")
    for facet, size in zip(facets, table.shape, strict=True):
        if size < 2:
            raise EvidenceError(f"scores: facet {facet} has {size} level, at least 2 are needed to see its spread.")
    if np.ptp(table) == 0.0:
        raise EvidenceError(f"scores: all {table.size} are equal, so there is no spread to divide.")
    return np.asarray(table - table.mean())


def _sums_of_squares(table: FloatArray, facets: tuple[str, ...]) -> dict[Effect, float]:
    """Sum of squares of every effect of a full crossed table, by taking means away from the smallest up."""
    parts: dict[Effect, FloatArray] = {(): table.mean(keepdims=True)}
    found: dict[Effect, float] = {}
    for size in range(1, len(facets) + 1):
        for effect in combinations(facets, size):
            others = tuple(axis for axis, facet in enumerate(facets) if facet not in effect)
            part: FloatArray = np.asarray(table.mean(axis=others, keepdims=True)) if others else table
            below = [other for other in parts if set(other) < set(effect)]
            part = part - sum(parts[other] for other in below)
            parts[effect] = part
            found[effect] = float(np.sum(part**2) * table.size / part.size)
    return found


def _crossed_combination(effect: Effect, facets: tuple[str, ...], sizes: Mapping[str, int]) -> dict[Effect, float]:
    """Which mean squares make an effect's component: alternating over the effects that hold it."""
    outside = [facet for facet in facets if facet not in effect]
    divisor = float(np.prod([sizes[facet] for facet in outside])) if outside else 1.0
    return {
        tuple(f for f in facets if f in effect or f in more): (-1.0) ** size / divisor
        for size in range(len(outside) + 1)
        for more in combinations(outside, size)
    }


def _from_mean_squares(
    ms: Mapping[Effect, float],
    df: Mapping[Effect, float],
    combined: Mapping[Effect, Mapping[Effect, float]],
    sizes: Mapping[str, int],
    mean: float,
    method: str,
    level: float,
) -> Components:
    variance = {effect: sum(share * ms[o] for o, share in parts.items()) for effect, parts in combined.items()}
    estimate = {
        effect: _satterthwaite(
            variance[effect], [(share * ms[o], df[o]) for o, share in parts.items()], sizes, method, level
        )
        for effect, parts in combined.items()
    }
    return Components(variance, ms, df, estimate, sizes, mean, method)


def _satterthwaite(
    value: float, parts: list[tuple[float, float]], sizes: Mapping[str, int], method: str, level: float
) -> Estimate:
    """Interval of a combination of mean squares; where negative, from 0 to the end of its error."""
    spread = sum(part**2 / df for part, df in parts)
    n = next(iter(sizes.values()))
    se = float(np.sqrt(2.0 * spread))
    if value <= 0.0:
        words = f"{method}; estimated {value:.4g}, set to 0"
        upper = max(0.0, value + float(scipy.stats.norm.ppf(0.5 * (1 + level))) * se)
        return Estimate(0.0, 0.0, upper, n=n, method=words, se=se, level=level)
    df = value**2 / spread
    low, high = (float(scipy.stats.chi2.ppf(q, df)) for q in (0.5 * (1 - level), 0.5 * (1 + level)))
    upper = df * value / low if df >= DF_LEAST else np.inf
    words = f"{method}; Satterthwaite interval"
    return Estimate(
        value, float(df * value / high) if high > 0.0 else 0.0, float(upper), n=n, method=words, se=se, level=level
    )
