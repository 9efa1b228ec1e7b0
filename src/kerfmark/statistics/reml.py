"""Components of variance of tables with gaps, by restricted maximum likelihood, person by person.

Everything nested in one person (the person, person × exercise, person × examiner) makes the covariance block-diagonal;
what is shared between people (exercise, examiner, their interaction) has few levels and enters through the capacitance
matrix. So 30 000 ratings need a thousand small factorisations and one of a few dozen rows, not one of 30 000.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import scipy.linalg
import scipy.sparse
import scipy.stats
from numpy.typing import ArrayLike, NDArray

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.components import Components, Effect
from kerfmark.statistics.estimates import Estimate, FloatArray, as_vector
from kerfmark.statistics.intervals import DF_LEAST

__all__ = ["RESIDUAL", "Fit", "reml_components", "reml_fit"]

RESIDUAL: Final[Effect] = ("residual",)
BLOCK_CELLS_MOST: Final = 60_000_000
STEPS_MOST: Final = 60


@dataclass(frozen=True, slots=True)
class Fit:
    """A fitted model of variance components.

    Attributes
    ----------
    variance : mapping of Effect to float
        The last is `RESIDUAL`.
    covariance : (k, k) float array
        Of the components, from the average information; rows of components at 0 are 0.
    criterion : float
        −2 log restricted likelihood, with its constant.
    mean : float
    steps : int
    """

    variance: Mapping[Effect, float]
    covariance: FloatArray
    criterion: float
    mean: float
    steps: int


def reml_components(
    values: ArrayLike, facets: Mapping[str, ArrayLike], effects: Sequence[Effect], *, level: float = 0.95
) -> Components:
    """Components of variance of ratings with gaps: p × i, p × i × o and nested designs, the residual last.

    Trust it for unbalanced tables of any size; on full tables it agrees with mean squares unless one is negative, which
    here ends at 0 and is said so. Choose `components.crossed` for full tables, where negative estimates show their size.

    Parameters
    ----------
    values : (n,) float array
        One rating each.
    facets : mapping of str to (n,) int or str array
        Who, which exercise, which examiner; people in facet "p".
    effects : sequence of Effect
        Random effects without the residual, such as ("p",), ("i",), ("p", "i").
    level : float
        Of the intervals.

    Returns
    -------
    Components
        The residual stands under the effect of all facets together, or with "rep" added where that is an effect of
        its own. Intervals by Satterthwaite's degrees of freedom
        from the average information.

    Raises
    ------
    InputError
        If lengths differ, or "p" is missing.
    EvidenceError
        If a facet has one level, an effect cannot be told from the residual, or all ratings are equal.

    Notes
    -----
    Source: Patterson and Thompson (1971); average information of Gilmour, Thompson and Cullis (1995). Checked against R
    lme4's Dyestuff, Penicillin and Pastes, and statsmodels MixedLM on Brennan's data.

    Examples
    --------
    >>> values = [1, 2, 3, 5, 4, 5, 2, 2]
    >>> found = reml_components(values, {"p": [0, 0, 1, 1, 2, 2, 3, 3]}, [("p",)])
    >>> round(found.variance["p",], 3)
    1.792
    """
    fit = reml_fit(values, facets, effects)
    rest = tuple(facets)
    if rest in [tuple(effect) for effect in effects]:
        rest = (*rest, "rep")
    codes = {facet: np.unique(np.asarray(column)) for facet, column in facets.items()}
    levels = {facet: len(found) for facet, found in codes.items()}
    names = [rest if effect == RESIDUAL else tuple(effect) for effect in fit.variance]
    variance = dict(zip(names, fit.variance.values(), strict=True))
    estimate = {
        name: _satterthwaite(value, float(fit.covariance[at, at]), levels["p"], level)
        for at, (name, value) in enumerate(variance.items())
    }
    return Components(variance, {}, {}, estimate, levels, fit.mean, "restricted maximum likelihood")


def reml_fit(values: ArrayLike, facets: Mapping[str, ArrayLike], effects: Sequence[Effect]) -> Fit:
    """The fit itself; see `reml_components`."""
    design = _design(values, facets, effects)
    sigma = np.full(design.k, 1.0 / design.k)
    state = _evaluate(design, sigma)
    steps = 0
    for _ in range(STEPS_MOST):
        steps += 1
        sigma_new, state_new = _step(design, sigma, state)
        gain = state.criterion - state_new.criterion
        moved = float(np.max(np.abs(sigma_new - sigma)))
        sigma, state = sigma_new, state_new
        if gain < 1e-9 * max(1.0, abs(state.criterion)) and moved < 1e-6:
            break
    else:
        raise EvidenceError("the likelihood of the components did not settle; some effects cannot be told apart here.")
    sigma = np.where(sigma < 1e-9, 0.0, sigma)
    free = sigma > 0.0
    covariance = np.zeros((design.k, design.k))
    covariance[np.ix_(free, free)] = np.linalg.pinv(state.information[np.ix_(free, free)])
    scale = design.scale**2
    constant = (design.n - 1) * np.log(2 * np.pi * scale)
    names = [*design.names, RESIDUAL]
    return Fit(
        dict(zip(names, (sigma * scale).tolist(), strict=True)),
        covariance * scale**2,
        state.criterion + constant,
        design.centre + state.mean * design.scale,
        steps,
    )


@dataclass(frozen=True, slots=True)
class _Design:
    """Ratings sorted by person and padded to (people, most ratings)."""

    names: list[Effect]
    y: FloatArray
    present: NDArray[np.bool_]
    same: dict[Effect, FloatArray]
    local: dict[Effect, Any]
    shared: dict[Effect, slice]
    w: FloatArray
    n: int
    centre: float
    scale: float

    @property
    def k(self) -> int:
        return len(self.names) + 1


@dataclass(frozen=True, slots=True)
class _State:
    criterion: float
    gradient: FloatArray
    information: FloatArray
    mean: float


def _design(values: ArrayLike, facets: Mapping[str, ArrayLike], effects: Sequence[Effect]) -> _Design:
    y = as_vector(values, name="values", least=3)
    columns = {facet: np.asarray(column) for facet, column in facets.items()}
    for facet, column in columns.items():
        if column.shape != y.shape:
            raise InputError(f"facets: {facet} has {column.size} entries for {len(y)} values. Give one a rating.")
    if "p" not in columns:
        raise InputError("facets: none is called 'p'. Name the column of people 'p'.")
    if float(np.ptp(y)) == 0.0:
        raise EvidenceError(f"values: all {len(y)} are equal, so there is no spread to divide.")
    codes = {facet: np.unique(column, return_inverse=True)[1] for facet, column in columns.items()}
    order = np.argsort(codes["p"], kind="stable")
    codes, y = {facet: column[order] for facet, column in codes.items()}, y[order]
    person = codes["p"]
    counts = np.bincount(person)
    people, most = len(counts), int(counts.max())
    if people * most * most > BLOCK_CELLS_MOST:
        raise EvidenceError(
            f"values: one person has {most} ratings, more than can be taken here. Average repeats first."
        )
    slot = np.arange(len(y)) - np.repeat(np.cumsum(counts) - counts, counts)
    centre, scale = float(y.mean()), float(y.std())
    padded = np.zeros((people, most))
    padded[person, slot] = (y - centre) / scale
    present = np.zeros((people, most), dtype=bool)
    present[person, slot] = True
    same, local, shared, parts = {}, {}, {}, [present[:, :, None].astype(float)]
    width = 1
    for effect in effects:
        label = _labels(codes, effect)
        _check_effect(effect, label, person, len(y))
        if "p" in effect:
            grid = np.full((people, most), -1)
            grid[person, slot] = label
            same[effect] = ((grid[:, :, None] == grid[:, None, :]) & (grid[:, :, None] >= 0)).astype(float)
            local[effect] = scipy.sparse.csr_array(
                (np.ones(len(y)), (label, person * most + slot)), shape=(label.max() + 1, people * most)
            )
        else:
            block = np.zeros((people, most, int(label.max()) + 1))
            block[person, slot, label] = 1.0
            shared[effect] = slice(width, width + block.shape[2])
            width += block.shape[2]
            parts.append(block)
    return _Design(
        list(effects), padded, present, same, local, shared, np.concatenate(parts, axis=2), len(y), centre, scale
    )


def _labels(codes: Mapping[str, NDArray[np.intp]], effect: Effect) -> NDArray[np.intp]:
    missing = [facet for facet in effect if facet not in codes]
    if missing:
        raise InputError(f"effects: facet {missing[0]} has no column, expected one of {', '.join(codes)}. Correct it.")
    stacked = np.column_stack([codes[facet] for facet in effect])
    return np.asarray(np.unique(stacked, axis=0, return_inverse=True)[1]).ravel()


def _check_effect(effect: Effect, label: NDArray[np.intp], person: NDArray[np.intp], n: int) -> None:
    name = " × ".join(effect)
    levels = int(label.max()) + 1
    if levels < 2:
        raise EvidenceError(f"effects: {name} has {levels} level, at least 2 are needed to see its spread.")
    if levels == n:
        raise EvidenceError(
            f"effects: {name} is seen once at each level, so it cannot be told from the residual. Leave it out."
        )
    if "p" in effect and effect != ("p",) and levels == int(person.max()) + 1:
        raise EvidenceError(
            f"effects: each person has one {name} only, so it cannot be told from the person. Leave it out."
        )


def _evaluate(design: _Design, sigma: FloatArray) -> _State:
    """Criterion, gradient and average information at these components."""
    people, most = design.y.shape
    variance = dict(zip(design.names, sigma[:-1], strict=True))
    block = np.eye(most) * np.where(design.present, sigma[-1], 1.0)[:, None, :]
    for effect, same in design.same.items():
        block += variance[effect] * same
    factor = np.linalg.cholesky(block)
    inverse = np.linalg.inv(block)
    inverse *= design.present[:, :, None] & design.present[:, None, :]
    log_block = 2.0 * float(np.sum(np.log(np.diagonal(factor, axis1=1, axis2=2))))
    scale = np.ones(design.w.shape[2])
    for effect, columns in design.shared.items():
        scale[columns] = np.sqrt(variance[effect])
    width = len(scale)
    bw = inverse @ design.w
    whole = np.tensordot(design.w, bw, axes=([0, 1], [0, 1]))
    capacity = scale[:, None] * whole * scale + np.diag(np.r_[0.0, np.ones(width - 1)])
    chol = scipy.linalg.cho_factor(capacity, lower=True)
    log_capacity = 2.0 * float(np.sum(np.log(np.diagonal(chol[0]))))
    capacity_inverse = scipy.linalg.cho_solve(chol, np.eye(width))
    a = (bw * scale).reshape(people * most, width)

    def project(columns: FloatArray) -> FloatArray:
        """P times columns, (people·most, c)."""
        shaped = columns.reshape(people, most, -1)
        straight = (inverse @ shaped).reshape(people * most, -1)
        return np.asarray(straight - a @ (capacity_inverse @ (a.T @ columns.reshape(people * most, -1))))

    y = design.y.reshape(-1, 1)
    py = project(y)
    criterion = log_block + log_capacity + float((y.T @ py)[0, 0])
    traces, made = [], []
    flat_w = design.w.reshape(people * most, width)
    middle = scale[:, None] * capacity_inverse * scale
    for effect in design.names:
        if effect in design.same:
            z = design.local[effect]
            za = z @ a
            traces.append(float(np.sum(inverse * design.same[effect])) - float(np.sum((za @ capacity_inverse) * za)))
            made.append(z.T @ (z @ py))
        else:
            columns = design.shared[effect]
            u = whole[:, columns]
            traces.append(float(np.trace(u[columns])) - float(np.sum(u * (middle @ u))))
            zw = flat_w[:, columns]
            made.append(zw @ (zw.T @ py))
    present = design.present.reshape(-1, 1)
    traces.append(float(np.trace(inverse, axis1=1, axis2=2).sum()) - float(np.sum((a @ capacity_inverse) * a)))
    made.append(py * present)
    pushed = np.column_stack([column.ravel() for column in made])
    squares = (py.T @ pushed).ravel()
    gradient = np.array(traces) - squares
    information = 0.5 * pushed.T @ project(pushed)
    beta = capacity_inverse @ (a.T @ y)
    return _State(criterion, gradient, np.asarray(0.5 * (information + information.T)), float(beta[0, 0]))


def _step(design: _Design, sigma: FloatArray, state: _State) -> tuple[FloatArray, _State]:
    """One average-information step, kept at or above 0 and halved until the likelihood does not fall."""
    floor = np.r_[np.full(design.k - 1, 0.0), max(1e-7, 0.2 * sigma[-1])]
    free = ~((sigma <= np.r_[floor[:-1], 1e-7]) & (state.gradient > 0.0))
    move = np.zeros(design.k)
    information = state.information[np.ix_(free, free)]
    try:
        move[free] = -np.linalg.solve(information + 1e-10 * np.eye(int(free.sum())), state.gradient[free] / 2)
    except np.linalg.LinAlgError as why:
        raise EvidenceError(
            "effects: two of them fill the same cells, so they cannot be told apart. Leave one out."
        ) from why
    for halving in range(30):
        tried = np.maximum(sigma + move * 0.5**halving, floor)
        if float(np.max(np.abs(tried - sigma))) < 1e-12:
            break
        try:
            found = _evaluate(design, tried)
        except np.linalg.LinAlgError:
            continue
        if found.criterion <= state.criterion + 1e-10 * abs(state.criterion):
            return tried, found
    return sigma, state


def _satterthwaite(value: float, variance: float, people: int, level: float) -> Estimate:
    method = "restricted maximum likelihood"
    if value <= 0.0 or variance <= 0.0:
        words = f"{method}; at the boundary, set to 0, no interval"
        return Estimate(0.0, np.nan, np.nan, n=people, method=words, level=level)
    df = 2.0 * value**2 / variance
    low, high = (float(scipy.stats.chi2.ppf(q, df)) for q in (0.5 * (1 - level), 0.5 * (1 + level)))
    upper = float(df * value / low) if df >= DF_LEAST else np.inf
    words = f"{method}; Satterthwaite interval"
    return Estimate(
        value,
        float(df * value / high) if high > 0.0 else 0.0,
        upper,
        n=people,
        method=words,
        se=float(np.sqrt(variance)),
        level=level,
    )
