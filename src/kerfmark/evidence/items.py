"""How each exercise and each criterion behaves: how hard it is, and whether it goes with the rest."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import EvidenceError
from kerfmark.evidence.answer import Cell, Figure, Grid, Options, counted
from kerfmark.evidence.ratings import piece_codes
from kerfmark.evidence.table import Table
from kerfmark.statistics.dependability import cronbach_alpha
from kerfmark.statistics.estimates import Estimate, FloatArray
from kerfmark.statistics.intervals import wilson_interval
from kerfmark.statistics.items import alpha_without, item_total
from kerfmark.statistics.omega import omega_total

__all__ = ["CriterionItems", "criterion_items", "exercise_items", "ruling_scores"]

SCORES = {"met": 1.0, "too close to call": 0.5, "not met": 0.0}
PIECES_LEAST = 10


@dataclass(frozen=True, slots=True)
class CriterionItems:
    """Tables, figure and flags of the criteria."""

    grids: tuple[Grid, ...]
    figures: tuple[Figure, ...]
    flags: tuple[str, ...]


def exercise_items(marks: FloatArray, names: NDArray[np.str_], options: Options) -> tuple[Grid, list[str]]:
    """Difficulty, spread, item-total correlation and alpha without each exercise.

    Parameters
    ----------
    marks : (learners, exercises) float array
        NaN where there is none.
    names : (exercises,) array of str
    options : Options
    """
    full = marks[~np.isnan(marks).any(axis=1)]
    whole = _or_none(partial(cronbach_alpha, full))
    rows: list[tuple[Cell, ...]] = []
    flags: list[str] = []
    for at, name in enumerate(names):
        own = marks[:, at][~np.isnan(marks[:, at])]
        r, without = _or_none(partial(item_total, full, at)), _or_none(partial(alpha_without, full, at))
        rows.append(
            (
                str(name),
                len(own),
                len(marks) - len(own),
                float(own.mean() / 100),
                float(own.std(ddof=1)) if len(own) > 1 else None,
                r,
                without,
            )
        )
        flags += [f"Exercise {name}: {reason}." for reason in _reasons(None, r, without, whole, options)]
    omega = _or_none(partial(omega_total, full))
    alpha = f"Alpha over exercises {_in_words(whole)}, n {whole.n}" if whole else "Alpha over exercises cannot be said"
    alpha += f"; omega {_in_words(omega)}." if omega else "; omega cannot be said."
    header = ("exercise", "n", "missing", "difficulty", "SD", "item-total r (95 %)", "alpha without (95 %)")
    return Grid("Exercises", header, tuple(rows), (0, 0, 0, 2, 1, 2, 2), alpha), flags


def ruling_scores(rows: Table) -> tuple[FloatArray, NDArray[np.str_], NDArray[np.str_]]:
    """Pieces by criteria of one exercise: met 1, too close to call ½, not met 0; NaN where nothing was ruled.

    Returns
    -------
    scores : (pieces, criteria) float array
        The first ruling on a piece counts, should it have been read again.
    learners : (pieces,) array of str
    criteria : (criteria,) array of str
    """
    criteria, column = np.unique(rows["criterion"].astype(str), return_inverse=True)
    piece = piece_codes(rows, "learner", "attempt")
    scores = np.full((int(piece.max()) + 1, len(criteria)), np.nan)
    order = np.lexsort((-rows.number("repeat"),))
    scores[piece[order], column[order]] = [SCORES[str(ruling)] for ruling in rows["ruling"][order]]
    return scores, rows["learner"].astype(str)[np.unique(piece, return_index=True)[1]], criteria


def criterion_items(table: Table, options: Options) -> CriterionItems | None:
    """Every criterion that was ruled on at last attempts: how often it was met, and whether it goes with the others."""
    rows_of = table.last_attempts().said_by("measured", whole=False)
    rows_of = rows_of.where(rows_of["ruling"] != "")
    if not len(rows_of):
        return None
    found = _Found([], [], [], [])
    for exercise in np.unique(rows_of["exercise"].astype(str)):
        _exercise(str(exercise), rows_of.where(rows_of["exercise"] == exercise), options, found)
    grids = (_often_grid(found.often), _together_grid(found.together, found.alphas))
    return CriterionItems(grids, _plot(found.together, options), tuple(found.flags))


@dataclass(frozen=True, slots=True)
class _Found:
    """Rows of both tables, alphas in words, and flags, as exercises are gone through."""

    often: list[tuple[Cell, ...]]
    together: list[tuple[Cell, ...]]
    alphas: list[str]
    flags: list[str]


def _exercise(exercise: str, own: Table, options: Options, found: _Found) -> None:
    scores, _, criteria = ruling_scores(own)
    full = scores[~np.isnan(scores).any(axis=1)]
    whole = _or_none(partial(_alpha, full))
    if whole is not None:
        omega = _or_none(partial(omega_total, full))
        found.alphas.append(f"{exercise} {_in_words(whole)}, omega {_in_words(omega) if omega else 'cannot be said'}")
    for at, criterion in enumerate(criteria):
        ruled, name = scores[:, at][~np.isnan(scores[:, at])], f"{len(found.often) + 1}  {exercise}: {criterion}"
        missing, rows = len(scores) - len(ruled), own.where(own["criterion"] == criterion)
        found.often.append(_often(name, ruled, missing, rows))
        r, without = _or_none(partial(_item, full, at)), _or_none(partial(alpha_without, full, at))
        difficulty, sd = float(ruled.mean()), float(ruled.std(ddof=1)) if len(ruled) > 1 else None
        reasons = _reasons(difficulty, r, without, whole, options)
        found.together.append((name, len(full), difficulty, sd, r, without, "flagged" if reasons else ""))
        if reasons:
            found.flags.append(f"Criterion {exercise}: {criterion}: {'; '.join(reasons)}.")


def _in_words(found: Estimate) -> str:
    return f"{found.value:.2f} ({found.lower:.2f} to {found.upper:.2f})"


def _alpha(full: FloatArray) -> Estimate:
    if len(full) < PIECES_LEAST:
        raise EvidenceError("too few pieces have every criterion.")
    return cronbach_alpha(full)


def _item(full: FloatArray, at: int) -> Estimate:
    if len(full) < PIECES_LEAST:
        raise EvidenceError("too few pieces have every criterion.")
    return item_total(full, at)


def _or_none(make: Callable[[], Estimate]) -> Estimate | None:
    try:
        return make()
    except EvidenceError:
        return None


def _often(name: str, ruled: FloatArray, missing: int, rows: Table) -> tuple[Cell, ...]:
    n, met, close = len(ruled), int(np.sum(ruled == 1.0)), int(np.sum(ruled == 0.5))
    value, lower, upper = rows.number("value"), rows.number("lower"), rows.number("upper")
    read = ~np.isnan(value) & ~(np.isnan(lower) & np.isnan(upper))
    inside = ~(value[read] < lower[read]) & ~(value[read] > upper[read])
    within: Cell = _share(int(inside.sum()), int(read.sum())) if read.any() else None
    near = f"{counted(close)} ({100 * close / n:.0f} %)" if close == 0 or close >= 5 else counted(close)
    return name, n, missing, _share(met, n), within, near


def _share(hits: int, n: int) -> Estimate:
    low, high = wilson_interval(hits, n)
    return Estimate(hits / n, low, high, n=n, method="share; Wilson interval")


def _reasons(
    difficulty: float | None, r: Estimate | None, without: Estimate | None, whole: Estimate | None, options: Options
) -> list[str]:
    """Why a person should look at an exercise or a criterion."""
    reasons = []
    if difficulty is not None and not options.hard_flag <= difficulty <= options.easy_flag:
        side = f"above {options.easy_flag:.2f}" if difficulty > options.easy_flag else f"below {options.hard_flag:.2f}"
        reasons.append(f"difficulty {difficulty:.2f}, {side}, so it hardly tells learners apart")
    if r is not None and r.value < options.alpha_flag:
        reasons.append(f"item-total correlation {r.value:.2f}, below {options.alpha_flag:.2f}")
    if whole is not None and without is not None and round(without.value, 2) > round(whole.value, 2):
        reasons.append(f"without it alpha would be {without.value:.2f} instead of {whole.value:.2f}")
    return reasons


def _often_grid(rows: list[tuple[Cell, ...]]) -> Grid:
    header = ("criterion", "n", "missing", "share met (95 %)", "inside as read (95 %)", "too close to call")
    said = "Inside as read: share of readings within the limits, their uncertainty aside. Too close to call lies near a limit and goes to a person."
    return Grid("Criteria: how often they are met", header, tuple(rows), (0, 0, 0, 2, 2, 0), said)


def _together_grid(rows: list[tuple[Cell, ...]], alphas: list[str]) -> Grid:
    header = ("criterion", "n", "difficulty", "SD", "item-total r (95 %)", "alpha without (95 %)", "")
    said = "Each criterion with the mean of the other criteria of its exercise. " + (
        f"Alpha, and omega beside it: {'; '.join(alphas)}." if alphas else "Alpha cannot be said."
    )
    return Grid("Criteria: whether they go together", header, tuple(rows), (0, 0, 2, 2, 2, 2, 0), said)


def _plot(rows: list[tuple[Cell, ...]], options: Options) -> tuple[Figure, ...]:
    shown = [row for row in rows if isinstance(row[4], Estimate)]
    if len(shown) < 2:
        return ()
    data = {
        "name": [str(row[0]).split("  ")[0] for row in shown], "difficulty": [row[2] for row in shown],
        "r": [row[4].value for row in shown if isinstance(row[4], Estimate)], "flagged": [bool(row[6]) for row in shown],
        "r_least": options.alpha_flag, "hard": options.hard_flag, "easy": options.easy_flag,
    }  # fmt: skip
    caption = "Each criterion's difficulty and its correlation with the others, numbered as in the table; square: flagged; corridor: not flagged"
    return (Figure("items", caption, data),)
