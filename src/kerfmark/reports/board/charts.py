"""The charts of an evidence report as Altair specifications, one description for page and paper.

Colours are tokens (`@ink`) until `coloured` gives them light, dark or paper values. Nothing is blue or orange: those mean
material left and cut too far, and no chart here shows either. Dots are measured, diamonds are people.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

import altair as alt
import numpy as np

from kerfmark.evidence.answer import Figure
from kerfmark.reports import tokens

__all__ = ["KINDS", "SIZED", "coloured", "spec_of"]

Data = Mapping[str, Any]
INK, QUIET, EDGE, CORR, HAIR, SHEET, RULE = "@ink", "@ink3", "@edge", "@corr", "@hair", "@sheet", "@rule"


def spec_of(figure: Figure, *, width: float, height: float) -> dict[str, Any]:
    """A figure's Vega-Lite specification, colours still tokens.

    Parameters
    ----------
    figure : Figure
    width, height : float
        Of the whole figure, px; charts that list names take the height their names need.

    Raises
    ------
    KeyError
        If no drawing of that kind stands in `KINDS` or `SIZED`.
    """
    if figure.kind in SIZED:
        chart = SIZED[figure.kind](figure.data, width, height)
    else:
        fit = alt.AutoSizeParams(type="fit", contains="padding")
        chart = KINDS[figure.kind](figure.data)
        own = chart.height if isinstance(getattr(chart, "height", None), int | float) else height
        chart = chart.properties(width=width, height=own, autosize=fit)
    made: dict[str, Any] = chart.configure(**_CONFIG).to_dict(validate=False)
    return made


def coloured(spec: Mapping[str, Any], palette: Mapping[str, str], font: str) -> dict[str, Any]:
    """A specification with its tokens as the colours of a palette.

    Examples
    --------
    >>> coloured({"mark": {"color": "@ink"}}, {"ink": "#000000"}, "Barlow")
    {'mark': {'color': '#000000'}}
    """
    text = json.dumps(spec)
    for name in sorted(tokens.LIGHT, key=len, reverse=True):
        text = text.replace(f'"@{name}"', json.dumps(palette.get(name, "")))
    made: dict[str, Any] = json.loads(text.replace('"@font"', json.dumps(font)))
    return made


POINTS_MOST: Final = 1500
_CONFIG: Final[dict[str, Any]] = {
    "background": "transparent",
    "font": "@font",
    "view": alt.ViewConfig(stroke=None),
    "axis": alt.AxisConfig(
        labelFont="@font", titleFont="@font", labelColor="@ink2", titleColor=QUIET, labelFontSize=12, titleFontSize=12, titleFontWeight=400,
        domainColor=EDGE, tickColor=EDGE, gridColor=HAIR, gridWidth=0.7, domainWidth=0.7, tickWidth=0.7, labelFontWeight=400,
    ),
    "text": alt.MarkConfig(font="@font", fontSize=12, color=INK),
    "legend": alt.LegendConfig(labelFont="@font", titleFont="@font", labelColor="@ink2", labelFontSize=12, title=None, orient="bottom", symbolStrokeWidth=1.4),
    "header": alt.HeaderConfig(labelFont="@font", labelColor="@ink2"),
}  # fmt: skip


def _data(values: list[dict[str, Any]]) -> Any:
    return alt.Data(values=values)  # type: ignore[no-untyped-call]


def _rows(**columns: Sequence[Any]) -> Any:
    names = list(columns)
    return _data([dict(zip(names, row, strict=True)) for row in zip(*columns.values(), strict=True)])


def _one(**values: Any) -> Any:
    return _data([values])


def _rule(value: float, *, axis: str, dash: list[float] | None = None, width: float = 1.4) -> Any:
    mark = alt.Chart(_one(at=value)).mark_rule(color=INK, strokeWidth=width, strokeDash=dash or [1, 0])
    return mark.encode(y=alt.Y("at:Q")) if axis == "y" else mark.encode(x=alt.X("at:Q"))


def _marks_axis(title: str) -> alt.X:
    return alt.X("mark:Q", title=title, scale=alt.Scale(zero=False, nice=True))


def histogram(d: Data) -> Any:
    """Marks of learners in steps of 2.5."""
    bars = alt.Chart(_rows(mark=d["marks"])).mark_bar(color=CORR, stroke=EDGE, strokeWidth=0.7)
    ticks = alt.Axis(values=list(range(0, 101, 5)), grid=False)
    return bars.encode(
        x=alt.X("mark:Q", bin=alt.Bin(step=2.5), title="mark of the learner", axis=ticks),
        y=alt.Y("count()", title="learners"),
    )


def passline(d: Data, width: float, height: float) -> Any:
    """Marks on overall view with the line, and the marks' spread beside it on the same scale."""
    marks, grades = np.asarray(d["marks"], dtype=float), np.asarray(d["grades"], dtype=float)
    low, high = 5 * math.floor((min(marks.min(), d["cut"]) - 1) / 5), 5 * math.ceil((marks.max() + 1) / 5)
    scale = alt.Scale(domain=[low, high], nice=False, zero=False)
    left = _views(marks, grades, d, scale, low)
    counts, edges = np.histogram(marks, bins=np.arange(low, high + 2.5, 2.5))
    bars = alt.Chart(_rows(a=edges[:-1].tolist(), b=edges[1:].tolist(), zero=[0] * len(counts), n=counts.tolist()))
    bars = bars.mark_rect(fill=CORR, stroke=EDGE, strokeWidth=0.7).encode(
        y=alt.Y("a:Q", title=None, axis=None, scale=scale), y2="b:Q",
        x=alt.X("zero:Q", title=f"{len(marks)} pieces", axis=alt.Axis(grid=False, tickCount=3)), x2="n:Q",
    )  # fmt: skip
    text = f"{d['cut']:.1f} ± {d['se']:.1f}" if d["se"] else f"{d['cut']:.1f}"
    label = alt.Chart(_one(at=d["cut"], text=text)).mark_text(
        align="right", baseline="bottom", dy=-3, fontWeight=600, fontSize=13, color=INK
    )
    words = label.encode(y=alt.Y("at:Q", scale=scale), x=alt.value(0.25 * (width - 60)), text="text:N")
    inside, high_px = width - 60, height - 45
    right = alt.layer(bars, *_line(d, scale), words).properties(width=0.27 * inside, height=high_px)
    return alt.hconcat(left.properties(width=0.73 * inside, height=high_px), right, spacing=0)


def _line(d: Data, scale: alt.Scale) -> list[Any]:
    """The line and the band of one standard error, on a scale of marks."""
    band = alt.Chart(_one(a=d["cut"] - d["se"], b=d["cut"] + d["se"])).mark_rect(color=RULE, opacity=0.6)
    line = alt.Chart(_one(a=d["cut"])).mark_rule(color=INK, strokeWidth=1.4)
    return [band.encode(y=alt.Y("a:Q", scale=scale), y2="b:Q"), line.encode(y=alt.Y("a:Q", scale=scale))]


def _views(marks: Any, grades: Any, d: Data, scale: alt.Scale, low: float) -> Any:
    """Marks on overall views; a dot of jitter keeps whole grades apart."""
    keep = np.linspace(0, len(marks) - 1, min(len(marks), POINTS_MOST)).astype(int)
    jitter = (np.arange(len(keep)) * 0.618) % 1 * 0.36 - 0.18
    names = "{1: 'clear fail', 2: 'borderline', 3: 'pass', 4: 'good', 5: 'excellent'}[datum.value] || datum.label"
    x = alt.X("at:Q", title="examiners’ overall view", scale=alt.Scale(domain=[0.5, max(5.0, float(grades.max())) + 0.5], nice=False),
              axis=alt.Axis(values=list(range(1, 6)), labelExpr=names, grid=False, labelOverlap=False))  # fmt: skip
    y = alt.Y("mark:Q", title="mark of the piece", scale=scale)
    pieces = alt.Chart(_rows(at=(grades[keep] + jitter).tolist(), mark=marks[keep].tolist()))
    ticks = pieces.mark_tick(color=QUIET, thickness=1, size=7, orient="horizontal", opacity=0.8).encode(x=x, y=y)
    ends = [float(grades.min()), float(grades.max())]
    fitted = alt.Chart(_rows(at=ends, mark=[d["intercept"] + d["slope"] * g for g in ends])).mark_line(
        color=INK, strokeWidth=1.4, clip=True
    )
    drop = alt.Chart(_one(at=d["borderline"], mark=d["cut"], foot=low)).mark_rule(
        color=INK, strokeWidth=0.9, strokeDash=[4, 2.5]
    )
    return alt.layer(*_line(d, scale), ticks, fitted.encode(x=x, y=y), drop.encode(x=x, y=y, y2="foot:Q"))


def cumulative(d: Data) -> Any:
    """Share of learners below each mark."""
    n = len(d["marks"])
    curve = alt.Chart(_rows(mark=d["marks"], share=[100 * (i + 1) / n for i in range(n)])).mark_line(
        interpolate="step-after", color=INK, strokeWidth=1.2
    )
    curve = curve.encode(x=_marks_axis("mark of the learner"), y=alt.Y("share:Q", title="% of learners at or below"))
    if d["lower"] is not None and d["lower"] == d["lower"]:
        band = alt.Chart(_one(a=d["lower"], b=d["upper"])).mark_rect(color=CORR).encode(x="a:Q", x2="b:Q")
        return band + curve + _rule(d["cut"], axis="x")
    return curve + _rule(d["cut"], axis="x")


def agreement(d: Data) -> Any:
    """Differences on means with limits; those outside are squares."""
    outside = ["outside" if not d["lower"] <= v <= d["upper"] else "inside" for v in d["difference"]]
    base = alt.Chart(_rows(mean=d["mean"], difference=d["difference"], where=outside))
    x = alt.X("mean:Q", title="mean of both", scale=alt.Scale(zero=False))
    y = alt.Y("difference:Q", title=f"examiner less reading{', ' + d['unit'] if d['unit'] else ''}")
    band = alt.Chart(_one(a=d["lower"], b=d["upper"])).mark_rect(color=CORR).encode(y="a:Q", y2="b:Q")
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
        _rule(d["lower"], axis="y", dash=[4, 2.5], width=1.1),
        _rule(d["upper"], axis="y", dash=[4, 2.5], width=1.1),
        _rule(d["bias"], axis="y", width=1.6),
    ]
    names = alt.Chart(
        _rows(
            at=[d["lower"], d["bias"], d["upper"]],
            text=[f"{d['lower']:+.1f}", f"mean {d['bias']:+.1f}", f"{d['upper']:+.1f}"],
        )
    )
    words = names.mark_text(align="left", dx=4, color=INK).encode(y="at:Q", x=alt.value("width"), text="text:N")
    return alt.layer(band, dots, squares, *lines, words)


def _intervals(
    d: Data,
    *,
    value: str,
    title: str,
    zero: bool,
    percent: bool = False,
    corridor: float | None = None,
    centre: bool = False,
) -> Any:
    """Names down, values across, each with its interval as a line with end strokes and a needle."""
    n = len(d["names"])
    rows = _rows(name=d["names"], value=d[value], lower=d["lower"], upper=d["upper"])
    y = alt.Y(
        "name:N",
        sort=None,
        title=None,
        axis=alt.Axis(domain=False, ticks=False, grid=True, labelLimit=260, labelPadding=6),
    )
    x = alt.X("value:Q", title=title, scale=alt.Scale(zero=zero), axis=alt.Axis(grid=False))
    base = alt.Chart(rows)
    line = base.mark_rule(color=INK, strokeWidth=1).encode(x=alt.X("lower:Q", title=title), x2="upper:Q", y=y)
    ends = [
        base.mark_tick(color=INK, thickness=1, size=9, opacity=1).encode(x=f"{end}:Q", y=y)
        for end in ("lower", "upper")
    ]
    needle = base.mark_tick(color=INK, thickness=2.6, size=13, opacity=1).encode(x=x, y=y)
    layers: list[Any] = []
    if corridor is not None:
        layers.append(alt.Chart(_one(a=-corridor, b=corridor)).mark_rect(color=CORR).encode(x="a:Q", x2="b:Q"))
        layers += [
            _rule(-corridor, axis="x", width=1.1),
            _rule(corridor, axis="x", width=1.1),
            _rule(0.0, axis="x", width=0.7, dash=[12, 3, 1.5, 3]),
        ]
    if centre:
        layers.append(_rule(0.0, axis="x", width=0.7, dash=[12, 3, 1.5, 3]))
    layers += [line, *ends, needle]
    if percent:
        words = [f"{v:.0f} %" for v in d[value]]
        labels = alt.Chart(_rows(name=d["names"], text=words)).mark_text(align="left", dx=6, fontWeight=600, color=INK)
        layers.append(labels.encode(y=y, x=alt.value("width"), text="text:N"))
    return alt.layer(*layers).properties(height=50 + 24 * n)


def components(d: Data) -> Any:
    """Shares of variance."""
    return _intervals(d, value="share", title="% of total variance", zero=True, percent=True)


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
    band = alt.Chart(_one(a=d["target"], b=1.0)).mark_rect(color=CORR).encode(y=alt.Y("a:Q"), y2="b:Q")
    lines = alt.Chart(_data(rows)).mark_line(color=INK, strokeWidth=1.4).encode(
        x=alt.X("n:Q", title="exercises", axis=alt.Axis(tickMinStep=1, grid=False), scale=alt.Scale(domain=[1, max(d["numbers"])])), y=y,
        strokeDash=alt.StrokeDash("line:N", sort=names, scale=alt.Scale(domain=names, range=dashes), legend=alt.Legend(symbolStrokeColor=INK)),
    )  # fmt: skip
    now = alt.Chart(_one(n=d["now"], value=d["value"], text=f"now {d['value']:.2f}"))
    ring = now.mark_point(color=INK, fill=SHEET, size=60, strokeWidth=1.6, opacity=1).encode(x="n:Q", y=y)
    words = now.mark_text(align="left", dx=-2, dy=-12, color=INK, fontWeight=600).encode(x="n:Q", y=y, text="text:N")
    return alt.layer(band, _rule(d["target"], axis="y", width=1.1), lines, ring, words)


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
    base = alt.Chart(_data(rows)).encode(x=alt.X("x:Q", scale=alt.Scale(domain=[0, n + gap], nice=False), axis=None), x2="x2:Q",
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
        alt.Chart(_data([t for t in texts if t["align"] == align]))
        .mark_text(align=align, color=INK, fontSize=13, baseline="middle")
        .encode(x="x:Q", y="y:Q", text="text:N")
        for align in ("left", "right", "center")
    ]
    return alt.layer(boxes, wrong, *words)


def conditional(d: Data) -> Any:
    """Each learner's own error, and its mean over like marks."""
    dots = alt.Chart(_rows(mark=d["mark"], error=d["error"])).mark_circle(color=EDGE, size=10, opacity=0.6)
    dots = dots.encode(x=_marks_axis("mark of the learner"), y=alt.Y("error:Q", title="standard error, points"))
    smooth = alt.Chart(_rows(mark=d["smooth"]["at"], error=d["smooth"]["error"])).mark_line(
        color=INK, strokeWidth=1.6, point=alt.OverlayMarkDef(color=INK, size=20)
    )
    return dots + smooth.encode(x="mark:Q", y="error:Q") + _rule(d["cut"], axis="x", dash=[4, 2.5], width=1.1)


def severity(d: Data) -> Any:
    """Examiners by severity."""
    return _intervals(d, value="value", title="severity, logits; right is severe", zero=True, centre=True)


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
    bars = alt.Chart(_rows(at=edges[:-1].tolist(), end=edges[1:].tolist(), zero=[0] * len(counts), n=counts.tolist()))
    above = bars.mark_rect(fill=CORR, stroke=EDGE, strokeWidth=0.7).encode(
        x=alt.X("at:Q", title=None, axis=alt.Axis(labels=False, ticks=False), scale=alt.Scale(domain=ends, nice=True)), x2="end:Q",
        y=alt.Y("zero:Q", title="learners", axis=alt.Axis(tickCount=4)), y2="n:Q",
    )  # fmt: skip
    marks = alt.Chart(
        _rows(at=[v for v, *_ in others], name=[f" {name}" for _, name, _ in others], row=list(range(len(others))))
    )
    y = alt.Y("row:O", axis=None)
    x = alt.X("at:Q", title="logits: right is able, severe, hard", scale=alt.Scale(domain=ends, nice=True))
    signs = marks.mark_point(shape="diamond", color=INK, size=36, opacity=1).encode(x=x, y=y)
    words = marks.mark_text(align="left", dx=5, fontSize=11, color="@ink2").encode(x=x, y=y, text="name:N")
    inside = width - 50
    below = alt.layer(signs, words).properties(width=inside, height=max(40, 13 * len(others)))
    return alt.vconcat(above.properties(width=inside, height=max(60.0, height - 90)), below, spacing=4)


def ownview(d: Data) -> Any:
    """Own on measured mark with the line of equality; no quartiles."""
    low, high = min([*d["own"], *d["measured"]]), max([*d["own"], *d["measured"]])
    scale = alt.Scale(domain=[low - 2, high + 2], nice=True, zero=False)
    dots = alt.Chart(_rows(own=d["own"], measured=d["measured"])).mark_point(
        shape="diamond", color=QUIET, size=14, strokeWidth=0.9, opacity=0.8
    )
    dots = dots.encode(
        x=alt.X("measured:Q", title="measured mark", scale=scale), y=alt.Y("own:Q", title="own mark", scale=scale)
    )
    line = (
        alt.Chart(_rows(measured=[low, high], own=[low, high]))
        .mark_line(color=INK, strokeWidth=1.1)
        .encode(x="measured:Q", y="own:Q")
    )
    return dots + line


def calibration(d: Data) -> Any:
    """Share that came true on stated chance."""
    base = alt.Chart(
        _rows(stated=d["stated"], share=d["share"], lower=d["lower"], upper=d["upper"], n=[f"n {n}" for n in d["n"]])
    )
    scale = alt.Scale(domain=[0.4 if min([*d["stated"], *d["lower"]], default=0) >= 0.4 else 0.0, 1.0])
    x = alt.X("stated:Q", title="stated chance of being right", scale=scale)
    line = (
        alt.Chart(_rows(stated=[0, 1], share=[0, 1]))
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
    paths = alt.Chart(_rows(learner=d["learner"], attempt=d["attempt"], mark=d["mark"])).mark_line(
        color=EDGE, strokeWidth=0.7, opacity=0.6
    )
    y = alt.Y("mark:Q", title="mark", scale=alt.Scale(zero=False))
    paths = paths.encode(
        x=alt.X("attempt:Q", title="attempt", axis=alt.Axis(tickMinStep=1, grid=False)), y=y, detail="learner:N"
    )
    middle = (
        alt.Chart(_rows(attempt=d["at"], mark=d["median"]))
        .mark_line(color=INK, strokeWidth=2, point=alt.OverlayMarkDef(color=INK, size=24))
        .encode(x="attempt:Q", y=y)
    )
    return paths + middle


def attempts(d: Data) -> Any:
    """Share who have met the line, by attempt."""
    base = alt.Chart(_rows(attempt=d["attempt"], share=d["share"], lower=d["lower"], upper=d["upper"]))
    x = alt.X("attempt:Q", title="attempt", axis=alt.Axis(tickMinStep=1, grid=False))
    band = base.mark_area(color=CORR, interpolate="step-after").encode(
        x=x, y=alt.Y("lower:Q", title="share who have met it", scale=alt.Scale(domain=[0, 1])), y2="upper:Q"
    )
    return band + base.mark_line(color=INK, interpolate="step-after", strokeWidth=1.4).encode(x=x, y="share:Q")


def cusum(d: Data) -> Any:
    """Failure charts between their limits."""
    paths = alt.Chart(_rows(learner=d["learner"], attempt=d["attempt"], sum=d["sum"])).mark_line(
        color=EDGE, strokeWidth=0.8, opacity=0.7
    )
    paths = paths.encode(
        x=alt.X("attempt:Q", title="attempt", axis=alt.Axis(tickMinStep=1, grid=False)),
        y=alt.Y("sum:Q", title="failures beyond what is expected"),
        detail="learner:N",
    )
    band = alt.Chart(_one(a=d["lower"], b=d["upper"])).mark_rect(color=CORR).encode(y="a:Q", y2="b:Q")
    return alt.layer(band, paths, _rule(d["upper"], axis="y", width=1.1), _rule(d["lower"], axis="y", width=1.1))


def forest(d: Data) -> Any:
    """Differences between groups against the margin."""
    return _intervals(d, value="value", title="points of 100", zero=True, corridor=d["margin"])


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
    points = alt.Chart(_data(rows)).mark_point(color=INK, size=70, strokeWidth=1.4, opacity=1)
    points = points.encode(
        x=alt.X("value:Q", title="% of the criterion’s width", scale=alt.Scale(zero=True), axis=alt.Axis(grid=False)),
        y=y,
        shape=shapes,
    )
    band = alt.Chart(_one(a=0, b=d["limit"])).mark_rect(color=CORR).encode(x="a:Q", x2="b:Q")
    return alt.layer(band, points, _rule(d["limit"], axis="x", width=1.1)).properties(height=115 + 26 * len(d["names"]))


def plans(d: Data) -> Any:
    """Wrong passes by hours; the number of exercises beside each, its sign the number of examiners."""
    names = [str(i) for i in d["exercises"]]
    who = [f"{o} examiner{'s' if o > 1 else ''}" for o in d["examiners"]]
    base = alt.Chart(_rows(hours=d["hours"], wrong=d["false_pass"], name=names, who=who))
    x = alt.X("hours:Q", title="examiner hours; beside each sign the number of exercises", axis=alt.Axis(grid=False))
    y = alt.Y("wrong:Q", title="passed in error, %", scale=alt.Scale(zero=True))
    shape = alt.Shape("who:N", sort=None, scale=alt.Scale(range=["diamond", "square", "triangle-up"]))
    signs = base.mark_point(color=INK, size=46, strokeWidth=1.2, opacity=1).encode(x=x, y=y, shape=shape)
    return signs + base.mark_text(align="left", dx=7, fontSize=12, color="@ink2").encode(x=x, y=y, text="name:N")


KINDS: Final[Mapping[str, Callable[[Data], Any]]] = {
    "histogram": histogram, "cumulative": cumulative, "agreement": agreement, "components": components, "dstudy": dstudy,
    "decisions": decisions, "conditional": conditional, "severity": severity, "ownview": ownview, "calibration": calibration,
    "learning": learning, "attempts": attempts, "cusum": cusum, "forest": forest, "gauge": gauge, "plans": plans,
}  # fmt: skip
SIZED: Final[Mapping[str, Callable[[Data, float, float], Any]]] = {"passline": passline, "wright": wright}
"""Every kind of figure an answer may ask for; those made of two plots share out their own width."""
