"""A learner's marks, piece by piece, each exercise in a row of its own on one scale."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from kerfmark.reports import tokens
from kerfmark.reports.canvas import line, num, svg, text
from kerfmark.sittings.pieces import PieceLine

__all__ = ["progress_svg"]

MOST = 14
LEFT, RIGHT, ROW = 190.0, 620.0, 34.0


def progress_svg(marked: Sequence[PieceLine], say: Callable[[str], str]) -> str:
    """Marks from 0 to 100 along each row; later pieces lower down within it, the last one filled.

    Parameters
    ----------
    marked : sequence of PieceLine
        Oldest first, each with a percent.
    say : callable
    """
    rows: dict[str, list[float]] = {}
    for piece in marked:
        rows.setdefault(piece.exercise_title, []).append(float(piece.percent or 0.0))
    height = 22.0 + ROW * max(1, len(rows))
    body, label = "", []
    for at in range(0, 101, 20):
        x = _x(at)
        body += line(x, 4, x, height - 18, stroke="@hair") + text(
            x, height - 4, str(at), size=12, anchor="middle", fill="@ink2"
        )
    for row, (title, percents) in enumerate(rows.items()):
        y = 4 + ROW * row + ROW / 2
        shown = percents[-MOST:]
        body += text(0, y + 4, title if len(title) < 32 else f"{title[:30]}…", size=12) + line(
            LEFT, y, RIGHT, y, stroke="@edge"
        )
        for k, percent in enumerate(shown):
            last = k == len(shown) - 1
            at_y = y + (k - (len(shown) - 1) / 2) * min(4.0, (ROW - 12) / max(1, len(shown)))
            body += f'<circle cx="{num(_x(percent))}" cy="{num(at_y)}" r="{3.6 if last else 2.6}" fill="{"@ink" if last else "@sheet"}" stroke="@ink" stroke-width="1.1"/>'
        label.append(f"{title}: {', '.join(f'{p:.0f}' for p in shown)}")
    if not rows:
        body += text((LEFT + RIGHT) / 2, 24, say("No marks to show yet."), size=13, anchor="middle", fill="@ink2")
    return tokens.painted(
        svg(RIGHT + 12, height, body, label="; ".join(label) or say("No marks to show yet."), class_="chart"),
        for_page=True,
    )


def _x(percent: float) -> float:
    return LEFT + percent / 100.0 * (RIGHT - LEFT)
