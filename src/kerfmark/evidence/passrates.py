"""Who passes, group by group: shares, and their ratio to the largest group, always with n."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import EvidenceError
from kerfmark.evidence.answer import COUNT_LEAST, GROUP_LEAST, Cell, Grid
from kerfmark.statistics.estimates import Estimate, FloatArray
from kerfmark.statistics.intervals import wilson_interval
from kerfmark.statistics.shares import share_ratio

__all__ = ["pass_rates"]


def pass_rates(scores: FloatArray, groups: Iterable[tuple[str, NDArray[np.str_]]], cut: float) -> Grid | None:
    """Pass rate of every group of ten learners or more, and its ratio to that of the largest.

    Parameters
    ----------
    scores : (learners,) float array
    groups : iterable of (column, (learners,) array of str)
        Each learner's group in each column; "" or "several" where none.
    cut : float

    Returns
    -------
    Grid or None
        None where no column has two groups that may be shown.
    """
    rows: list[tuple[Cell, ...]] = []
    for column, group in groups:
        usable = ~np.isnan(scores) & (group != "") & (group != "several")
        names, counts = np.unique(group[usable], return_counts=True)
        shown = {str(n): int(c) for n, c in zip(names, counts, strict=True) if c >= GROUP_LEAST}
        if len(shown) < 2:
            continue
        passed = {name: int(np.sum(scores[usable & (group == name)] >= cut)) for name in shown}
        reference = max(shown, key=lambda name: shown[name])
        for name in sorted(shown, key=lambda name: (name != reference, name)):
            rows.append(_row(column, name, reference, passed, shown))
    if not rows:
        return None
    said = f"Ratio: pass rate over that of the largest group; 1 is equal. Shares that rest on under {COUNT_LEAST} learners on either side of the line are not printed."
    return Grid("Pass rates", ("", "n", "pass rate (95 %)", "ratio (95 %)"), tuple(rows), (0, 0, 2, 2), said)


def _row(column: str, name: str, reference: str, passed: dict[str, int], counts: dict[str, int]) -> tuple[Cell, ...]:
    label, n = f"{column} {name}", counts[name]
    if _hidden(passed[name], n):
        return label, n, "not shown, under 5", "reference" if name == reference else None
    low, high = wilson_interval(passed[name], n)
    rate = Estimate(passed[name] / n, low, high, n=n, method="share; Wilson interval")
    if name == reference:
        return label, n, rate, "reference"
    if _hidden(passed[reference], counts[reference]):
        return label, n, rate, None
    try:
        return label, n, rate, share_ratio(passed[name], n, passed[reference], counts[reference])
    except EvidenceError as why:
        return label, n, rate, str(why)


def _hidden(passed: int, n: int) -> bool:
    """True where the share would tell a small count."""
    return 0 < passed < COUNT_LEAST or 0 < n - passed < COUNT_LEAST
