"""What each examiner gave: level, spread, range used, distance from partners; pairs, and repeats over time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import EvidenceError
from kerfmark.evidence.answer import GROUP_LEAST, Cell, Figure, Grid
from kerfmark.evidence.ratings import Pairs, examiner_pairs, piece_codes
from kerfmark.evidence.table import Table
from kerfmark.statistics.clustered import clustered_mean
from kerfmark.statistics.comparison import bland_altman, concordance
from kerfmark.statistics.control import ControlChart, individuals_chart
from kerfmark.statistics.estimates import Estimate, FloatArray

__all__ = ["Repeats", "drift", "examiner_grid", "pair_grid", "points_from_partners", "repeats"]

PAIRS_MOST = 6
REPEATS_LEAST = 5


def examiner_grid(rows: Table) -> Grid | None:
    """Mean, spread and range of what each examiner gave, and how it lies to partners on the same pieces.

    Parameters
    ----------
    rows : Table
        Examiners' rows about whole pieces.
    """
    rows = rows.where(rows.number("repeat") == 1)
    scored = rows.where(~np.isnan(rows.number("score")))
    if not len(scored):
        return None
    partners = points_from_partners(rows)
    levels = np.unique(rows.number("grade")[~np.isnan(rows.number("grade"))])
    made: list[tuple[Cell, ...]] = []
    for name in np.unique(scored["examiner"].astype(str)):
        own = scored.where(scored["examiner"] == name)
        grades = rows.number("grade")[(rows["examiner"] == name) & ~np.isnan(rows.number("grade"))]
        made.append(
            (
                str(name),
                len(own),
                *_level(own),
                _range(grades, levels),
                partners.get(str(name)),
                _agreement(scored, str(name)),
            )
        )
    header = (
        "examiner",
        "marks",
        "mean (95 %)",
        "SD",
        "views used",
        "points from partners (95 %)",
        "concordance with partners (95 %)",
    )
    said = "Means differ also because examiners see different pieces; points from partners compare marks of the same pieces."
    return Grid("What each examiner gave", header, tuple(made), (0, 0, 1, 1, 0, 1, 2), said)


def _level(own: Table) -> tuple[Cell, Cell]:
    score = own.number("score")
    try:
        mean: Cell = clustered_mean(score, own["learner"])
    except EvidenceError:
        mean = float(score.mean())
    return mean, float(score.std(ddof=1)) if len(score) > 1 else None


def _range(grades: FloatArray, levels: FloatArray) -> str | None:
    if not len(grades):
        return None
    return f"{grades.min():g} to {grades.max():g}, {len(np.unique(grades))} of {len(levels)}"


def points_from_partners(rows: Table) -> dict[str, Estimate | float]:
    """Each examiner's mark less the mean of the others on the same piece, over the pieces they share.

    Returns
    -------
    points : dict of str to Estimate or float
        A plain number where there are too few learners for an interval.
    """
    scored = rows.where(~np.isnan(rows.number("score")))
    if not len(scored):
        return {}
    other = _others(scored)
    made: dict[str, Estimate | float] = {}
    for name in np.unique(scored["examiner"].astype(str)):
        shared = (scored["examiner"] == name) & ~np.isnan(other)
        if shared.any():
            off = scored.number("score")[shared] - other[shared]
            try:
                made[str(name)] = clustered_mean(off, scored["learner"][shared])
            except EvidenceError:
                made[str(name)] = float(off.mean())
    return made


def _others(scored: Table) -> FloatArray:
    """Mean of the other marks on the same piece; NaN where there is none."""
    code, score = piece_codes(scored, "learner", "exercise"), scored.number("score")
    count, total = np.bincount(code), np.bincount(code, weights=score)
    return np.where(count[code] > 1, (total[code] - score) / np.maximum(count[code] - 1, 1), np.nan)


def _agreement(scored: Table, name: str) -> Cell:
    other = _others(scored)
    shared = (scored["examiner"] == name) & ~np.isnan(other)
    if shared.sum() < GROUP_LEAST:
        return None
    try:
        return concordance(scored.number("score")[shared], other[shared])
    except EvidenceError:
        return None


def pair_grid(last: Table) -> tuple[Grid, tuple[Figure, ...]] | None:
    """Each two examiners on the pieces they share: bias, limits of agreement, and the plot of the most frequent pairs."""
    pairs = examiner_pairs(last)
    if pairs is None:
        return None
    names = sorted({*zip(pairs.first.tolist(), pairs.second.tolist(), strict=True)})
    rows: list[tuple[Cell, ...]] = []
    drawn: list[dict[str, object]] = []
    small = 0
    for first, second in names:
        own = (pairs.first == first) & (pairs.second == second)
        if own.sum() < GROUP_LEAST:
            small += 1
            continue
        found = bland_altman(pairs.first_mark[own], pairs.second_mark[own], people=pairs.learner[own])
        rows.append((f"{first} less {second}", found.n, found.bias, found.lower_limit, found.upper_limit))
        drawn.append(
            _drawn(
                pairs, own, f"{first} less {second}", found.bias.value, found.lower_limit.value, found.upper_limit.value
            )
        )
    if not rows:
        return None
    said = "Limits hold 95 % of single differences." + (
        f" {small} pairs share fewer than {GROUP_LEAST} pieces and are not shown." if small else ""
    )
    grid = Grid("Pairs of examiners, points", ("", "pieces", "bias (95 %)", "lower limit (95 %)", "upper limit (95 %)"), tuple(rows), (0, 0, 1, 1, 1), said)  # fmt: skip
    drawn.sort(key=lambda d: -len(d["mean"]))  # type: ignore[arg-type]
    shown = sorted(drawn[:PAIRS_MOST], key=lambda d: str(d["name"]))
    of = f"; the {len(shown)} of {len(drawn)} pairs with most pieces" if len(drawn) > len(shown) else ""
    return grid, (
        Figure(
            "pairs",
            f"Difference of two examiners on the mean of both, with bias and limits of agreement{of}",
            {"pairs": shown},
        ),
    )


def _drawn(
    pairs: Pairs, own: NDArray[np.bool_], name: str, bias: float, lower: float, upper: float
) -> dict[str, object]:
    mean = (pairs.first_mark[own] + pairs.second_mark[own]) / 2
    keep = np.linspace(0, len(mean) - 1, min(len(mean), 300)).astype(int)
    return {
        "name": name, "mean": mean[keep].tolist(), "difference": pairs.difference[own][keep].tolist(), "bias": bias, "lower": lower,
        "upper": upper, "n": int(own.sum()),
    }  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Repeats:
    """Second less first marking of the same piece, in the order they were made; `dated` where that order goes by dates."""

    examiner: NDArray[np.str_]
    difference: FloatArray
    dated: bool

    def __len__(self) -> int:
        return len(self.difference)


def repeats(table: Table) -> Repeats | None:
    """Every piece an examiner marked twice; by date where every repeat has one, else in the order of the table."""
    rows = table.said_by("examiner", whole=True)
    rows = rows.where(~np.isnan(rows.number("score")) & np.isin(rows.number("repeat"), (1, 2)))
    if not len(rows):
        return None
    code, again = piece_codes(rows, "examiner", "learner", "exercise", "attempt"), rows.number("repeat") == 2
    first = np.full(int(code.max()) + 1, np.nan)
    first[code[~again]] = rows.number("score")[~again]
    second = np.flatnonzero(again & ~np.isnan(first[code]))
    if not len(second):
        return None
    dates = rows["date"].astype(str)[second]
    dated = bool(np.all(dates != ""))
    order = second[np.argsort(dates, kind="stable")] if dated else second
    return Repeats(rows["examiner"].astype(str)[order], rows.number("score")[order] - first[code[order]], dated)


def drift(table: Table) -> tuple[tuple[Figure, ...], list[str], str]:
    """The control chart of repeats, what stands out in it, and how it was made.

    Returns
    -------
    figures : tuple of Figure
    flags : list of str
    method : str
        Empty where there is no chart.
    """
    found = repeats(table)
    if found is None or len(found) < 2 * REPEATS_LEAST:
        return (), [], ""
    try:
        chart = individuals_chart(found.difference, groups=found.examiner, centre=0.0)
    except EvidenceError:
        return (), [], ""
    return _chart(found, chart), _out(found, chart), (
        f"Control chart of repeats: second less first mark, about 0, limits ± 3 SD from moving ranges ({chart.sd:.1f} points, n {chart.n}); "
        f"in the order of {'their dates' if found.dated else 'the table'}."
    )  # fmt: skip


def _chart(found: Repeats, chart: ControlChart) -> tuple[Figure, ...]:
    names = [str(n) for n in np.unique(found.examiner)]
    number = np.zeros(len(found), dtype=int)
    for name in names:
        own = found.examiner == name
        number[own] = np.arange(1, own.sum() + 1)
    data = {
        "names": names, "examiner": found.examiner.tolist(), "number": number.tolist(), "difference": found.difference.tolist(),
        "beyond": chart.beyond.tolist(), "run": chart.in_run.tolist(), "lower": chart.lower, "upper": chart.upper,
    }  # fmt: skip
    caption = "The same piece marked again: second less first mark, points, in order; corridor: where repeats stay while nobody drifts; filled square: outside, open diamond: eight on one side"
    return (Figure("drift", caption, data),)


def _out(found: Repeats, chart: ControlChart) -> list[str]:
    flags = []
    for name in np.unique(found.examiner):
        own = found.examiner == name
        if chart.beyond[own].any():
            flags.append(
                f"Examiner {name}: {int(chart.beyond[own].sum())} of {int(own.sum())} repeats lie outside the control limits."
            )
        if chart.in_run[own].any():
            flags.append(f"Examiner {name}: eight or more repeats in a row lie on one side, so marks drift.")
    return flags
