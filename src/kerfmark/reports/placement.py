"""Finding room: labels are boxes, and a new one goes where it covers least of what stands already."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from math import ceil, hypot, inf

import numpy as np

from kerfmark.records import FloatArray

__all__ = ["Box", "Room", "along", "around"]

STEP_PX = 6.0
ROUNDED = 1e-6


@dataclass(frozen=True, slots=True)
class Box:
    """An upright rectangle on the drawing, px."""

    left: float
    top: float
    right: float
    bottom: float

    def overlap(self, other: Box) -> float:
        """Area shared with another box, px²; 0 where they only touch."""
        wide = min(self.right, other.right) - max(self.left, other.left)
        high = min(self.bottom, other.bottom) - max(self.top, other.top)
        return max(0.0, wide) * max(0.0, high)

    @property
    def area(self) -> float:
        """Its area, px²."""
        return (self.right - self.left) * (self.bottom - self.top)


@dataclass(slots=True)
class Room:
    """A drawing's ground: what is taken, and where a label may still go."""

    width: float
    height: float
    taken: list[Box] = field(default_factory=list)
    _corners: FloatArray = field(default_factory=lambda: np.empty((0, 4)))

    def take(self, box: Box) -> Box:
        """Mark a box as taken."""
        self.taken.append(box)
        return box

    def cost(self, box: Box) -> float:
        """What a box would cover: area shared with what is taken, and ten times what sticks out of the drawing."""
        return float(self._costs([box])[0])

    def choose(self, candidates: Iterable[Box | tuple[Box, ...]], *, extra: Sequence[float] | None = None) -> int:
        """The first candidate that covers nothing, or the one that covers least; it is marked as taken.

        A candidate is a label's box, or that and the boxes of the lines that would come with it. `extra` is what each costs
        besides, px², as for a long leader.

        Returns
        -------
        index : int
            Of the candidate chosen.
        """
        groups = [one if isinstance(one, tuple) else (one,) for one in candidates]
        labels = self._costs([group[0] for group in groups]) + (0.0 if extra is None else np.asarray(extra))
        best = (inf, -1)
        for i in np.argsort(labels, kind="stable").tolist():
            if labels[i] > best[0] + ROUNDED:  # the lines that come with it only add
                break
            whole = float(labels[i]) + (float(self._costs(groups[i][1:]).sum()) if len(groups[i]) > 1 else 0.0)
            best = min(best, (round(whole, 6), i))
        for box in groups[best[1]]:
            self.take(box)
        return best[1]

    def _costs(self, boxes: Sequence[Box]) -> FloatArray:
        """(n,) what each box would cover; infinite for one that lies nowhere, as where two lines meet that are parallel."""
        asked, taken = _corners_of(boxes), self._taken_corners()
        known = np.asarray(np.isfinite(asked).all(axis=1))
        asked = np.where(known[:, None], asked, 0.0)
        inside = _shared(asked, np.array([[0.0, 0.0, self.width, self.height]]))[:, 0]
        area = (asked[:, 2] - asked[:, 0]) * (asked[:, 3] - asked[:, 1])
        return np.where(known, _shared(asked, taken).sum(axis=1) + 10.0 * (area - inside), inf)

    def _taken_corners(self) -> FloatArray:
        if len(self._corners) != len(self.taken):
            self._corners = np.vstack([self._corners, _corners_of(self.taken[len(self._corners) :])])
        return self._corners


def _corners_of(boxes: Sequence[Box]) -> FloatArray:
    """(n, 4) left, top, right, bottom."""
    return np.array([(box.left, box.top, box.right, box.bottom) for box in boxes], dtype=float).reshape(-1, 4)


def _shared(asked: FloatArray, taken: FloatArray) -> FloatArray:
    """(n, m) areas that boxes share, px²; the plain twin is `Box.overlap`."""
    low = np.maximum(asked[:, None, :2], taken[None, :, :2])
    high = np.minimum(asked[:, None, 2:], taken[None, :, 2:])
    return np.asarray(np.clip(high - low, 0.0, None).prod(axis=2))


def around(first: tuple[float, float], second: tuple[float, float], *, half: float = 1.5) -> Box:
    """The box of a level or upright line between two points."""
    (a, b), (c, d) = first, second
    return Box(min(a, c) - half, min(b, d) - half, max(a, c) + half, max(b, d) + half)


def along(first: tuple[float, float], second: tuple[float, float], *, half: float = 1.5) -> tuple[Box, ...]:
    """Small boxes every 6 px along a line that runs any way, so that only what it covers counts.

    >>> [round(box.left) for box in along((0.0, 0.0), (12.0, 0.0))]
    [-2, 4, 10]
    """
    (a, b), (c, d) = first, second
    steps = max(1, ceil(hypot(c - a, d - b) / STEP_PX))
    spots = [(a + (c - a) * k / steps, b + (d - b) * k / steps) for k in range(steps + 1)]
    return tuple(Box(x - half, y - half, x + half, y + half) for x, y in spots)
