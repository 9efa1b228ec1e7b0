"""Counts that must add up, as a chain of dimensions: each lower chain divides one part of the upper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from kerfmark.reports.canvas import arrowhead, line, svg, text, text_width

__all__ = ["Chain", "Part", "chains_svg", "gap_of"]

LEVEL_PX: Final = 31.0
INSIDE_PX: Final = 30.0


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a chain: how many, and of what."""

    count: int
    what: str
    strong: bool = False

    @property
    def words(self) -> str:
        """As written over its dimension line."""
        return f"{self.count} {self.what}"


@dataclass(frozen=True, slots=True)
class Chain:
    """Parts side by side that should add up to `total`, the part of the chain above that they divide (from its left)."""

    total: int
    parts: tuple[Part, ...]


def gap_of(chains: Sequence[Chain]) -> int:
    """How many are not accounted for in all chains together; 0 when every chain closes."""
    return sum(abs(chain.total - sum(part.count for part in chain.parts)) for chain in chains)


def chains_svg(chains: Sequence[Chain], *, width: float) -> str:
    """Chains one under another on one scale, each beginning at the left.

    Parts of nothing are left out; where a chain does not close, the gap is drawn dashed and named.

    Parameters
    ----------
    chains : sequence of Chain
        The first is the whole.
    width : float, px
    """
    whole = max(1, *(chain.total for chain in chains))
    unit = (width - 4.0) / whole
    height = 22.0 + LEVEL_PX * len(chains)
    body = ""
    for level, chain in enumerate(chains):
        y = 24.0 + LEVEL_PX * level
        body += _links(chain, y=y, unit=unit, below=LEVEL_PX if level + 1 < len(chains) else 6.0, width=width)
    label = "; ".join(f"{chain.total}: " + ", ".join(part.words for part in chain.parts) for chain in chains)
    return svg(width, height, body, label=label, class_="chains")


def _links(chain: Chain, *, y: float, unit: float, below: float, width: float) -> str:
    x, body = 2.0, line(2.0, y - 8, 2.0, y + below)
    missing = chain.total - sum(part.count for part in chain.parts)
    parts = [part for part in chain.parts if part.count] + (
        [Part(missing, "not accounted for", strong=True)] if missing > 0 else []
    )
    for part in parts:
        end = x + part.count * unit
        dash = "4 2.5" if part.what == "not accounted for" else None
        body += line(x, y, end, y, stroke_dasharray=dash) + line(end, y - 8, end, y + 8)
        if end - x > INSIDE_PX / 1.5:
            body += arrowhead(x, y, (-1, 0)) + arrowhead(end, y, (1, 0))
        wide = text_width(part.words, size=12.5)
        middle = min(max((x + end) / 2, wide / 2 + 2), width - wide / 2 - 2)
        body += text(
            middle, y - 5, part.words, size=12.5, weight=600 if part.strong else 400, anchor="middle", halo=True
        )
        x = end
    return body
