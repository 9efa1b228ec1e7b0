"""Balloons about the view, each with a leader to the place its reading came from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from kerfmark.records import FloatArray, Witness
from kerfmark.reports.canvas import DASHED, circle, line
from kerfmark.reports.contents import CriterionLine
from kerfmark.reports.symbols import balloon
from kerfmark.reports.view.render import Buffers

__all__ = ["Pin", "pins_of", "pins_svg", "witness_points"]

MOST_PINS: Final = 16
APART_PX: Final = 27.0
HIDDEN_BEYOND_MM: Final = 0.25


@dataclass(frozen=True, slots=True)
class Pin:
    """A balloon and its leader: the balloon's place, the spot's place, and whether the spot is seen."""

    number: int
    state: str
    x: float
    y: float
    spot_x: float
    spot_y: float
    seen: bool


def witness_points(witness: Witness | None) -> FloatArray:
    """Places where a reading may be pointed at, best first; (n, 3) mm."""
    if witness is None:
        return np.empty((0, 3))
    parts = []
    if witness.kind == "angle":
        parts.append(witness.segments_mm[:2].mean(axis=1))
    elif witness.kind == "length" and len(witness.segments_mm):
        ends = witness.segments_mm[0]
        parts += [ends.mean(axis=0)[None], ends]
    elif witness.kind == "curve" and witness.curves_mm:
        curve = np.vstack(witness.curves_mm)
        parts.append(curve[:: max(1, len(curve) // 24)])
    if len(witness.points_mm) and witness.kind != "angle":
        parts.append(witness.points_mm[:: max(1, len(witness.points_mm) // 24)])
    found = np.vstack(parts) if parts else np.empty((0, 3))
    return found[np.isfinite(found).all(axis=1)]


def pins_of(
    lines: tuple[CriterionLine, ...], buffers: Buffers, *, width: int, height: int, hidden: int = 0
) -> list[Pin]:
    """Balloons for what is seen from here, and for some of what failed behind; in two columns whose leaders do not cross.

    Parameters
    ----------
    lines : tuple of CriterionLine
    buffers : Buffers
        Of the view the balloons stand about.
    width, height : int, px
    hidden : int
        How many criteria that were not met and lie behind are shown too.
    """
    spots, behind = [], 0
    for criterion in lines:
        spot = _spot(criterion.reading.witness, buffers)
        behind += spot is not None and not spot[2] and criterion.state in ("notmet", "close")
        if spot is not None and (spot[2] or (criterion.state in ("notmet", "close") and behind <= hidden)):
            spots.append((criterion, spot))
    urgent = {"notmet": 0, "close": 1}
    spots.sort(key=lambda pair: (urgent.get(pair[0].state, 2), not pair[1][2]))
    return _placed(spots[:MOST_PINS], width=width, height=height)


def _spot(witness: Witness | None, buffers: Buffers) -> tuple[float, float, bool] | None:
    """The best seen place of a witness in page pixels; the first place, unseen, if none is seen."""
    points = witness_points(witness)
    if not len(points):
        return None
    projected = buffers.camera.project(points)
    reach = HIDDEN_BEYOND_MM * buffers.camera.px_per_mm
    seen = [p for p in projected if buffers.sees(p, within_px=reach)]
    if not seen:
        return float(projected[0, 0]), float(projected[0, 1]), False
    nearest = max(seen, key=lambda p: p[2]) if witness is not None and witness.kind == "curve" else seen[0]
    return float(nearest[0]), float(nearest[1]), True


def _placed(spots: list[tuple[CriterionLine, tuple[float, float, bool]]], *, width: int, height: int) -> list[Pin]:
    middle = float(np.median([spot[0] for _, spot in spots])) if spots else 0.0
    ordered = sorted(spots, key=lambda pair: pair[1][0])
    left = [pair for pair in ordered if pair[1][0] < middle]
    right = [pair for pair in ordered if pair[1][0] >= middle]
    while len(left) > len(right) + 1:
        right.insert(0, left.pop())
    while len(right) > len(left) + 1:
        left.append(right.pop(0))
    pins: list[Pin] = []
    for column, x in ((left, 22.0), (right, width - 22.0)):
        column.sort(key=lambda pair: pair[1][1])
        rows = _spread([pair[1][1] for pair in column], low=24.0, high=height - (96.0 if x < width / 2 else 60.0))
        pins += [Pin(c.number, c.state, x, y, s[0], s[1], s[2]) for (c, s), y in zip(column, rows, strict=True)]
    return _uncrossed(pins)


def _spread(wanted: list[float], *, low: float, high: float) -> list[float]:
    """Places as near as wanted, in order, `APART_PX` apart where there is room."""
    apart = min(APART_PX, (high - low) / max(1, len(wanted) - 1))
    rows = [min(max(y, low), high) for y in wanted]
    for i in range(1, len(rows)):
        rows[i] = max(rows[i], rows[i - 1] + apart)
    if rows and rows[-1] > high:
        rows[-1] = high
        for i in range(len(rows) - 2, -1, -1):
            rows[i] = min(rows[i], rows[i + 1] - apart)
    return rows


def _uncrossed(pins: list[Pin]) -> list[Pin]:
    """Swap the places of any two balloons of one column whose leaders cross, until none do."""
    pins = list(pins)
    for _ in range(len(pins) ** 2):
        crossing = next(
            ((i, j) for i in range(len(pins)) for j in range(i) if pins[i].x == pins[j].x and _cross(pins[i], pins[j])),
            None,
        )
        if crossing is None:
            break
        i, j = crossing
        a, b = pins[i], pins[j]
        pins[i] = Pin(a.number, a.state, b.x, b.y, a.spot_x, a.spot_y, a.seen)
        pins[j] = Pin(b.number, b.state, a.x, a.y, b.spot_x, b.spot_y, b.seen)
    return pins


def _cross(a: Pin, b: Pin) -> bool:
    def turn(px: float, py: float, qx: float, qy: float, rx: float, ry: float) -> float:
        return (qx - px) * (ry - py) - (qy - py) * (rx - px)

    one = turn(a.x, a.y, a.spot_x, a.spot_y, b.x, b.y) * turn(a.x, a.y, a.spot_x, a.spot_y, b.spot_x, b.spot_y)
    two = turn(b.x, b.y, b.spot_x, b.spot_y, a.x, a.y) * turn(b.x, b.y, b.spot_x, b.spot_y, a.spot_x, a.spot_y)
    return one < 0.0 and two < 0.0


def pins_svg(pins: list[Pin]) -> str:
    """Leaders first, balloons over them. A leader ends in a dot; one to a hidden spot is dashed and ends in none."""
    leaders = "".join(
        f'<g data-c="{p.number}" class="leader">'
        + line(p.x, p.y, p.spot_x, p.spot_y, stroke_dasharray=None if p.seen else DASHED)
        + (circle(p.spot_x, p.spot_y, 2.1, fill="@ink") if p.seen else "")
        + "</g>"
        for p in pins
    )
    return leaders + "".join(balloon(p.x, p.y, p.number, p.state) for p in pins)
