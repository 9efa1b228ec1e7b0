"""Where an outline was not scanned: open ends joined across holes, so that what lies behind them is still inside."""

from __future__ import annotations

from typing import Final, TypeAlias

import numpy as np

from kerfmark.records import FloatArray

__all__ = ["WIDEST_MM", "joined"]

WIDEST_MM: Final = 4.0
"""The widest hole that an outline is carried across."""
AT_FOOT_MM: Final = 0.05
End: TypeAlias = tuple[int, int]


def joined(curves: tuple[FloatArray, ...], *, foot: float) -> tuple[tuple[FloatArray, ...], tuple[FloatArray, ...]]:
    """Outlines of one section whose open ends are joined straight across holes, nearest first.

    An end at the foot, where the drawing was cut off, stays open. A stretch is closed onto itself only when no other end is left.

    Parameters
    ----------
    curves : tuple of (n, 2) float array, mm
    foot : float, mm
        Height below which nothing is drawn.

    Returns
    -------
    outlines : tuple of (m, 2) float array, mm
        The same curves, those that belong together as one.
    gaps : tuple of (2, 2) float array, mm
        The ways across what was not scanned.
    """
    free = [(k, end) for k, curve in enumerate(curves) for end in (0, -1) if _is_open(curve, end, foot)]
    links = _links(curves, free)
    gaps = tuple(np.array([curves[a][i], curves[b][j]]) for (a, i), (b, j) in links)
    return _chains(curves, links), gaps


def _is_open(curve: FloatArray, end: int, foot: float) -> bool:
    return not np.allclose(curve[0], curve[-1], atol=1e-6) and bool(curve[end, 1] > foot + AT_FOOT_MM)


def _links(curves: tuple[FloatArray, ...], free: list[End]) -> list[tuple[End, End]]:
    """Pairs of ends, nearest first, each end once."""
    pairs = [
        (a[0] == b[0], float(np.linalg.norm(curves[a[0]][a[1]] - curves[b[0]][b[1]])), a, b)
        for n, a in enumerate(free)
        for b in free[:n]
    ]
    found, taken = [], set[End]()
    for _own, away, a, b in sorted(pairs):
        if away <= WIDEST_MM and not taken & {a, b}:
            found.append((a, b))
            taken |= {a, b}
    return found


def _chains(curves: tuple[FloatArray, ...], links: list[tuple[End, End]]) -> tuple[FloatArray, ...]:
    """Curves walked from end to linked end; those that come back are closed."""
    across = dict(links) | {b: a for a, b in links}
    left, found = list(range(len(curves))), []
    # Chains first that begin at an end without a link, then the closed ones.
    starts = [(k, end) for k in left for end in (0, -1) if (k, end) not in across and ((k, -1 - end) in across)]
    for start in [*starts, *((k, 0) for k in left)]:
        if start[0] not in left:
            continue
        parts, here = [], start
        while here[0] in left:
            left.remove(here[0])
            curve = curves[here[0]]
            parts.append(curve if here[1] == 0 else curve[::-1])
            other = (here[0], -1 - here[1])
            if other not in across:
                break
            here = across[other]
        chain = np.vstack(parts)
        is_closed = start in across and len(parts) > 0
        found.append(np.vstack([chain, chain[:1]]) if is_closed else chain)
    return tuple(found)
