"""Charts of marks: their spread, the pass line, decisions, and how two views of the same piece agree."""

from __future__ import annotations

import math
from typing import Any

import altair as alt
import numpy as np

from kerfmark.reports.board.cells import signed
from kerfmark.reports.board.strokes import (
    CORR,
    EDGE,
    INK,
    POINTS_MOST,
    QUIET,
    RULE,
    SHEET,
    Data,
    data_of,
    haloed,
    marks_axis,
    one_row,
    rows_of,
    rule_at,
)

__all__ = ["agreement", "conditional", "cumulative", "decisions", "histogram", "items", "ownview", "passline"]


def histogram(d: Data) -> Any:
    """Marks of learners in steps of 2.5."""
    marks = np.asarray(d["marks"], dtype=float)
    edges = np.arange(2.5 * math.floor(marks.min() / 2.5), marks.max() + 2.6, 2.5)
    counts, _ = np.histogram(marks, bins=edges)
    x = alt.X("a:Q", title="mark of the learner", scale=alt.Scale(zero=False, nice=True), axis=alt.Axis(grid=False))
    bars = alt.Chart(rows_of(a=edges[:-1].tolist(), b=edges[1:].tolist(), zero=[0] * len(counts), n=counts.tolist()))
    drawn = bars.mark_rect(fill=CORR, stroke=EDGE, strokeWidth=0.7).encode(
        x=x, x2="b:Q", y=alt.Y("zero:Q", title="learners", axis=alt.Axis(tickMinStep=1)), y2="n:Q"
    )
    if d["cut"] is None:
        return drawn
    word = alt.Chart(one_row(at=d["cut"], text=f"line {d['cut']:.1f}")).encode(x="at:Q", y=alt.value(0), text="text:N")
    words = haloed(word, align="left", baseline="bottom", dx=-2, dy=-2, fontWeight=600)
    near = [d["cut"] - d["error"], d["cut"] + d["error"]] if d["error"] else []
    band = (
        [alt.Chart(one_row(a=near[0], b=near[1])).mark_rect(color=RULE, opacity=0.45).encode(x="a:Q", x2="b:Q")]
        if near
        else []
    )
    return alt.layer(drawn, *band, rule_at(d["cut"], axis="x"), *words)


def items(d: Data) -> Any:
    """Difficulty of each criterion on its correlation with the others, by its number in the table."""
    least = min(d["difficulty"]) - 0.03
    x = alt.X(
        "difficulty:Q",
        title="difficulty: share met; right is easy",
        scale=alt.Scale(domain=[least, 1.0], nice=False, zero=False),
    )
    low, high = min(0.0, d["r_least"], *d["r"]) - 0.05, max(0.5, *d["r"]) + 0.05
    y = alt.Y("r:Q", title="correlation with the others", scale=alt.Scale(domain=[low, high], nice=False))
    kind = ["flagged" if f else "sound" for f in d["flagged"]]
    base = alt.Chart(rows_of(difficulty=d["difficulty"], r=d["r"], kind=kind, name=d["name"]))
    left = max(d["hard"], least)
    band = (
        alt.Chart(one_row(a=left, b=d["easy"], c=d["r_least"], e=high))
        .mark_rect(color=CORR)
        .encode(x=alt.X("a:Q"), x2="b:Q", y=alt.Y("c:Q"), y2="e:Q")
    )
    dots = base.transform_filter("datum.kind == 'sound'").mark_circle(color=INK, size=26, opacity=1).encode(x=x, y=y)
    squares = (
        base.transform_filter("datum.kind == 'flagged'")
        .mark_square(filled=False, color=INK, size=34, strokeWidth=1.2, opacity=1)
        .encode(x=x, y=y)
    )
    words = base.mark_text(align="left", dx=6, fontSize=11, color="@ink2").encode(x=x, y=y, text="name:N")
    return alt.layer(band, dots, squares, words)


def passline(d: Data, width: float, height: float) -> Any:
    """Marks on overall view with the line, and the marks' spread beside it on the same scale."""
    marks, grades = np.asarray(d["marks"], dtype=float), np.asarray(d["grades"], dtype=float)
    low, high = 5 * math.floor((min(marks.min(), d["cut"]) - 1) / 5), 5 * math.ceil((marks.max() + 1) / 5)
    scale = alt.Scale(domain=[low, high], nice=False, zero=False)
    left = _views(marks, grades, d, scale, low, wide=width >= 380)
    counts, edges = np.histogram(marks, bins=np.arange(low, high + 2.5, 2.5))
    bars = alt.Chart(rows_of(a=edges[:-1].tolist(), b=edges[1:].tolist(), zero=[0] * len(counts), n=counts.tolist()))
    bars = bars.mark_rect(fill=CORR, stroke=EDGE, strokeWidth=0.7).encode(
        y=alt.Y("a:Q", title=None, axis=None, scale=scale), y2="b:Q",
        x=alt.X("zero:Q", title=f"{len(marks)} pieces", axis=alt.Axis(grid=False, tickCount=3)), x2="n:Q",
    )  # fmt: skip
    text = f"{d['cut']:.1f} ± {d['se']:.1f}" if d["se"] else f"{d['cut']:.1f}"
    label = alt.Chart(one_row(at=d["cut"], text=text))
    label = label.encode(y=alt.Y("at:Q", scale=scale), x=alt.value("width"), text="text:N")
    words = haloed(label, align="right", baseline="bottom", dx=-2, dy=-3, fontWeight=600, fontSize=13)
    inside, high_px = width - 60, height - 45
    right = alt.layer(bars, *_line(d, scale), *words).properties(width=0.27 * inside, height=high_px)
    return alt.hconcat(left.properties(width=0.73 * inside, height=high_px), right, spacing=0)


def _line(d: Data, scale: alt.Scale) -> list[Any]:
    """The line and the band of one standard error, on a scale of marks."""
    band = alt.Chart(one_row(a=d["cut"] - d["se"], b=d["cut"] + d["se"])).mark_rect(color=RULE, opacity=0.6)
    line = alt.Chart(one_row(a=d["cut"])).mark_rule(color=INK, strokeWidth=1.4)
    return [band.encode(y=alt.Y("a:Q", scale=scale), y2="b:Q"), line.encode(y=alt.Y("a:Q", scale=scale))]


def _views(marks: Any, grades: Any, d: Data, scale: alt.Scale, low: float, *, wide: bool) -> Any:
    """Marks on overall views; a dot of jitter keeps whole grades apart."""
    keep = np.linspace(0, len(marks) - 1, min(len(marks), POINTS_MOST)).astype(int)
    jitter = (np.arange(len(keep)) * 0.618) % 1 * 0.36 - 0.18
    names = "{1: 'clear fail', 2: 'borderline', 3: 'pass', 4: 'good', 5: 'excellent'}[datum.value] || datum.label"
    x = alt.X("at:Q", title="examiners’ overall view", scale=alt.Scale(domain=[0.5, max(5.0, float(grades.max())) + 0.5], nice=False),
              axis=alt.Axis(values=list(range(1, 6)), labelExpr=names, grid=False, labelOverlap=False if wide else "greedy"))  # fmt: skip
    y = alt.Y("mark:Q", title="mark of the piece", scale=scale)
    pieces = alt.Chart(rows_of(at=(grades[keep] + jitter).tolist(), mark=marks[keep].tolist()))
    ticks = pieces.mark_tick(color=QUIET, thickness=1, size=7, orient="horizontal", opacity=0.8).encode(x=x, y=y)
    ends = [float(grades.min()), float(grades.max())]
    fitted = alt.Chart(rows_of(at=ends, mark=[d["intercept"] + d["slope"] * g for g in ends])).mark_line(
        color=INK, strokeWidth=1.4, clip=True
    )
    drop = alt.Chart(one_row(at=d["borderline"], mark=d["cut"], foot=low)).mark_rule(
        color=INK, strokeWidth=0.9, strokeDash=[4, 2.5]
    )
    return alt.layer(*_line(d, scale), ticks, fitted.encode(x=x, y=y), drop.encode(x=x, y=y, y2="foot:Q"))


def cumulative(d: Data) -> Any:
    """Share of learners below each mark."""
    n = len(d["marks"])
    curve = alt.Chart(rows_of(mark=d["marks"], share=[100 * (i + 1) / n for i in range(n)])).mark_line(
        interpolate="step-after", color=INK, strokeWidth=1.2
    )
    curve = curve.encode(x=marks_axis("mark of the learner"), y=alt.Y("share:Q", title="% of learners at or below"))
    layers: list[Any] = []
    if d["lower"] is not None and d["lower"] == d["lower"]:
        layers.append(alt.Chart(one_row(a=d["lower"], b=d["upper"])).mark_rect(color=CORR).encode(x="a:Q", x2="b:Q"))
    return alt.layer(*layers, curve, rule_at(d["cut"], axis="x"), *_hofstee_box(d["box"]))


def _hofstee_box(box: Data) -> list[Any]:
    """What a panel can bear: least and greatest line by least and greatest fail rate, and the diagonal."""
    if not box:
        return []
    low, high, least, most = box["cut_min"], box["cut_max"], 100 * box["fail_min"], 100 * box["fail_max"]
    outline = alt.Chart(one_row(a=low, b=high, c=least, e=most)).mark_rect(
        fill=None, stroke=INK, strokeWidth=1, strokeDash=[4, 2.5]
    )
    outline = outline.encode(x="a:Q", x2="b:Q", y="c:Q", y2="e:Q")
    diagonal = alt.Chart(rows_of(mark=[low, high], share=[most, least])).mark_line(
        color=INK, strokeWidth=1, strokeDash=[4, 2.5]
    )
    return [outline, diagonal.encode(x="mark:Q", y="share:Q")]


def decisions(d: Data) -> Any:
    """Passed and failed side by side, area to scale; what is in error at the foot, dark."""
    passed, failed, n = d["true_pass"] + d["false_pass"], d["true_fail"] + d["false_fail"], d["n"]
    gap = 0.02 * n
    rows = [
        {"x": 0, "x2": passed, "y": d["false_pass"] / passed if passed else 0, "y2": 1, "kind": "right"},
        {"x": 0, "x2": passed, "y": 0, "y2": d["false_pass"] / passed if passed else 0, "kind": "wrong"},
        {"x": passed + gap, "x2": n + gap, "y": d["false_fail"] / failed if failed else 0, "y2": 1, "kind": "right"},
        {"x": passed + gap, "x2": n + gap, "y": 0, "y2": d["false_fail"] / failed if failed else 0, "kind": "wrong"},
    ]
    base = alt.Chart(data_of(rows)).encode(x=alt.X("x:Q", scale=alt.Scale(domain=[0, n + gap], nice=False), axis=None), x2="x2:Q",
                                                   y=alt.Y("y:Q", scale=alt.Scale(domain=[-0.22, 1.12], nice=False), axis=None), y2="y2:Q")  # fmt: skip
    boxes = base.transform_filter("datum.kind == 'right'").mark_rect(fill=SHEET, stroke=INK, strokeWidth=1)
    wrong = base.transform_filter("datum.kind == 'wrong'").mark_rect(fill="@ink2", stroke=INK, strokeWidth=1)
    texts = [
        {"x": 0, "y": 1.06, "text": f"passed {passed:.0f}", "align": "left"},
        {"x": n + gap, "y": 1.06, "text": f"failed {failed:.0f}", "align": "right"},
        {
            "x": 0,
            "y": -0.1,
            "text": f"{d['false_pass']:.0f} ± {d['false_pass_half']:.0f} passed in error",
            "align": "left",
        },
        {
            "x": n + gap,
            "y": -0.1,
            "text": f"{d['false_fail']:.0f} ± {d['false_fail_half']:.0f} failed in error",
            "align": "right",
        },
        {"x": passed / 2, "y": 0.6, "text": f"{d['true_pass']:.0f} rightly passed", "align": "center"},
    ]
    words = [
        alt.Chart(data_of([t for t in texts if t["align"] == align]))
        .mark_text(align=align, color=INK, fontSize=13, baseline="middle")
        .encode(x="x:Q", y="y:Q", text="text:N")
        for align in ("left", "right", "center")
    ]
    return alt.layer(boxes, wrong, *words)


def conditional(d: Data) -> Any:
    """Each learner's own error, and its mean over like marks."""
    dots = alt.Chart(rows_of(mark=d["mark"], error=d["error"])).mark_circle(color=EDGE, size=10, opacity=0.6)
    dots = dots.encode(x=marks_axis("mark of the learner"), y=alt.Y("error:Q", title="standard error, points"))
    smooth = alt.Chart(rows_of(mark=d["smooth"]["at"], error=d["smooth"]["error"])).mark_line(
        color=INK, strokeWidth=1.6, point=alt.OverlayMarkDef(color=INK, size=20)
    )
    return dots + smooth.encode(x="mark:Q", y="error:Q") + rule_at(d["cut"], axis="x", dash=[4, 2.5], width=1.1)


def agreement(d: Data) -> Any:
    """Differences on means with limits; those outside are squares."""
    outside = ["outside" if not d["lower"] <= v <= d["upper"] else "inside" for v in d["difference"]]
    base = alt.Chart(rows_of(mean=d["mean"], difference=d["difference"], where=outside))
    x = alt.X("mean:Q", title="mean of both", scale=alt.Scale(zero=False))
    y = alt.Y("difference:Q", title=f"examiner less reading{', ' + d['unit'] if d['unit'] else ''}")
    band = alt.Chart(one_row(a=d["lower"], b=d["upper"])).mark_rect(color=CORR).encode(y="a:Q", y2="b:Q")
    dots = (
        base.transform_filter("datum.where == 'inside'")
        .mark_circle(color="@ink2", size=14, opacity=0.75)
        .encode(x=x, y=y)
    )
    squares = (
        base.transform_filter("datum.where == 'outside'")
        .mark_square(filled=False, color=INK, size=28, strokeWidth=1.1)
        .encode(x=x, y=y)
    )
    lines = [
        rule_at(d["lower"], axis="y", dash=[4, 2.5], width=1.1),
        rule_at(d["upper"], axis="y", dash=[4, 2.5], width=1.1),
        rule_at(d["bias"], axis="y", width=1.6),
    ]
    names = alt.Chart(
        rows_of(
            at=[d["lower"], d["bias"], d["upper"]],
            text=[signed(d["lower"], 1), f"mean {signed(d['bias'], 1)}", signed(d["upper"], 1)],
        )
    )
    words = names.mark_text(align="left", dx=4, color=INK).encode(y="at:Q", x=alt.value("width"), text="text:N")
    return alt.layer(band, dots, squares, *lines, words)


def ownview(d: Data) -> Any:
    """Own on measured mark with the line of equality; no quartiles."""
    low, high = min([*d["own"], *d["measured"]]), max([*d["own"], *d["measured"]])
    scale = alt.Scale(domain=[low - 2, high + 2], nice=True, zero=False)
    dots = alt.Chart(rows_of(own=d["own"], measured=d["measured"])).mark_point(
        shape="diamond", color=QUIET, size=14, strokeWidth=0.9, opacity=0.8
    )
    dots = dots.encode(
        x=alt.X("measured:Q", title="measured mark", scale=scale), y=alt.Y("own:Q", title="own mark", scale=scale)
    )
    line = (
        alt.Chart(rows_of(measured=[low, high], own=[low, high]))
        .mark_line(color=INK, strokeWidth=1.1)
        .encode(x="measured:Q", y="own:Q")
    )
    return dots + line
