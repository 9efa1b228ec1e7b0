"""What every chart is made of: rows of plain numbers, rules, intervals with end strokes, in colour tokens."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any, Final

import altair as alt

__all__ = [
    "CORR",
    "EDGE",
    "HAIR",
    "INK",
    "POINTS_MOST",
    "QUIET",
    "RULE",
    "SHEET",
    "Data",
    "data_of",
    "haloed",
    "intervals",
    "marks_axis",
    "one_row",
    "rows_of",
    "rule_at",
    "unfolded",
]

Data = Mapping[str, Any]
INK, QUIET, EDGE, CORR, HAIR, SHEET, RULE = "@ink", "@ink3", "@edge", "@corr", "@hair", "@sheet", "@rule"
POINTS_MOST: Final = 1500
"""More points than this are thinned evenly."""


def data_of(values: list[dict[str, Any]]) -> Any:
    """Rows of plain values as inline data, folded into text until the whole chart stands.

    Altair copies and checks every value of every layer again and again; a text costs it nothing.
    """
    return alt.Data(values=json.dumps(values))  # type: ignore[no-untyped-call]


def unfolded(spec: Any) -> Any:
    """A specification with its inline data as rows again."""
    if isinstance(spec, dict):
        folded = spec.get("values")
        if isinstance(folded, str):
            return {**spec, "values": json.loads(folded)}
        return {key: unfolded(value) for key, value in spec.items()}
    return [unfolded(value) for value in spec] if isinstance(spec, list) else spec


def rows_of(**columns: Sequence[Any]) -> Any:
    """Columns of equal length as inline data."""
    names = list(columns)
    return data_of([dict(zip(names, row, strict=True)) for row in zip(*columns.values(), strict=True)])


def one_row(**values: Any) -> Any:
    """One row of values as inline data."""
    return data_of([values])


def rule_at(value: float, *, axis: str, dash: list[float] | None = None, width: float = 1.4) -> Any:
    """A straight line across the plot at a value of one axis."""
    mark = alt.Chart(one_row(at=value)).mark_rule(color=INK, strokeWidth=width, strokeDash=dash or [1, 0])
    return mark.encode(y=alt.Y("at:Q")) if axis == "y" else mark.encode(x=alt.X("at:Q"))


def haloed(chart: Any, **how: Any) -> list[Any]:
    """A word drawn twice: a halo in the sheet's colour beneath, so that lines do not run through it."""
    return [chart.mark_text(**how, stroke=SHEET, strokeWidth=3.5, color=SHEET), chart.mark_text(**how, color=INK)]


def marks_axis(title: str) -> alt.X:
    """The axis of marks, not forced to start at 0."""
    return alt.X("mark:Q", title=title, scale=alt.Scale(zero=False, nice=True))


def intervals(
    d: Data,
    *,
    value: str,
    title: str,
    zero: bool,
    percent: bool = False,
    corridor: float | None = None,
    centre: bool = False,
    row: int = 24,
) -> Any:
    """Names down, values across, each with its interval as a line with end strokes and a needle."""
    n = len(d["names"])
    rows = rows_of(name=d["names"], value=d[value], lower=d["lower"], upper=d["upper"])
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
        layers.append(alt.Chart(one_row(a=-corridor, b=corridor)).mark_rect(color=CORR).encode(x="a:Q", x2="b:Q"))
        layers += [
            rule_at(-corridor, axis="x", width=1.1),
            rule_at(corridor, axis="x", width=1.1),
            rule_at(0.0, axis="x", width=0.7, dash=[12, 3, 1.5, 3]),
        ]
    if centre:
        layers.append(rule_at(0.0, axis="x", width=0.7, dash=[12, 3, 1.5, 3]))
    layers += [line, *ends, needle]
    if percent:
        words = [f"{v:.0f} %" for v in d[value]]
        labels = alt.Chart(rows_of(name=d["names"], text=words)).mark_text(
            align="left", dx=6, fontWeight=600, color=INK
        )
        layers.append(labels.encode(y=y, x=alt.value("width"), text="text:N"))
    return alt.layer(*layers).properties(height=50 + row * n)
