"""All readings of one criterion between two caliper jaws, the zone too close to call hatched about each limit, changed rulings ringed."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, isfinite
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from kerfmark.marking import Code
from kerfmark.records import FloatArray, Limits2
from kerfmark.reports import tokens, wording
from kerfmark.reports.canvas import LIMIT, NARROW, hatching, line, num, path, said, svg, text
from kerfmark.reports.sides import Side

__all__ = ["BenchReadings", "bench_svg", "small_bench_svg", "too_close_mm"]

WIDTH: Final = 560.0
HEIGHT: Final = 360.0
SECOND_LINE: Final = 18.0
"""Taller by this where the sides' words have no room beside the reading drawn to scale."""
ROOMY: Final = 500.0
LEFT: Final = 18.0
WAS_WIDE: Final = 62.0
TOP: Final = 58.0
BASE: Final = 318.0
DOT: Final = 4.0
MOST_DOTS: Final = 480
"""More pieces than this are drawn as bars: dots would no longer stand for one piece each."""


@dataclass(frozen=True, slots=True, eq=False)
class BenchReadings:
    """One criterion over a cohort: n readings, their u, and how each was ruled before and is ruled now (`Code`)."""

    name: str
    unit: str
    decimals: int
    side: Side
    before: Limits2
    now: Limits2
    value: FloatArray
    u: FloatArray
    code_before: NDArray[np.int8]
    code_now: NDArray[np.int8]
    met_at: float = 0.95


def too_close_mm(u: float, met_at: float) -> float:
    """How far on either side of a limit a reading is too close to call, in the reading's unit: z(met_at) · u.

    Examples
    --------
    >>> round(too_close_mm(0.03, 0.95), 4)
    0.0493
    """
    return float(ndtri(met_at)) * u


def bench_svg(bench: BenchReadings, *, width: float = WIDTH) -> str:
    """The picture of the bench, so many px wide: jaws are marked `data-limit` and carry what a script needs to move them."""
    low, high = _ends(bench)
    scale = _Scale(low, high, flipped=bench.side == "left", width=width)
    body = f"<defs>{hatching(scale.zone, turn_deg=45, gap=5.0, stroke='@rule')}</defs>"
    body += _corridor(bench, scale) + _grid(scale)
    shown = np.isfinite(bench.value)
    body += _dots(bench, scale, shown) if shown.sum() <= MOST_DOTS else _bars(bench, scale, shown)
    body += line(LEFT, BASE, width - LEFT, BASE, stroke="@edge") + _ends_words(bench, scale)
    body += _was(bench, scale) + _jaws(bench, scale) + _typical(bench, scale)
    counts = [int(np.sum(bench.code_now[shown] == code)) for code in (Code.MET, Code.TOO_CLOSE, Code.NOT_MET)]
    changed = int(np.sum(bench.code_now[shown] != bench.code_before[shown]))
    label = f"{bench.name}: {counts[0]} met, {counts[1]} too close to call, {counts[2]} not met; {changed} change with these limits"
    drawn = svg(
        width,
        scale.height,
        body,
        label=label,
        class_="jaws",
        role="group",
        data_low=low,
        data_high=high,
        data_left=LEFT,
        data_right=width - LEFT,
        data_flipped=int(scale.flipped),
    )
    return tokens.painted(drawn, for_page=True)


@dataclass(frozen=True, slots=True)
class _Scale:
    low: float
    high: float
    flipped: bool
    width: float

    @property
    def height(self) -> float:
        """Of the whole picture, px."""
        return HEIGHT + (0.0 if self.width >= ROOMY else SECOND_LINE)

    @property
    def zone(self) -> str:
        """What the hatching is called in this picture: a page may hold one of each width."""
        return f"close-zone-{self.width:g}"

    def x(self, value: float) -> float:
        """Where a value stands, px; held inside the picture."""
        share = (value - self.low) / (self.high - self.low)
        share = min(max(1.0 - share if self.flipped else share, 0.0), 1.0)
        return LEFT + share * (self.width - 2 * LEFT)


def _ends(bench: BenchReadings) -> tuple[float, float]:
    """What the picture spans: nearly all readings and every limit, with room beyond."""
    values = bench.value[np.isfinite(bench.value)]
    limits = [x for x in (*bench.before, *bench.now) if isfinite(x)]
    low = min([*limits, *(np.quantile(values, [0.005]) if len(values) else [])])
    high = max([*limits, *(np.quantile(values, [0.995]) if len(values) else [])])
    room = 0.08 * (high - low) or abs(high) * 0.5 or 1.0
    return float(low - room), float(high + room)


def _corridor(bench: BenchReadings, scale: _Scale) -> str:
    low, high = bench.now
    at = sorted((scale.x(low if isfinite(low) else scale.low), scale.x(high if isfinite(high) else scale.high)))
    body = (
        f'<rect x="{num(at[0])}" y="{num(TOP)}" width="{num(at[1] - at[0])}" height="{num(BASE - TOP)}" fill="@corr"/>'
    )
    known = bench.u[np.isfinite(bench.u)]
    reach = too_close_mm(float(np.median(known)), bench.met_at) if len(known) else 0.0
    for limit in (low, high):
        if isfinite(limit) and reach > 0.0:
            zone = sorted((scale.x(limit - reach), scale.x(limit + reach)))
            body += f'<rect x="{num(zone[0])}" y="{num(TOP)}" width="{num(zone[1] - zone[0])}" height="{num(BASE - TOP)}" fill="url(#{scale.zone})"/>'
    return body


def _grid(scale: _Scale) -> str:
    step = _step(scale.high - scale.low, marks=scale.width / 70.0)
    first = ceil(scale.low / step) * step
    body = ""
    for k in range(int((scale.high - first) / step) + 1):
        value = first + k * step
        x = scale.x(value)
        places = max(0, int(np.ceil(-np.log10(step))))
        body += line(x, TOP, x, BASE, stroke="@hair") + line(x, BASE, x, BASE + 4, stroke="@edge")
        body += text(x, BASE + 17, wording.number(value, places), size=12, anchor="middle", fill="@ink2")
    return body


def _step(span: float, *, marks: float) -> float:
    """A round step, about so many to the span: 1, 2 or 5 times a power of ten."""
    rough = span / marks
    power = 10.0 ** np.floor(np.log10(rough))
    return float(next(m for m in (1, 2, 5, 10) if m * power >= rough) * power)


def _dots(bench: BenchReadings, scale: _Scale, shown: NDArray[np.bool_]) -> str:
    """A dot a piece: met round and filled, too close dashed, not met square in the side's colour, changed ringed."""
    columns: dict[int, int] = {}
    tallest = _tallest(bench, scale, shown)
    rise = min(2 * DOT + 0.6, (BASE - TOP - 8) / max(1, tallest))
    body = ""
    for at in np.flatnonzero(shown)[np.argsort(bench.value[shown], kind="stable")].tolist():
        column = round(scale.x(float(bench.value[at])) / (2 * DOT + 0.6))
        level = columns.get(column, 0)
        columns[column] = level + 1
        body += _dot(column * (2 * DOT + 0.6), BASE - 5.0 - level * rise, bench, at)
    return body


def _tallest(bench: BenchReadings, scale: _Scale, shown: NDArray[np.bool_]) -> int:
    columns = np.array([round(scale.x(float(v)) / (2 * DOT + 0.6)) for v in bench.value[shown]], dtype=int)
    return int(np.bincount(columns).max()) if len(columns) else 1


def _dot(x: float, y: float, bench: BenchReadings, at: int) -> str:
    code, changed = int(bench.code_now[at]), bench.code_now[at] != bench.code_before[at]
    if code == Code.NOT_MET:
        side = _failed(bench, float(bench.value[at]))
        mark = f'<rect x="{num(x - 3)}" y="{num(y - 3)}" width="6" height="6" fill="{_fill(side)}"/>'
    elif code == Code.TOO_CLOSE:
        mark = f'<circle cx="{num(x)}" cy="{num(y)}" r="3" fill="@sheet" stroke="@ink" stroke-width="1" stroke-dasharray="1.6 1.4"/>'
    else:
        mark = f'<circle cx="{num(x)}" cy="{num(y)}" r="3" fill="@ink2"/>'
    return mark + (
        f'<circle cx="{num(x)}" cy="{num(y)}" r="4.1" fill="none" stroke="@ink" stroke-width="1.5"/>' if changed else ""
    )


def _failed(bench: BenchReadings, value: float) -> Side:
    """On which side a value lies that is not met."""
    if bench.side is None:
        return None
    above = value > bench.now[1]
    return bench.side if above else ("left" if bench.side == "over" else "over")


def _fill(side: Side) -> str:
    return {"left": "@l3", "over": "@o3"}.get(side or "", "@ink")


def _bars(bench: BenchReadings, scale: _Scale, shown: NDArray[np.bool_]) -> str:
    """A bar a bin, stacked met, too close, not met; what changes stands as an outlined part."""
    edges = np.linspace(scale.low, scale.high, 71)
    values, now, before = bench.value[shown], bench.code_now[shown], bench.code_before[shown]
    bins = np.clip(np.digitize(values, edges) - 1, 0, 69)
    tallest = max(1, int(np.bincount(bins, minlength=70).max()))
    unit = (BASE - TOP - 8) / tallest
    body = ""
    for k in range(70):
        inside = bins == k
        if not inside.any():
            continue
        a, b = sorted((scale.x(float(edges[k])), scale.x(float(edges[k + 1]))))
        y = BASE
        for code in (Code.MET, Code.TOO_CLOSE, Code.NOT_MET):
            count = int(np.sum(now[inside] == code))
            y -= count * unit
            body += _bar(a, b, y, count * unit, code, bench, float(edges[k] + edges[k + 1]) / 2) if count else ""
        changed = int(np.sum(now[inside] != before[inside]))
        if changed:
            body += f'<rect x="{num(a + 0.8)}" y="{num(BASE - changed * unit)}" width="{num(b - a - 1.6)}" height="{num(changed * unit)}" fill="none" stroke="@ink" stroke-width="1.5"/>'
    return body


def _bar(a: float, b: float, y: float, height: float, code: Code, bench: BenchReadings, value: float) -> str:
    fill = {Code.MET: "@ink2", Code.TOO_CLOSE: "@sheet"}.get(code) or _fill(_failed(bench, value))
    dash = ' stroke="@ink" stroke-width="0.7" stroke-dasharray="1.6 1.4"' if code == Code.TOO_CLOSE else ""
    return (
        f'<rect x="{num(a + 0.5)}" y="{num(y)}" width="{num(b - a - 1)}" height="{num(height)}" fill="{fill}"{dash}/>'
    )


def _ends_words(bench: BenchReadings, scale: _Scale) -> str:
    if bench.side is None:
        return ""
    y = scale.height - 4
    return text(LEFT, y, "◂ material left", size=12, fill="@left") + text(
        scale.width - LEFT, y, "cut too far ▸", size=12, anchor="end", fill="@over"
    )


def _was(bench: BenchReadings, scale: _Scale) -> str:
    """Where a limit stood before it was moved."""
    body = ""
    for old, new in zip(bench.before, bench.now, strict=True):
        if isfinite(old) and old != new:
            x = scale.x(old)
            body += line(x, TOP, x, BASE, stroke_width=LIMIT, stroke_dasharray="4 2.5")
            words = f"was {wording.number(old, bench.decimals)}"
            side, anchor = (-5.0, "end") if x > WAS_WIDE else (5.0, "start")  # beside the line, inside the picture
            body += text(x + side, TOP + 12, words, size=12, anchor=anchor, fill="@ink2", halo=True)
    return body


def _jaws(bench: BenchReadings, scale: _Scale) -> str:
    body = ""
    for name, value in zip(("low", "high"), bench.now, strict=True):
        if isfinite(value):
            body += _jaw(name, value, bench, scale)
    return body


def _jaw(name: str, value: float, bench: BenchReadings, scale: _Scale) -> str:
    """A caliper's jaw: its measuring face stands on the limit, its beam points away from the corridor."""
    x = scale.x(value)
    away = -1.0 if (name == "low") != scale.flipped else 1.0
    face = np.array(
        [
            [x, TOP + 10],
            [x + away * 12, TOP - 4],
            [x + away * 12, TOP - 22],
            [x + away * 34, TOP - 22],
            [x + away * 34, TOP - 34],
            [x, TOP - 34],
        ]
    )
    shown = wording.number(value, max(bench.decimals, _places(value)))
    words = _jaw_words(x, away, scale.width, wording.with_unit(shown, bench.unit))
    handle = (
        f'<rect x="{num(x - 14)}" y="{num(TOP - 40)}" width="28" height="{num(BASE - TOP + 40)}" fill="transparent"/>'
    )
    aloud = f"{'Lower' if name == 'low' else 'Upper'} limit"
    return (
        f'<g class="jaw" data-limit="{name}" data-value="{value!r}" tabindex="0" role="slider" aria-label="{said(aloud)}" aria-valuenow="{value:g}" '
        f'aria-valuemin="{scale.low:g}" aria-valuemax="{scale.high:g}" aria-valuetext="{said(wording.with_unit(shown, bench.unit))}">'
        + line(x, TOP - 34, x, BASE, stroke_width=1.4)
        + path(face, closed=True, fill="@ink", class_="jaw-body")
        + words + handle + "</g>"
    )  # fmt: skip


def _jaw_words(x: float, away: float, width: float, shown: str) -> str:
    """The limit beside its jaw's beam; over it where the picture ends too soon."""
    at = x + away * 40
    room = width - at if away > 0 else at
    if room > 70.0:
        return text(at, TOP - 24, shown, size=14, weight=600, anchor="start" if away > 0 else "end", halo=True)
    edge = width - 2.0 if away > 0 else 2.0
    return text(edge, TOP - 40, shown, size=14, weight=600, anchor="end" if away > 0 else "start", halo=True)


def _places(value: float) -> int:
    """Decimals that write a limit without changing it, at most four."""
    return next((n for n in range(5) if abs(round(value, n) - value) < 1e-9), 4)


def _typical(bench: BenchReadings, scale: _Scale) -> str:
    """One reading ± U to scale, under the axis."""
    known = bench.u[np.isfinite(bench.u)]
    if not len(known):
        return ""
    reach = 2.0 * float(np.median(known)) / (scale.high - scale.low) * (scale.width - 2 * LEFT)
    middle, y = scale.width / 2, HEIGHT - 8
    reach = min(reach, scale.width / 2 - (150.0 if scale.width >= ROOMY else 115.0))
    bar = line(middle - reach, y, middle + reach, y, stroke_width=2.2) + "".join(
        line(x, y - 4, x, y + 4) for x in (middle - reach, middle + reach)
    )
    return bar + text(middle + reach + 8, y + 4, "one reading ± U", size=12, fill="@ink2")


def small_bench_svg(bench: BenchReadings, *, width: float = 110.0, height: float = 27.0) -> str:
    """The same for the list: bars by bin, limits at a quarter and three quarters as on a strip, one U beneath."""
    low, high = bench.now
    finite = [x for x in (low, high) if isfinite(x)]
    span = (
        (high - low)
        if len(finite) == 2
        else max(
            2.0 * float(np.nanmedian(np.abs(bench.value - finite[0])))
            if finite and np.isfinite(bench.value).any()
            else 1.0,
            1e-9,
        )
    )
    start = (low if isfinite(low) else (high - span if isfinite(high) else 0.0)) - span / 2
    bins = 44
    share = (bench.value - start) / (2.0 * span)
    share = np.clip(1.0 - share if bench.side == "left" else share, 0.0, 0.999)
    shown = np.isfinite(share)
    at = (share[shown] * bins).astype(int)
    counts = np.bincount(at, minlength=bins)
    unit = (height - 5.0) / max(1, int(counts.max()) if len(counts) else 1)
    step, base = width / bins, height - 4.0
    left_at, right_at = bins * 0.25, bins * 0.75
    body = f'<rect x="{num(width / 4)}" y="{num(base - 3)}" width="{num(width / 2)}" height="3" fill="@corr"/>'
    for k in np.flatnonzero(counts).tolist():
        beyond = k < left_at - 0.5 if _has_left(bench) else False
        past = k >= right_at if _has_right(bench) else False
        fill = "@ink2" if not (beyond or past) else ("@ink" if bench.side is None else "@l3" if beyond else "@o3")
        body += f'<rect x="{num(k * step)}" y="{num(base - counts[k] * unit)}" width="{num(step - 0.5)}" height="{num(counts[k] * unit)}" fill="{fill}"/>'
    body += line(0, base, width, base, stroke="@edge", stroke_width=NARROW)
    body += line(width / 4, 0, width / 4, base, stroke_width=LIMIT) if _has_left(bench) else ""
    body += line(3 * width / 4, 0, 3 * width / 4, base, stroke_width=LIMIT) if _has_right(bench) else ""
    known = bench.u[np.isfinite(bench.u)]
    if len(known):
        reach = min(2.0 * float(np.median(known)) / (2.0 * span) * width, width / 2)
        body += line(width / 2 - reach, height - 1, width / 2 + reach, height - 1, stroke_width=1.6)
    return tokens.painted(svg(width, height, body), for_page=True)


def _has_left(bench: BenchReadings) -> bool:
    return isfinite(bench.now[1] if bench.side == "left" else bench.now[0])


def _has_right(bench: BenchReadings) -> bool:
    return isfinite(bench.now[0] if bench.side == "left" else bench.now[1])
