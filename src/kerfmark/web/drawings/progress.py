"""A learner's marks, piece by piece, each exercise in a row of its own on one scale."""

from __future__ import annotations

from collections.abc import Sequence

from kerfmark.reports import tokens
from kerfmark.reports.canvas import line, num, svg, text
from kerfmark.sittings.pieces import PieceLine

__all__ = ["progress_svg"]

MOST = 14
LEFT, RIGHT, ROW = 8.0, 352.0, 48.0
"""As wide as a phone leaves room for, so that it is never drawn smaller than it is meant."""


def progress_svg(marked: Sequence[PieceLine]) -> str:
    """Marks from 0 to 100 along each row, under the exercise's title; later pieces lower down within it, the last one filled.

    Parameters
    ----------
    marked : sequence of PieceLine
        Oldest first, each with a percent.

    Returns
    -------
    drawing : str
        Empty where there is no mark.
    """
    rows: dict[str, list[float]] = {}
    for piece in marked:
        rows.setdefault(piece.exercise_title, []).append(float(piece.percent or 0.0))
    if not rows:
        return ""
    height = 22.0 + ROW * len(rows)
    body, label = "", []
    for at in range(0, 101, 20):
        x = _x(at)
        body += line(x, 4, x, height - 18, stroke="@hair") + text(
            x, height - 4, str(at), size=12, anchor="middle", fill="@ink2"
        )
    for row, (title, percents) in enumerate(rows.items()):
        y = ROW * row + 34.0
        shown = percents[-MOST:]
        body += text(LEFT, y - 16, title if len(title) < 52 else f"{title[:50]}…", size=12, halo=True)
        body += line(LEFT, y, RIGHT, y, stroke="@edge")
        for k, percent in enumerate(shown):
            last = k == len(shown) - 1
            at_y = y + (k - (len(shown) - 1) / 2) * min(3.0, 22.0 / len(shown))
            body += f'<circle cx="{num(_x(percent))}" cy="{num(at_y)}" r="{3.6 if last else 2.6}" fill="{"@ink" if last else "@sheet"}" stroke="@ink" stroke-width="1.1"/>'
        label.append(f"{title}: {', '.join(f'{p:.0f}' for p in shown)}")
    return tokens.painted(svg(RIGHT + 10, height, body, label="; ".join(label), class_="chart"), for_page=True)


def _x(percent: float) -> float:
    return LEFT + percent / 100.0 * (RIGHT - LEFT)
