"""Many-facet Rasch: how severe each examiner is and how hard each exercise, apart from who was judged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy.stats
from numpy.typing import ArrayLike

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.conditional import IntArray, Solution, counted, log_weights, maximise
from kerfmark.statistics.estimates import Estimate, FloatArray, check_level
from kerfmark.statistics.intervals import coverage_factor
from kerfmark.statistics.linking import check_linked

__all__ = ["Facet", "FacetFit", "SeverityModel", "Steps", "many_facet"]

Steps = Literal["common", "by exercise"]


@dataclass(frozen=True, slots=True)
class FacetFit:
    """How one examiner's or exercise's ratings fit the model; 1 is as expected, over 1 noisier, under 1 more alike."""

    infit: float
    outfit: float
    n: int


@dataclass(frozen=True, slots=True)
class Facet:
    """Examiners or exercises on the logit scale, centred on 0: positive is severe, or hard.

    Attributes
    ----------
    measure : mapping of str to Estimate
    fit : mapping of str to FacetFit
    separation, reliability : float
        How well its members are told apart, over their errors.
    equal_p : float
        p of all being equal (Wald).
    covariance : (k, k) float array
        Of the measures, in their order.
    """

    measure: Mapping[str, Estimate]
    fit: Mapping[str, FacetFit]
    separation: float
    reliability: float
    equal_p: float
    covariance: FloatArray

    def difference(self, first: str, second: str, *, level: float = 0.95) -> Estimate:
        """First less second, in logits, with the error of the difference."""
        names = list(self.measure)
        contrast = np.zeros(len(names))
        contrast[names.index(first)] += 1.0
        contrast[names.index(second)] -= 1.0
        value = self.measure[first].value - self.measure[second].value
        se = float(np.sqrt(contrast @ self.covariance @ contrast))
        n = min(self.measure[first].n, self.measure[second].n)
        return _normal(value, se, n, "difference of conditional estimates; normal interval", level)


@dataclass(frozen=True, slots=True)
class SeverityModel:
    """A fitted model.

    Attributes
    ----------
    examiners, exercises : Facet or None
        None where there is one only.
    thresholds : mapping of str to float array
        Where neighbouring categories are equally likely, per exercise (or "all").
    log_likelihood : float
        Conditional.
    people : tuple of str
    ability, ability_se, fair_mark : (people,) float arrays
        Warm's estimate, its error, and the mean rating expected from examiners of mean severity over all exercises.
    person_reliability : float
    n : int
        Ratings.
    """

    examiners: Facet | None
    exercises: Facet | None
    thresholds: Mapping[str, FloatArray]
    log_likelihood: float
    people: tuple[str, ...]
    ability: FloatArray
    ability_se: FloatArray
    fair_mark: FloatArray
    person_reliability: float
    n: int


def many_facet(
    people: ArrayLike,
    ratings: ArrayLike,
    *,
    examiners: ArrayLike | None = None,
    exercises: ArrayLike | None = None,
    steps: Steps = "common",
    level: float = 0.95,
) -> SeverityModel:
    """Severity, difficulty and fair marks from ordered ratings with any gaps.

    Trust it when fit lies between about 0.7 and 1.3 and every examiner shares learners with others. Choose steps
    "common" (rating scale) unless exercises use the categories differently and each has many ratings ("by exercise",
    partial credit).

    Parameters
    ----------
    people : (n,) array
        Who was judged.
    ratings : (n,) int array
        Categories 0, 1, 2, …; each must be used.
    examiners, exercises : (n,) arrays, optional
    steps : str
    level : float

    Returns
    -------
    SeverityModel

    Raises
    ------
    InputError
        If lengths differ or ratings are no whole numbers from 0.
    EvidenceError
        If examiners or exercises are not linked (the missing link is named), a category is unused, someone always gives
        the highest or lowest, or facets cannot be told apart.

    Notes
    -----
    Model: log(P_x/P_{x−1}) = θ − δ − α − τ_x (Linacre 1989). Estimated by conditional maximum likelihood (Andersen 1972),
    which needs no distribution of ability and has none of the bias of joint likelihood; abilities by Warm (1989).
    Checked against the closed form of two raters and R eRm.

    Examples
    --------
    >>> people, examiner = np.repeat(np.arange(42), 2), np.tile(["A", "B"], 42)
    >>> ratings = np.r_[np.tile([1, 0], 30), np.tile([0, 1], 12)]
    >>> round(many_facet(people, ratings, examiners=examiner).examiners.difference("B", "A").value, 6)
    0.916291
    """
    who, rating, columns = _as_ratings(people, ratings, {"examiners": examiners, "exercises": exercises})
    names = {facet: np.unique(column) for facet, column in columns.items()}
    codes = {facet: np.searchsorted(names[facet], column) for facet, column in columns.items()}
    for facet, column in columns.items():
        check_linked(who, column, name=facet)
        _check_extremes(rating, column, facet)
    persons, person = np.unique(who, return_inverse=True)
    pairs = np.column_stack([codes.get(f, np.zeros(len(who), dtype=int)) for f in ("exercises", "examiners")])
    kinds, kind = np.unique(pairs, axis=0, return_inverse=True)
    kind = np.asarray(kind).ravel()
    categories = int(rating.max()) + 1
    sizes = {facet: len(found) for facet, found in names.items()}
    _check_apart(person, kind, kinds, names)
    design = _design(kinds, sizes.get("exercises", 1), sizes.get("examiners", 1), categories, steps)
    solution = maximise(counted(person, kind, rating, categories=categories), design)
    logs = log_weights(design, solution.parameters)
    ability, se = _abilities(person, kind, rating, logs)
    fits = _residuals(person, ability, rating, logs[kind])
    slices = _slices(sizes.get("exercises", 1), sizes.get("examiners", 1))
    facets = {
        facet: _facet(names[facet], codes[facet], solution, slices[facet], fits, level)
        for facet in columns
        if sizes[facet] > 1
    }
    exercise_names = [str(name) for name in names["exercises"]] if "exercises" in names else ["all"]
    return SeverityModel(
        facets.get("examiners"),
        facets.get("exercises"),
        _thresholds(solution.parameters, exercise_names, slices, categories, steps),
        solution.log_likelihood,
        tuple(str(name) for name in persons),
        ability,
        se,
        _fair_marks(ability, solution.parameters, exercise_names, slices, categories, steps),
        _reliability(ability, se),
        len(rating),
    )


def _as_ratings(
    people: ArrayLike, ratings: ArrayLike, facets: Mapping[str, ArrayLike | None]
) -> tuple[np.ndarray, IntArray, dict[str, np.ndarray]]:
    who, given = np.asarray(people), np.asarray(ratings, dtype=float)
    columns = {facet: np.asarray(column) for facet, column in facets.items() if column is not None}
    for name, column in {"ratings": given, **columns}.items():
        if column.shape != who.shape or who.ndim != 1:
            raise InputError(
                f"{name}: {column.size} entries for {who.size} people, expected one a rating. Correct the columns."
            )
    if not len(given) or not np.all(np.isfinite(given)) or np.any(given != np.round(given)) or np.any(given < 0):
        raise InputError(
            "ratings: expected whole numbers from 0, one a rating, none missing. Number the categories from 0."
        )
    rating = given.astype(np.intp)
    unused = [str(x) for x in range(int(rating.max()) + 1) if not np.any(rating == x)]
    if len(np.unique(rating)) < 2:
        raise EvidenceError(f"ratings: all {len(rating)} are the same category, so severity cannot be said.")
    if unused:
        raise EvidenceError(
            f"ratings: category {unused[0]} is never used, so its step cannot be said. Merge it with a neighbour."
        )
    return who, rating, columns


def _check_extremes(rating: IntArray, column: np.ndarray, facet: str) -> None:
    for name in np.unique(column):
        own = rating[column == name]
        if own.min() == own.max() and own.min() in (0, rating.max()):
            word = "lowest" if own.min() == 0 else "highest"
            raise EvidenceError(
                f"{facet}: {name} has the {word} category in all {len(own)} ratings, so its place has no bound. Leave it out."
            )


def _check_apart(person: IntArray, kind: IntArray, kinds: IntArray, names: Mapping[str, np.ndarray]) -> None:
    """Differences within people must tell exercises and examiners apart."""
    if len(names) < 2:
        return
    n_e, n_j = len(names["exercises"]), len(names["examiners"])
    dummies = np.hstack([np.eye(n_e)[kinds[:, 0]], np.eye(n_j)[kinds[:, 1]]])
    rows = np.unique(np.column_stack([person, kind]), axis=0)
    seen = dummies[rows[:, 1]]
    counts = np.bincount(rows[:, 0])
    means = np.zeros((len(counts), seen.shape[1]))
    np.add.at(means, rows[:, 0], seen)
    centred = seen - (means / counts[:, None])[rows[:, 0]]
    if np.linalg.matrix_rank(centred.T @ centred, tol=1e-8) < n_e + n_j - 2:
        raise EvidenceError(
            "exercises and examiners: within learners they always change together, so a hard exercise and a severe "
            "examiner cannot be told apart. Let one examiner judge two exercises of the same learners and ask again."
        )


def _centred(size: int) -> FloatArray:
    """(size, size − 1): free parameters to effects that sum to 0."""
    return np.vstack([np.eye(size - 1), -np.ones((1, size - 1))]) if size > 1 else np.zeros((1, 0))


def _slices(n_exercises: int, n_examiners: int) -> dict[str, slice]:
    first, second = n_exercises - 1, n_exercises - 1 + n_examiners - 1
    return {"exercises": slice(0, first), "examiners": slice(first, second), "steps": slice(second, None)}


def _design(kinds: IntArray, n_exercises: int, n_examiners: int, categories: int, steps: Steps) -> FloatArray:
    """Log odds of each category of each type from the free parameters: difficulty, severity, steps."""
    exercise, examiner = _centred(n_exercises)[kinds[:, 0]], _centred(n_examiners)[kinds[:, 1]]
    x = np.arange(categories)
    main = np.concatenate([exercise, examiner], axis=1)
    parts = [-x[None, :, None] * main[:, None, :]]
    sums = np.cumsum(np.vstack([np.zeros((1, categories - 2)), _centred(categories - 1)]), axis=0)
    if steps == "common":
        parts.append(np.broadcast_to(-sums, (len(kinds), *sums.shape)))
    elif steps == "by exercise":
        own = np.zeros((len(kinds), categories, n_exercises, categories - 2))
        own[np.arange(len(kinds)), :, kinds[:, 0]] = -sums
        parts.append(own.reshape(len(kinds), categories, -1))
    else:
        raise InputError(f"steps are '{steps}', expected 'common' or 'by exercise'. Correct it.")
    return np.concatenate(parts, axis=2)


def _steps_of(
    parameters: FloatArray, slices: Mapping[str, slice], exercises: int, categories: int, steps: Steps
) -> FloatArray:
    """(exercises, categories − 1) steps, each row summing to 0."""
    free = parameters[slices["steps"]].reshape(1 if steps == "common" else exercises, categories - 2)
    return np.broadcast_to(free @ _centred(categories - 1).T, (exercises, categories - 1))


def _thresholds(
    parameters: FloatArray, names: list[str], slices: Mapping[str, slice], categories: int, steps: Steps
) -> dict[str, FloatArray]:
    difficulty = _centred(len(names)) @ parameters[slices["exercises"]]
    own = _steps_of(parameters, slices, len(names), categories, steps)
    return {name: difficulty[at] + own[at] for at, name in enumerate(names)}


def _moments(theta: FloatArray, logs: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean, variance and third central moment of ratings by people at `theta`."""
    x = np.arange(logs.shape[-1])
    eta = logs + theta[..., None] * x
    p = np.exp(eta - eta.max(axis=-1, keepdims=True))
    p /= p.sum(axis=-1, keepdims=True)
    mean = p @ x
    apart = x - mean[..., None]
    return mean, np.sum(p * apart**2, axis=-1), np.sum(p * apart**3, axis=-1)


def _abilities(person: IntArray, kind: IntArray, rating: IntArray, logs: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Warm's weighted likelihood estimate of each person and its error, by bisection."""
    people = int(person.max()) + 1
    low, high = np.full(people, -20.0), np.full(people, 20.0)
    total, own = np.bincount(person, weights=rating), logs[kind]
    for _ in range(45):
        middle = 0.5 * (low + high)
        mean, variance, third = _moments(middle[person], own)
        information = np.bincount(person, weights=variance)
        skew = np.bincount(person, weights=third)
        score = total - np.bincount(person, weights=mean) + skew / (2 * np.maximum(information, 1e-300))
        low, high = np.where(score > 0, middle, low), np.where(score > 0, high, middle)
    theta = 0.5 * (low + high)
    information = np.bincount(person, weights=_moments(theta[person], own)[1])
    return theta, np.asarray(1.0 / np.sqrt(information))


def _residuals(
    person: IntArray, theta: FloatArray, rating: IntArray, logs: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Squared residual of every rating, and the variance it has once the person is estimated from it too."""
    mean, variance, _ = _moments(theta[person], logs)
    leverage = variance / np.bincount(person, weights=variance)[person]
    return np.asarray((rating - mean) ** 2), np.asarray(variance * (1.0 - leverage))


def _facet(
    names: np.ndarray,
    codes: IntArray,
    solution: Solution,
    part: slice,
    fits: tuple[FloatArray, FloatArray],
    level: float,
) -> Facet:
    spread = _centred(len(names))
    values = spread @ solution.parameters[part]
    covariance = spread @ solution.covariance[part, part] @ spread.T
    errors = np.sqrt(np.diag(covariance))
    counts = np.bincount(codes)
    words = "conditional maximum likelihood; normal interval"
    measure = {
        str(name): _normal(float(values[at]), float(errors[at]), int(counts[at]), words, level)
        for at, name in enumerate(names)
    }
    squares, variance = fits
    z = squares / np.maximum(variance, 1e-9)
    infit = np.bincount(codes, weights=squares) / np.bincount(codes, weights=variance)
    outfit = np.bincount(codes, weights=z) / counts
    fit = {str(n): FacetFit(float(infit[at]), float(outfit[at]), int(counts[at])) for at, n in enumerate(names)}
    mse = float(np.mean(errors**2))
    true = max(0.0, float(values.var(ddof=1)) - mse)
    free = solution.parameters[part]
    wald = float(free @ np.linalg.solve(solution.covariance[part, part], free))
    equal_p = float(scipy.stats.chi2.sf(wald, len(free)))
    return Facet(measure, fit, float(np.sqrt(true / mse)), true / (true + mse), equal_p, covariance)


def _fair_marks(
    ability: FloatArray,
    parameters: FloatArray,
    names: list[str],
    slices: Mapping[str, slice],
    categories: int,
    steps: Steps,
) -> FloatArray:
    difficulty = _centred(len(names)) @ parameters[slices["exercises"]]
    own = _steps_of(parameters, slices, len(names), categories, steps)
    marks = np.zeros_like(ability)
    for at in range(len(names)):
        logs = -np.r_[0.0, np.cumsum(difficulty[at] + own[at])]
        marks += _moments(ability, np.broadcast_to(logs, (len(ability), categories)))[0]
    return marks / len(names)


def _reliability(ability: FloatArray, se: FloatArray) -> float:
    """Share of the spread of abilities that is not error."""
    spread = float(ability.var(ddof=1)) if len(ability) > 1 else 0.0
    return max(0.0, 1.0 - float(np.mean(se**2)) / spread) if spread > 0.0 else 0.0


def _normal(value: float, se: float, n: int, method: str, level: float) -> Estimate:
    half = coverage_factor(check_level(level)) * se
    return Estimate(value, value - half, value + half, n=n, method=method, se=se, level=level)
