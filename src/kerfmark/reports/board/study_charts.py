"""Charts of studies: components, examiners, confidence, learning, groups, gauges and plans."""

from __future__ import annotations

import math
from typing import Any

import altair as alt
import numpy as np

from kerfmark.reports.board.strokes import (
    CORR,
    EDGE,
    INK,
    QUIET,
    SHEET,
    Data,
    data_of,
    intervals,
    one_row,
    rows_of,
    rule_at,
)

__all__ = [
    "attempts",
    "calibration",
    "cohorts",
    "components",
    "cusum",
    "dstudy",
    "forest",
    "functioning",
    "gauge",
    "learning",
    "plans",
    "severity",
    "wright",
]


def components(d: Data) -> Any:
    """Shares of variance."""
    return intervals(d, value="share", title="% of total variance", zero=True, percent=True, row=17)


def dstudy(d: Data) -> Any:
    """Dependability by number of exercises; the corridor is what was asked for."""
    rows = [
        {"n": n, "value": v, "line": name}
        for name, values in d["lines"].items()
        for n, v in zip(d["numbers"], values, strict=True)
    ]
    low = min(0.4, *(row["value"] for row in rows)) - 0.02
    y = alt.Y(
        "value:Q",
        title="dependability for a line",
        scale=alt.Scale(domain=[max(0.0, low), 1.0], nice=False, zero=False),
    )
    names = list(d["lines"])
    dashes: list[Any] = [[1, 0], [6, 3], [2, 2.5], [8, 2, 2, 2]][: len(names)]
    band = alt.Chart(one_row(a=d["target"], b=1.0)).mark_rect(color=CORR).encode(y=alt.Y("a:Q"), y2="b:Q")
    lines = alt.Chart(data_of(rows)).mark_line(color=INK, strokeWidth=1.4).encode(
        x=alt.X("n:Q", title="exercises", axis=alt.Axis(tickMinStep=1, grid=False), scale=alt.Scale(domain=[1, max(d["numbers"])])), y=y,
        strokeDash=alt.StrokeDash("line:N", sort=names, scale=alt.Scale(domain=names, range=dashes), legend=alt.Legend(symbolStrokeColor=INK)),
    )  # fmt: skip
    now = alt.Chart(one_row(n=d["now"], value=d["value"], text=f"now {d['value']:.2f}"))
    ring = now.mark_point(color=INK, fill=SHEET, size=60, strokeWidth=1.6, opacity=1).encode(x="n:Q", y=y)
    words = now.mark_text(align="left", dx=-2, dy=-12, color=INK, fontWeight=600).encode(x="n:Q", y=y, text="text:N")
    return alt.layer(band, rule_at(d["target"], axis="y", width=1.1), lines, ring, words)


def severity(d: Data) -> Any:
    """Examiners by severity."""
    return intervals(d, value="value", title="severity, logits; right is severe", zero=True, centre=True)


def wright(d: Data, width: float, height: float) -> Any:
    """Learners above, examiners and exercises below, on one scale."""
    ability = np.asarray(d["ability"], dtype=float)
    others = [
        (v, name, part)
        for part in ("examiners", "exercises")
        for name, v in sorted(d[part].items(), key=lambda item: item[1])
    ]
    ends = [
        float(min([ability.min(), *(v for v, *_ in others)])) - 0.5,
        float(max([ability.max(), *(v for v, *_ in others)])) + 0.5,
    ]
    x = alt.X("at:Q", title=None, scale=alt.Scale(domain=ends, nice=True))
    counts, edges = np.histogram(ability, bins=np.arange(math.floor(ends[0]), math.ceil(ends[1]) + 0.5, 0.5))
    bars = alt.Chart(rows_of(at=edges[:-1].tolist(), end=edges[1:].tolist(), zero=[0] * len(counts), n=counts.tolist()))
    above = bars.mark_rect(fill=CORR, stroke=EDGE, strokeWidth=0.7).encode(
        x=alt.X("at:Q", title=None, axis=alt.Axis(labels=False, ticks=False), scale=alt.Scale(domain=ends, nice=True)), x2="end:Q",
        y=alt.Y("zero:Q", title="learners", axis=alt.Axis(tickCount=4)), y2="n:Q",
    )  # fmt: skip
    marks = alt.Chart(
        rows_of(at=[v for v, *_ in others], name=[f" {name}" for _, name, _ in others], row=list(range(len(others))))
    )
    y = alt.Y("row:O", axis=None)
    x = alt.X("at:Q", title="logits: right is able, severe, hard", scale=alt.Scale(domain=ends, nice=True))
    signs = marks.mark_point(shape="diamond", color=INK, size=36, opacity=1).encode(x=x, y=y)
    words = marks.mark_text(align="left", dx=5, fontSize=11, color="@ink2").encode(x=x, y=y, text="name:N")
    inside = width - 50
    below = alt.layer(signs, words).properties(width=inside, height=max(40, 13 * len(others)))
    return alt.vconcat(above.properties(width=inside, height=max(60.0, height - 90)), below, spacing=4)


def calibration(d: Data) -> Any:
    """Share that came true on stated chance."""
    base = alt.Chart(
        rows_of(stated=d["stated"], share=d["share"], lower=d["lower"], upper=d["upper"], n=[f"n {n}" for n in d["n"]])
    )
    scale = alt.Scale(domain=[0.4 if min([*d["stated"], *d["lower"]], default=0) >= 0.4 else 0.0, 1.0])
    x = alt.X("stated:Q", title="stated chance of being right", scale=scale)
    line = (
        alt.Chart(rows_of(stated=[0, 1], share=[0, 1]))
        .mark_line(color=INK, strokeWidth=1, strokeDash=[4, 2.5], clip=True)
        .encode(x=x, y=alt.Y("share:Q", scale=scale))
    )
    bars = base.mark_rule(color=INK, strokeWidth=1).encode(
        x=x, y=alt.Y("lower:Q", title="share that was right", scale=scale), y2="upper:Q"
    )
    dots = base.mark_point(shape="diamond", color=INK, fill=SHEET, size=50, strokeWidth=1.4, opacity=1).encode(
        x=x, y=alt.Y("share:Q", scale=scale)
    )
    words = base.mark_text(align="left", dx=8, dy=10, color=QUIET, fontSize=11).encode(
        x=x, y=alt.Y("share:Q", scale=scale), text="n:N"
    )
    return alt.layer(line, bars, dots, words)


def learning(d: Data) -> Any:
    """Each learner's path, and the median of each attempt."""
    paths = alt.Chart(rows_of(learner=d["learner"], attempt=d["attempt"], mark=d["mark"])).mark_line(
        color=EDGE, strokeWidth=0.7, opacity=0.6
    )
    y = alt.Y("mark:Q", title="mark", scale=alt.Scale(zero=False))
    paths = paths.encode(
        x=alt.X("attempt:Q", title="attempt", axis=alt.Axis(tickMinStep=1, grid=False)), y=y, detail="learner:N"
    )
    middle = (
        alt.Chart(rows_of(attempt=d["at"], mark=d["median"]))
        .mark_line(color=INK, strokeWidth=2, point=alt.OverlayMarkDef(color=INK, size=24))
        .encode(x="attempt:Q", y=y)
    )
    return paths + middle


def attempts(d: Data) -> Any:
    """Share who have met the line, by attempt."""
    base = alt.Chart(rows_of(attempt=d["attempt"], share=d["share"], lower=d["lower"], upper=d["upper"]))
    x = alt.X("attempt:Q", title="attempt", axis=alt.Axis(tickMinStep=1, grid=False))
    band = base.mark_area(color=CORR, interpolate="step-after").encode(
        x=x, y=alt.Y("lower:Q", title="share who have met it", scale=alt.Scale(domain=[0, 1])), y2="upper:Q"
    )
    return band + base.mark_line(color=INK, interpolate="step-after", strokeWidth=1.4).encode(x=x, y="share:Q")


def cusum(d: Data) -> Any:
    """Failure charts between their limits."""
    paths = alt.Chart(rows_of(learner=d["learner"], attempt=d["attempt"], sum=d["sum"])).mark_line(
        color=EDGE, strokeWidth=0.8, opacity=0.7
    )
    paths = paths.encode(
        x=alt.X("attempt:Q", title="attempt", axis=alt.Axis(tickMinStep=1, grid=False)),
        y=alt.Y("sum:Q", title="failures beyond what is expected"),
        detail="learner:N",
    )
    band = alt.Chart(one_row(a=d["lower"], b=d["upper"])).mark_rect(color=CORR).encode(y="a:Q", y2="b:Q")
    return alt.layer(band, paths, rule_at(d["upper"], axis="y", width=1.1), rule_at(d["lower"], axis="y", width=1.1))


def forest(d: Data) -> Any:
    """Differences between groups against the margin."""
    return intervals(d, value="value", title="points of 100", zero=True, corridor=d["margin"])


def functioning(d: Data) -> Any:
    """Criteria between groups, as delta with its interval."""
    return intervals(d, value="value", title="delta", zero=True, corridor=d["margin"])


def cohorts(d: Data) -> Any:
    """Differences to earlier cohorts."""
    return intervals(d, value="value", title="this cohort less that, points of 100", zero=True, centre=True)


def gauge(d: Data) -> Any:
    """Six standard deviations of reading, % of the criterion's width."""
    rows = [
        {"name": n, "part": p, "value": v}
        for p in ("repeatability", "device", "total")
        for n, v in zip(d["names"], d[p], strict=True)
    ]
    y = alt.Y(
        "name:N",
        sort=None,
        title=None,
        axis=alt.Axis(domain=False, ticks=False, labelLimit=220, grid=True, labelPadding=10),
    )
    shapes = alt.Shape(
        "part:N",
        sort=None,
        scale=alt.Scale(domain=["repeatability", "device", "total"], range=["circle", "square", "stroke"]),
    )
    points = alt.Chart(data_of(rows)).mark_point(color=INK, size=70, strokeWidth=1.4, opacity=1)
    points = points.encode(
        x=alt.X("value:Q", title="% of the criterion’s width", scale=alt.Scale(zero=True), axis=alt.Axis(grid=False)),
        y=y,
        shape=shapes,
    )
    band = alt.Chart(one_row(a=0, b=d["limit"])).mark_rect(color=CORR).encode(x="a:Q", x2="b:Q")
    return alt.layer(band, points, rule_at(d["limit"], axis="x", width=1.1)).properties(
        height=115 + 26 * len(d["names"])
    )


def plans(d: Data) -> Any:
    """Wrong passes by hours; the number of exercises beside each, its sign the number of examiners."""
    names = [str(i) for i in d["exercises"]]
    who = [f"{o} examiner{'s' if o > 1 else ''}" for o in d["examiners"]]
    base = alt.Chart(rows_of(hours=d["hours"], wrong=d["false_pass"], name=names, who=who))
    x = alt.X(
        "hours:Q",
        title="examiner hours; beside each sign the number of exercises",
        axis=alt.Axis(grid=False, tickCount=6),
    )
    y = alt.Y("wrong:Q", title="passed in error, %", scale=alt.Scale(zero=True))
    shape = alt.Shape("who:N", sort=None, scale=alt.Scale(range=["diamond", "square", "triangle-up"]))
    signs = base.mark_point(color=INK, size=46, strokeWidth=1.2, opacity=1).encode(x=x, y=y, shape=shape)
    return signs + base.mark_text(align="left", dx=7, fontSize=12, color="@ink2").encode(x=x, y=y, text="name:N")
