"""Finding room: labels are boxes, and a new one goes where it covers least of what stands already."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from math import ceil, hypot

__all__ = ["Box", "Room", "along", "around"]

STEP_PX = 6.0


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

    def take(self, box: Box) -> Box:
        """Mark a box as taken."""
        self.taken.append(box)
        return box

    def cost(self, box: Box) -> float:
        """What a box would cover: area shared with what is taken, and ten times what sticks out of the drawing."""
        inside = Box(0, 0, self.width, self.height).overlap(box)
        return sum(box.overlap(other) for other in self.taken) + 10.0 * (box.area - inside)

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
        costs = [sum(map(self.cost, group)) for group in groups]
        costs = costs if extra is None else [cost + more for cost, more in zip(costs, extra, strict=True)]
        best = min(range(len(groups)), key=lambda i: (round(costs[i], 6), i))
        for box in groups[best]:
            self.take(box)
        return best


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
