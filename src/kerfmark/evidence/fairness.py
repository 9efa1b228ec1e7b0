"""Whether a mark is the same for the same work by site, hand and rig, and parts those who should differ."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import EvidenceError
from kerfmark.evidence.answer import GROUP_LEAST, Answer, Cell, Claim, Figure, Grid, Options, Verdict, counted
from kerfmark.evidence.functioning import GROUPS, criteria_by_group, views_by_group
from kerfmark.evidence.marks import Marks
from kerfmark.evidence.passrates import pass_rates
from kerfmark.evidence.table import Table
from kerfmark.statistics.estimates import Estimate, FloatArray
from kerfmark.statistics.fairness import VERDICT_LEAST, matched_difference
from kerfmark.statistics.validity import auc, hedges_g, mean_difference

__all__ = ["fairness"]

METHODS = (
    "Differences: Welch. Matching: on the piece's mean overall view; sandwich error over learners, 90 % interval, equivalent where it lies within the margin.",
    f"Criteria: Mantel-Haenszel, matched on the share of other criteria met; views: proportional odds, matched on the measured mark; classes only with {VERDICT_LEAST} in each group.",
    f"Groups under {GROUP_LEAST} learners are not shown.",
)


def fairness(table: Table, marks: Marks, cut: float | None, options: Options) -> Answer:
    """Differences between groups before and after matching on examiners' overall view, criterion by criterion, pass rates, and known groups.

    Raises
    ------
    EvidenceError
        If no group has ten learners beside another that has.
    """
    last = table.last_attempts()
    found = _Compared([], [], [], [])
    for column in GROUPS:
        _compare(column, last, marks, options, found)
    criteria = criteria_by_group(last)
    groups = ((column, _group_of(last, column, marks.learners)) for column in GROUPS)
    rates = pass_rates(marks.per_learner, groups, cut) if cut is not None else None
    known = _known_groups(last, marks, found.claims)
    grids = [
        grid
        for grid in (_groups_grid(found, options), rates, criteria.grid, views_by_group(last, marks), known)
        if grid is not None
    ]
    if not grids:
        raise EvidenceError(
            f"no two groups of at least {GROUP_LEAST} learners can be compared by site, hand, rig or known group. Fill those columns."
        )
    return Answer(
        "fairness", "The same mark for the same work?", _said(found), grids=tuple(grids), figures=(*_forest(found, options), *criteria.figures),
        claims=tuple(found.claims), methods=METHODS, flags=tuple(criteria.flags),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Compared:
    """What comparing groups has found so far."""

    rows: list[tuple[Cell, ...]]
    drawn: list[tuple[str, Estimate]]
    claims: list[Claim]
    small: list[str]


def _groups_grid(found: _Compared, options: Options) -> Grid | None:
    if not found.rows:
        return None
    header = ("", "n", "difference, points (95 %)", "g", "after matching (90 %)", f"within ± {options.margin:g}")
    said = "Difference of learners' mean marks; after matching: of pieces with like overall views. n: learners of each group."
    return Grid("Groups", header, tuple(found.rows), (0, 0, 1, 2, 1, 0), said)


def _said(found: _Compared) -> str:
    parts = [f"{name} {d.value:+.1f} points ({d.lower:+.1f} to {d.upper:+.1f})" for name, d in found.drawn[:4]]
    said = (
        f"After matching on overall views: {'; '.join(parts)}."
        if parts
        else "Groups could not be matched on overall views."
    )
    return said + (" Too small to show: " + ", ".join(found.small) + "." if found.small else "")


def _forest(found: _Compared, options: Options) -> tuple[Figure, ...]:
    if not found.drawn:
        return ()
    data = {
        "names": [n for n, _ in found.drawn], "value": [d.value for _, d in found.drawn], "lower": [d.lower for _, d in found.drawn],
        "upper": [d.upper for _, d in found.drawn], "margin": options.margin,
    }  # fmt: skip
    caption = f"Difference left after matching on examiners' view, points, 90 %; limits ± {options.margin:g} set by the school"
    return (Figure("forest", caption, data),)


def _group_of(last: Table, column: str, learners: NDArray[np.str_]) -> NDArray[np.str_]:
    """Each learner's group, "" where none or several."""
    made = np.full(len(learners), "", dtype=object)
    rows = last.where(last[column] != "")
    for name, group in sorted({(str(a), str(b)) for a, b in zip(rows["learner"], rows[column], strict=True)}):
        at = np.searchsorted(learners, name)
        if at < len(learners) and learners[at] == name:
            made[at] = group if made[at] == "" else "several"
    return made.astype(str)


def _compare(column: str, last: Table, marks: Marks, options: Options, found: _Compared) -> None:
    group = _group_of(last, column, marks.learners)
    scores = marks.per_learner
    usable = ~np.isnan(scores) & (group != "") & (group != "several")
    names, sizes = np.unique(group[usable], return_counts=True)
    counts = {str(n): int(c) for n, c in zip(names, sizes, strict=True)}
    shown = [n for n, c in counts.items() if c >= GROUP_LEAST]
    found.small.extend(f"{column} {n}" for n, c in counts.items() if c < GROUP_LEAST)
    if len(shown) < 2:
        return
    reference = max(shown, key=lambda n: counts[n])
    inside: list[bool] = []
    for name in shown:
        if name == reference:
            continue
        a, b = (scores[usable & (group == g)] for g in (name, reference))
        label = f"{column} {name} less {reference}"
        both = f"{len(a)}, {len(b)}"
        try:
            plain, g = mean_difference(a, b), hedges_g(a, b).value
        except EvidenceError as why:
            found.rows.append((label, both, str(why), None, None, ""))
            continue
        matched = _matched(marks, group, name, reference)
        if isinstance(matched, Estimate):
            found.drawn.append((label, matched))
            inside.append(-options.margin <= matched.lower and matched.upper <= options.margin)
            found.rows.append((label, both, plain, g, matched, "shown" if inside[-1] else "not shown"))
        else:
            found.rows.append((label, both, plain, g, matched, "cannot be said"))
    if inside:
        found.claims.append(_alike(column, all(inside), min(counts[n] for n in shown), found, options))


def _alike(column: str, inside: bool, smallest: int, found: _Compared, options: Options) -> Claim:
    few = smallest < VERDICT_LEAST
    verdict: Verdict = "not shown" if not inside else "with limits" if few else "stands"
    own = [d for n, d in found.drawn if n.startswith(column)]
    widest = max(max(abs(d.lower), abs(d.upper)) for d in own)
    because = f"difference at most {widest:.1f} points, limit {options.margin:g}"
    because += f"; smallest group {counted(smallest)} learners" if few else ""
    return Claim(f"A mark means the same whatever the {column}", verdict, because, "fairness")


def _matched(marks: Marks, group: NDArray[np.str_], name: str, reference: str) -> Estimate | str:
    learner, _, y, g = marks.pieces()
    keep = np.isin(group[learner], (name, reference))
    if keep.sum() < GROUP_LEAST:
        return "no overall views to match on"
    try:
        return matched_difference(y[keep], group[learner][keep] == name, g[keep], people=learner[keep], level=0.90)
    except EvidenceError as why:
        return str(why)


def _known_groups(last: Table, marks: Marks, claims: list[Claim]) -> Grid | None:
    group, scores = _group_of(last, "group", marks.learners), marks.per_learner
    usable = ~np.isnan(scores) & (group != "") & (group != "several")
    names = [str(n) for n in np.unique(group[usable]) if np.sum(usable & (group == n)) >= GROUP_LEAST]
    if len(names) != 2:
        return None
    parts: list[FloatArray] = [scores[usable & (group == n)] for n in names]
    if parts[0].mean() > parts[1].mean():
        parts, names = parts[::-1], names[::-1]
    found, g = auc(parts[0], parts[1]), hedges_g(parts[1], parts[0])
    rows: tuple[tuple[Cell, ...], ...] = (
        (f"{names[1]} above {names[0]}: chance (AUC)", found), ("standardised difference g", g), ("n", f"{len(parts[0])} and {len(parts[1])}"),
    )  # fmt: skip
    claims.append(
        Claim(
            f"Marks part {names[1]} from {names[0]}",
            "with limits" if found.lower > 0.5 else "not shown",
            f"AUC {found.value:.2f}, 95 % {found.lower:.2f} to {found.upper:.2f}, n {found.n}; known groups are weak evidence alone",
            "fairness",
        )
    )
    said = "AUC: how often one of the group expected higher has the higher mark; one half is chance."
    return Grid("Known groups", ("", "value (95 %)"), rows, (0, 2), said)
