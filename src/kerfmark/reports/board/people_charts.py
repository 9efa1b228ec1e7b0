"""Charts of examiners: every two of them on the same pieces, their repeats in order, and how far two may lie apart."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import altair as alt
import numpy as np

from kerfmark.reports.board.cells import signed
from kerfmark.reports.board.strokes import CORR, EDGE, INK, Data, one_row, rows_of, rule_at

__all__ = ["differences", "drift", "pairs"]

ACROSS = 3
TITLE_MOST = 88
"""Room of a title over a small plot, px; a wider one would push its neighbours apart."""
FINE_MOST = 25.0
"""Differences up to this many points are counted point by point; marks are mostly whole, so an odd step about 0 counts them evenly."""


def differences(d: Data) -> Any:
    """Differences of two marks of one piece; the corridor is what error alone makes."""
    values, limit = np.asarray(d["difference"], dtype=float), d["limit"]
    most = max(limit, float(np.abs(values).max()))
    step = 1.0 if most < FINE_MOST else 3.0
    edges = step * (np.arange(-math.ceil(most / step), math.ceil(most / step) + 2) - 0.5)
    counts, _ = np.histogram(values, bins=edges)
    x = alt.X("a:Q", title="first less second examiner, points", axis=alt.Axis(grid=False))
    band = alt.Chart(one_row(a=-limit, b=limit)).mark_rect(color=CORR).encode(x=x, x2="b:Q")
    bars = alt.Chart(rows_of(a=edges[:-1].tolist(), b=edges[1:].tolist(), zero=[0] * len(counts), n=counts.tolist()))
    bars = bars.mark_rect(fill="@sheet", stroke=EDGE, strokeWidth=0.7).encode(x=x, x2="b:Q", y=alt.Y("zero:Q", title="pairs of marks", axis=alt.Axis(tickMinStep=1)), y2="n:Q")  # fmt: skip
    lines = [rule_at(-limit, axis="x", width=1.1), rule_at(limit, axis="x", width=1.1)]
    names = alt.Chart(rows_of(at=[-limit, limit], text=[signed(-limit, 1), signed(limit, 1)]))
    words = names.mark_text(baseline="bottom", dy=-2, color=INK).encode(x="at:Q", y=alt.value(0), text="text:N")
    return alt.layer(band, bars, *lines, words)


def pairs(d: Data, width: float, height: float) -> Any:
    """One small plot a pair: differences on means, bias and limits of agreement, all on one scale."""
    every = [v for p in d["pairs"] for v in (*p["difference"], p["lower"], p["upper"])]
    means = [v for p in d["pairs"] for v in p["mean"]]
    x = alt.Scale(domain=[min(means) - 2, max(means) + 2], nice=False, zero=False)
    y = alt.Scale(domain=[min(every) - 1, max(every) + 1], nice=False)
    return _tiles(d["pairs"], lambda p, left, foot: _pair(p, x, y, left=left, foot=foot), width, height)


def _pair(p: Data, x_scale: alt.Scale, y_scale: alt.Scale, *, left: bool, foot: bool) -> Any:
    x = alt.X(
        "mean:Q",
        title="mean of both" if foot else None,
        scale=x_scale,
        axis=alt.Axis(grid=False, tickCount=3, labels=foot),
    )
    y = alt.Y("difference:Q", title="points" if left else None, scale=y_scale, axis=alt.Axis(labels=left, tickCount=5))
    band = (
        alt.Chart(one_row(a=p["lower"], b=p["upper"]))
        .mark_rect(color=CORR)
        .encode(y=alt.Y("a:Q", scale=y_scale), y2="b:Q")
    )
    outside = [not p["lower"] <= v <= p["upper"] for v in p["difference"]]
    base = alt.Chart(rows_of(mean=p["mean"], difference=p["difference"], out=outside))
    dots = (
        base.transform_filter("!datum.out")
        .mark_point(shape="diamond", filled=True, color="@ink2", size=12, opacity=0.8)
        .encode(x=x, y=y)
    )
    squares = (
        base.transform_filter("datum.out")
        .mark_square(filled=False, color=INK, size=26, strokeWidth=1.1, opacity=1)
        .encode(x=x, y=y)
    )
    lines = [
        _level(v, y_scale, dash)
        for v, dash in ((p["lower"], [4, 2.5]), (p["upper"], [4, 2.5]), (p["bias"], [1.0, 0.0]))
    ]
    name = f"{p['name'].replace(' less ', ' − ')}, n {p['n']}"
    return alt.layer(band, dots, squares, *lines).properties(title=_title(name))


def _level(value: float, scale: alt.Scale, dash: list[float], width: float = 1.1) -> Any:
    mark = alt.Chart(one_row(at=value)).mark_rule(color=INK, strokeWidth=width, strokeDash=dash)
    return mark.encode(y=alt.Y("at:Q", scale=scale))


def _title(text: str) -> alt.TitleParams:
    return alt.TitleParams(
        text,
        font="@font",
        fontSize=12,
        fontWeight=500,
        color=INK,
        anchor="start",
        offset=4,
        frame="group",
        limit=TITLE_MOST,
    )


def drift(d: Data, width: float, height: float) -> Any:
    """One small control chart an examiner or device: repeats in order between common limits."""
    every = [*d["difference"], d["lower"], d["upper"]]
    y = alt.Scale(domain=[min(every) - 1, max(every) + 1], nice=False)
    most = max(d["number"])
    x = alt.Scale(domain=[0.5, most + 0.5], nice=False)
    charts = []
    for name in d["names"]:
        at = [i for i, whose in enumerate(d["examiner"]) if whose == name]
        charts.append(
            {"name": name, **{key: [d[key][i] for i in at] for key in ("number", "difference", "beyond", "run")}}
        )
    return _tiles(charts, lambda c, left, foot: _repeats(c, d, x, y, left=left, foot=foot), width, height)


def _repeats(c: Data, d: Data, x_scale: alt.Scale, y_scale: alt.Scale, *, left: bool, foot: bool) -> Any:
    x = alt.X(
        "number:Q",
        title="in order" if "unit" in d and foot else "repeat, in order" if foot else None,
        scale=x_scale,
        axis=alt.Axis(grid=False, tickMinStep=1, tickCount=4, labels=foot, format="d"),
    )
    y = alt.Y(
        "difference:Q",
        title=d.get("unit", "points") if left else None,
        scale=y_scale,
        axis=alt.Axis(labels=left, tickCount=5),
    )
    kind = ["beyond" if b else "run" if r else "within" for b, r in zip(c["beyond"], c["run"], strict=True)]
    base = alt.Chart(rows_of(number=c["number"], difference=c["difference"], kind=kind))
    band = (
        alt.Chart(one_row(a=d["lower"], b=d["upper"]))
        .mark_rect(color=CORR)
        .encode(y=alt.Y("a:Q", scale=y_scale), y2="b:Q")
    )
    path = base.mark_line(color=EDGE, strokeWidth=0.9).encode(x=x, y=y)
    within = (
        base.transform_filter("datum.kind == 'within'").mark_circle(color="@ink2", size=16, opacity=1).encode(x=x, y=y)
    )
    out = (
        base.transform_filter("datum.kind == 'beyond'")
        .mark_square(filled=True, color=INK, size=40, opacity=1)
        .encode(x=x, y=y)
    )
    run = (
        base.transform_filter("datum.kind == 'run'")
        .mark_point(shape="diamond", filled=False, color=INK, size=40, strokeWidth=1.3, opacity=1)
        .encode(x=x, y=y)
    )
    lines = [_level(v, y_scale, [1.0, 0.0]) for v in (d["lower"], d["upper"])] + [
        _level(0.0, y_scale, [12, 3, 1.5, 3], 0.7)
    ]
    return alt.layer(band, path, within, out, run, *lines).properties(
        title=_title(f"{c['name']}, n {len(c['number'])}")
    )


def _tiles(parts: Sequence[Data], draw: Callable[..., Any], width: float, height: float) -> Any:
    """Small plots side by side, at most three in a row, on the room of one figure."""
    across = min(ACROSS, len(parts))
    rows = [parts[i : i + across] for i in range(0, len(parts), across)]
    tile = (width - 60 - 10 * (across - 1)) / across, max(62.0, (height - 40) / max(2, len(rows)) - 22)
    drawn = []
    for at, row in enumerate(rows):
        last = at == len(rows) - 1
        made = [draw(part, n == 0, last or (at == len(rows) - 2 and n >= len(rows[-1]))) for n, part in enumerate(row)]
        drawn.append(alt.hconcat(*(chart.properties(width=tile[0], height=tile[1]) for chart in made), spacing=10))
    return alt.vconcat(*drawn, spacing=6)
