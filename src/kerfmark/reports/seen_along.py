"""What drawings that look along a cut's axis share: the crown's outline from there, and where an opening leaves its plan."""

from __future__ import annotations

from typing import Final

import numpy as np

from kerfmark.records import FloatArray
from kerfmark.reports.canvas import WIDE, path

__all__ = ["left_and_over", "opening_svg", "silhouette"]

AZIMUTHS: Final = 120
OUTSIDE: Final = "M-4000-4000H8000V8000H-4000Z"


def silhouette(flat_mm: FloatArray) -> FloatArray:
    """The outermost of points (n, 2) round their middle (m, 2)."""
    middle = 0.5 * (flat_mm.min(axis=0) + flat_mm.max(axis=0))
    away = flat_mm - middle
    sector = ((np.arctan2(away[:, 1], away[:, 0]) + np.pi) / (2.0 * np.pi) * AZIMUTHS).astype(int) % AZIMUTHS
    radius = np.zeros(AZIMUTHS)
    np.maximum.at(radius, sector, np.linalg.norm(away, axis=1))
    turn = (np.arange(AZIMUTHS) + 0.5) / AZIMUTHS * 2.0 * np.pi - np.pi
    known = radius > 0.0
    return np.asarray(middle + radius[known, None] * np.column_stack([np.cos(turn), np.sin(turn)])[known])


def left_and_over(plan: str, cut: str, *, key: str) -> str:
    """What was opened beyond a plan and what was not, in the fills `over-key` and `left-key`, from closed path data."""
    body = ""
    for side, within, without in (("over", cut, plan), ("left", plan, cut)):
        body += f'<defs><clipPath id="{key}-{side}"><path d="{within}"/></clipPath></defs><g clip-path="url(#{key}-{side})">'
        body += f'<path d="{OUTSIDE}{without}" fill="url(#{side}-{key})" fill-rule="evenodd"/></g>'
    return body


def opening_svg(plan: str, cut: str, *, key: str, corridor_px: float, dash: str) -> str:
    """The planned outline in its corridor, the opening as it was cut, and where it leaves the corridor, by side."""
    body = left_and_over(plan, cut, key=key) if plan and cut else ""
    body += path(plan, stroke="@corr", stroke_width=2.0 * corridor_px, stroke_linejoin="round")
    body += path(plan, stroke="@ink", stroke_width=1.1, stroke_dasharray=dash)
    return body + path(cut, stroke="@ink", stroke_width=WIDE)
