"""Marks of a cohort under two sets of limits: bars now, a broken line before, the pass line."""

from __future__ import annotations

import numpy as np

from kerfmark.records import FloatArray
from kerfmark.reports import tokens
from kerfmark.reports.canvas import line, num, path, svg, text

__all__ = ["marks_svg"]

WIDTH, HEIGHT, LEFT, BASE, TOP = 560.0, 170.0, 18.0, 140.0, 24.0
STEP = 2.5


def marks_svg(before: FloatArray, now: FloatArray, pass_line: float, *, label: str, width: float = WIDTH) -> str:
    """Bars of 2.5 points from 0 to 100.

    Parameters
    ----------
    before, now : (n,) float arrays
        Percents; NaN where there is none.
    pass_line : float
    label : str
        As read aloud.
    width : float, px
    """
    edges = np.arange(0.0, 100.0 + STEP, STEP)
    counts = [np.histogram(np.clip(marks[np.isfinite(marks)], 0, 100), edges)[0] for marks in (before, now)]
    unit = (BASE - TOP) / max(1, int(max(c.max() for c in counts)))
    wide = (width - 2 * LEFT) / (len(edges) - 1)
    body = ""
    for k, count in enumerate(counts[1].tolist()):
        if count:
            body += f'<rect x="{num(LEFT + k * wide)}" y="{num(BASE - count * unit)}" width="{num(wide)}" height="{num(count * unit)}" fill="@corr" stroke="@edge" stroke-width="0.7"/>'
    for k, count in enumerate(counts[0].tolist()):
        if count:
            x, y = LEFT + k * wide, BASE - count * unit
            body += path(
                np.array([(x, BASE), (x, y), (x + wide, y), (x + wide, BASE)]),
                stroke="@ink",
                stroke_width=1.1,
                stroke_dasharray="4 2.5",
            )
    for mark in range(0, 101, 10):
        x = LEFT + mark / 100 * (width - 2 * LEFT)
        body += line(x, BASE, x, BASE + 4, stroke="@edge") + text(
            x, BASE + 17, str(mark), size=12, anchor="middle", fill="@ink2"
        )
    x = LEFT + pass_line / 100 * (width - 2 * LEFT)
    body += line(LEFT, BASE, width - LEFT, BASE, stroke="@edge") + line(x, TOP - 12, x, BASE + 4, stroke_width=1.4)
    body += text(x - 5, TOP - 4, f"{pass_line:g}", size=12, weight=600, anchor="end", halo=True)
    return tokens.painted(svg(width, HEIGHT, body, label=label, class_="chart"), for_page=True)
