"""How a learner's own views have run: bias piece by piece, and how often each degree of sureness was right. Intervals always, ranks never."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import stats

from kerfmark.reports import tokens
from kerfmark.reports.canvas import line, num, svg, text
from kerfmark.sittings.judging import CONFIDENCES, History, Viewed
from kerfmark.statistics.intervals import wilson_interval

__all__ = ["PieceBias", "bias_svg", "confidence_svg", "piece_biases", "shares_right"]

CLEAR: Final = ("met", "not met")
MOST: Final = 12
"""Pieces shown, the latest."""
Say = Callable[[str], str]


@dataclass(frozen=True, slots=True)
class PieceBias:
    """One piece: criteria said to be inside minus those that were, in points of 100, with its 95 % interval over the criteria."""

    piece_id: str
    points: float
    lower: float
    upper: float
    n: int


def piece_biases(history: History) -> list[PieceBias]:
    """Each piece on which at least two criteria were clear on both sides, oldest first.

    Notes
    -----
    Source: mean of a sample with Student's t interval; each criterion counts +1, 0 or −1.
    """
    by_piece: dict[str, list[Viewed]] = {}
    for viewed in history.viewed:
        by_piece.setdefault(viewed.piece_id, []).append(viewed)
    found = []
    for piece_id, views in by_piece.items():
        over = [
            float(v.view == "inside") - float(v.ruling == "met")
            for v in views
            if v.view != "cannot tell" and v.ruling in CLEAR
        ]
        if len(over) < 2:
            continue
        mean, spread = float(np.mean(over)), float(np.std(over, ddof=1))
        half = float(stats.t.ppf(0.975, len(over) - 1)) * spread / len(over) ** 0.5
        found.append(PieceBias(piece_id, 100 * mean, 100 * (mean - half), 100 * (mean + half), len(over)))
    return found


def bias_svg(history: History, say: Say, *, marked: str = "", width: float = 560.0) -> str:
    """Diamonds with their bars, the piece in hand filled; the mean over pieces as a band where there is one.

    Under 500 px the words at the sides stand within the plot.
    """
    shown = piece_biases(history)[-MOST:]
    beside = width >= 500.0
    height, left, right, top, base = 210.0, 44.0, width - 160.0 if beside else width - 6.0, 14.0, 178.0
    reach = max([50.0, *(min(100.0, max(abs(b.lower), abs(b.upper))) for b in shown)])

    def y(points: float) -> float:
        return (top + base) / 2 - float(np.clip(points, -reach, reach)) / reach * (base - top) / 2

    body = ""
    if history.bias is not None:
        upper, lower = y(100 * history.bias.upper), y(100 * history.bias.lower)
        body += f'<rect x="{num(left)}" y="{num(upper)}" width="{num(right - left)}" height="{num(lower - upper)}" fill="@corr"/>'
        body += line(
            left,
            y(100 * history.bias.value),
            right,
            y(100 * history.bias.value),
            stroke="@edge",
            stroke_dasharray="12 3 1.5 3",
        )
    for points in (-reach, -reach / 2, 0.0, reach / 2, reach):
        body += line(
            left,
            y(points),
            right,
            y(points),
            stroke="@ink" if points == 0 else "@hair",
            stroke_width=1.1 if points == 0 else 0.7,
        )
        body += text(
            left - 6,
            y(points) + 4,
            f"{points:+.0f}".replace("-", "−") if points else "0",
            size=12,
            anchor="end",
            fill="@ink2",
        )
    step = (right - left) / max(1, len(shown))
    for k, bias in enumerate(shown):
        x = left + (k + 0.5) * step
        body += line(x, y(bias.lower), x, y(bias.upper)) + "".join(
            line(x - 4, y(e), x + 4, y(e)) for e in (bias.lower, bias.upper)
        )
        fill = "@ink" if bias.piece_id == marked else "@sheet"
        body += f'<path d="M{num(x)} {num(y(bias.points) - 5)}L{num(x + 5)} {num(y(bias.points))}L{num(x)} {num(y(bias.points) + 5)}L{num(x - 5)} {num(y(bias.points))}Z" fill="{fill}" stroke="@ink" stroke-width="1.2"/>'
        body += text(x, base + 18, str(k + 1), size=12, anchor="middle", fill="@ink2")
    for points, words in ((reach * 0.7, "rated own work above"), (0.0, "even"), (-reach * 0.7, "rated it below")):
        at = y(points) + 4 if beside else y(points) - 6
        body += text(
            right + 10 if beside else right - 4,
            at,
            say(words),
            size=12,
            anchor="start" if beside else "end",
            fill="@ink2",
            halo=not beside,
        )
    if not shown:
        body += text(
            (left + right) / 2,
            y(reach / 4) + 4,
            say("No piece to compare yet."),
            size=13,
            anchor="middle",
            fill="@ink2",
            halo=True,
        )
    label = "; ".join(
        f"{k}: {b.points:+.0f} ({b.lower:+.0f} to {b.upper:+.0f}), n {b.n}" for k, b in enumerate(shown, 1)
    ) or say("No piece to compare yet.")
    return tokens.painted(svg(width, height, body, label=label, class_="chart"), for_page=True)


def shares_right(history: History) -> dict[str, tuple[int, int]]:
    """Of each degree of sureness: how often the view was as measured, of how many that were clear."""
    counted = dict.fromkeys(CONFIDENCES, (0, 0))
    for viewed in history.viewed:
        if viewed.confidence in counted and viewed.ruling in CLEAR and viewed.view != "cannot tell":
            right, n = counted[viewed.confidence]
            counted[viewed.confidence] = right + ((viewed.view == "inside") == (viewed.ruling == "met")), n + 1
    return counted


def confidence_svg(history: History, say: Say) -> str:
    """A strip a degree of sureness: the share that was as measured, and its 95 % interval as a band."""
    width, left, right = 400.0, 90.0, 330.0
    body, label = "", []
    for row, (confidence, (hits, n)) in enumerate(shares_right(history).items()):
        y = 18.0 + 30 * row
        body += text(0, y + 4, say(confidence), size=13, fill="@ink2") + line(left, y, right, y, stroke="@edge")
        if n:
            a, b = (left + share * (right - left) for share in wilson_interval(hits, n))
            body += f'<rect x="{num(a)}" y="{num(y - 6)}" width="{num(max(1.0, b - a))}" height="12" fill="@corr" stroke="@edge" stroke-width="0.7"/>'
            x = left + hits / n * (right - left)
            body += line(x, y - 9, x, y + 9, stroke_width=2.2)
        body += text(width, y + 4, say("{hits} of {n}").format(hits=hits, n=n), size=13, anchor="end", fill="@ink2")
        label.append(f"{say(confidence)}: {hits} / {n}")
    y = 18.0 + 30 * len(CONFIDENCES)
    for share in (0.0, 0.5, 1.0):
        x = left + share * (right - left)
        body += line(x, y - 8, x, y - 4, stroke="@edge") + text(
            x, y + 9, f"{100 * share:.0f} %", size=12, anchor="middle", fill="@ink2"
        )
    return tokens.painted(svg(width, y + 14, body, label="; ".join(label), class_="chart"), for_page=True)
