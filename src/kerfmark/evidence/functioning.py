"""Whether single criteria and examiners' views treat like work alike, by hand, site and rig."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import EvidenceError
from kerfmark.evidence.answer import GROUP_LEAST, Cell, Figure, Grid, p_words
from kerfmark.evidence.marks import Marks
from kerfmark.evidence.ratings import piece_codes
from kerfmark.evidence.table import Table
from kerfmark.statistics.fairness import MantelHaenszel, mantel_haenszel, matched_tables, ordinal_functioning

__all__ = ["GROUPS", "ByGroup", "criteria_by_group", "reference_of", "views_by_group"]

GROUPS = ("site", "hand", "rig")
SHOWN_DELTA = 1.5
DRAWN_MOST = 12
DELTA = -2.35
"""Delta is this times the logarithm of the odds ratio."""


def reference_of(group: NDArray[np.str_], usable: NDArray[np.bool_]) -> tuple[str, list[str]]:
    """The largest group, and the others that are large enough to show.

    Examples
    --------
    >>> reference_of(np.array(["a"] * 12 + ["b"] * 11 + ["c"]), np.ones(24, dtype=bool))
    ('a', ['b'])
    """
    names, counts = np.unique(group[usable & (group != "") & (group != "several")], return_counts=True)
    shown = sorted((str(n) for n, c in zip(names, counts, strict=True) if c >= GROUP_LEAST))
    if not shown:
        return "", []
    reference = max(shown, key=lambda name: int(counts[list(names).index(name)]))
    return reference, [name for name in shown if name != reference]


@dataclass(frozen=True, slots=True)
class ByGroup:
    """Criteria compared between groups: the table of those that stand out, the plot, and those of class C."""

    grid: Grid | None = None
    figures: tuple[Figure, ...] = ()
    flags: tuple[str, ...] = ()


def criteria_by_group(last: Table) -> ByGroup:
    """Each criterion, matched on the other criteria of the same piece: those that stand out, and how many were compared."""
    rows = last.said_by("measured", whole=False)
    rows = rows.where(np.isin(rows["ruling"], ("met", "not met")) & (rows.number("repeat") == 1))
    if not len(rows):
        return ByGroup()
    compared = list(_comparisons(rows))
    if not compared:
        return ByGroup()
    beyond = [
        c
        for c in compared
        if (abs(c[2].delta) >= SHOWN_DELTA and c[2].p < 0.05) or min(c[2].p, _p(c[2].homogeneity_p)) < 0.01
    ]
    header = ("criterion", "group", "n", "odds, reference over group (95 %)", "delta", "p", "alike in strata", "class")
    said = f"{len(compared)} comparisons of like pieces; shown are those with delta beyond {SHOWN_DELTA:g} and p under 0.05, or p under 0.01 ({len(beyond)}). About {0.01 * len(compared):.0f} would show p under 0.01 by chance."
    grid = Grid(
        "Criteria by group, like pieces compared",
        header,
        tuple(_row(*c) for c in beyond),
        (0, 0, 0, 2, 1, 0, 0, 0),
        said,
    )
    flags = tuple(
        f"Criterion {key}, {pair.replace(' / ', ' against ')}: delta {found.delta:+.1f}; look at how it is cut, held and measured."
        for key, pair, found in compared
        if found.verdict == "C"
    )
    return ByGroup(grid, _plot(compared), flags)


def _comparisons(rows: Table) -> Iterator[tuple[str, str, MantelHaenszel]]:
    """Criterion, group against reference, and what was found, wherever it can be said."""
    piece = piece_codes(rows, "learner", "exercise")
    met = (rows["ruling"] == "met").astype(float)
    count = np.bincount(piece)
    rest = (np.bincount(piece, weights=met)[piece] - met) / np.maximum(count[piece] - 1, 1)
    keys = np.char.add(np.char.add(rows["exercise"].astype(str), ": "), rows["criterion"].astype(str))
    for column in GROUPS:
        group = rows[column].astype(str)
        for key in np.unique(keys):
            own = (keys == key) & (count[piece] > 1)
            reference, others = reference_of(group, own)
            for name in others:
                pair = own & np.isin(group, (reference, name))
                try:
                    found = mantel_haenszel(matched_tables(met[pair], group[pair] == name, rest[pair]))
                except EvidenceError:
                    continue
                yield str(key), f"{column} {name} / {reference}", found


def _plot(compared: list[tuple[str, str, MantelHaenszel]]) -> tuple[Figure, ...]:
    """The comparisons with the least p, as delta with its interval."""
    sound = [c for c in compared if c[2].odds_ratio.has_interval and c[2].odds_ratio.lower > 0.0]
    shown = sorted(sound, key=lambda c: c[2].p)[:DRAWN_MOST]
    if not shown:
        return ()
    shown.sort(key=lambda c: c[2].delta)
    ends = [sorted(DELTA * math.log(end) for end in (c[2].odds_ratio.lower, c[2].odds_ratio.upper)) for c in shown]
    data = {
        "names": [f"{key}, {pair}" for key, pair, _ in shown], "value": [c[2].delta for c in shown],
        "lower": [low for low, _ in ends], "upper": [high for _, high in ends], "margin": SHOWN_DELTA,
    }  # fmt: skip
    caption = f"Delta with 95 % interval, the {len(shown)} of {len(compared)} comparisons with the least p; left is harder for the group"
    return (Figure("functioning", caption, data),)


def _p(p: float) -> float:
    return p if np.isfinite(p) else 1.0


def _row(key: str, pair: str, found: MantelHaenszel) -> tuple[Cell, ...]:
    alike = p_words(found.homogeneity_p) if np.isfinite(found.homogeneity_p) else "one stratum"
    n = found.n_reference + found.n_focal
    return key, pair, n, found.odds_ratio, found.delta, p_words(found.p), alike, found.verdict or "too few for a class"


def views_by_group(last: Table, marks: Marks) -> Grid | None:
    """Examiners' overall views of pieces with like measured marks, at the exercise with the most views.

    One piece a learner and one view a piece, so that views are independent.
    """
    rows = last.said_by("examiner", whole=True)
    rows = rows.where(~np.isnan(rows.number("grade")) & np.isin(rows["learner"], marks.learners))
    if not len(rows) or marks.source != "measured":
        return None
    names, counts = np.unique(rows["exercise"], return_counts=True)
    exercise = str(names[np.argmax(counts)])
    own = rows.where(rows["exercise"] == exercise)
    own = own.where(np.isin(np.arange(len(own)), np.unique(own["learner"], return_index=True)[1]))
    if exercise not in marks.exercises:
        return None
    score = marks.marks[
        np.searchsorted(marks.learners, own["learner"].astype(str)), np.searchsorted(marks.exercises, exercise)
    ]
    known = ~np.isnan(score)
    made: list[tuple[Cell, ...]] = []
    for column in GROUPS:
        group = own[column].astype(str)
        reference, others = reference_of(group, known)
        for name in others:
            pair = known & np.isin(group, (reference, name))
            try:
                found = ordinal_functioning(own.number("grade")[pair], group[pair] == name, score[pair])
            except EvidenceError:
                continue
            made.append(
                (
                    f"{column} {name} less {reference}",
                    found.n,
                    found.uniform,
                    p_words(found.uniform_p),
                    p_words(found.non_uniform_p),
                    found.r2_change,
                    found.verdict or "too few for a verdict",
                )
            )
    if not made:
        return None
    header = ("", "n", "log odds of a higher view (95 %)", "group", "group × mark", "pseudo-R² gained", "")
    return Grid(
        f"Examiners' views of like marks, at {exercise}",
        header,
        tuple(made),
        (0, 0, 2, 0, 0, 3, 0),
        "0 is the same view for the same mark. One view a learner.",
    )
