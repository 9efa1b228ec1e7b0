"""The charts of an evidence report as Altair specifications, one description for page and paper.

Colours are tokens (`@ink`) until `coloured` gives them light, dark or paper values. Nothing is blue or orange: those mean
material left and cut too far, and no chart here shows either. Dots are measured, diamonds are people.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any, Final

import altair as alt

from kerfmark.evidence.answer import Figure
from kerfmark.reports import tokens
from kerfmark.reports.board import mark_charts, people_charts, study_charts
from kerfmark.reports.board.strokes import EDGE, HAIR, INK, QUIET, Data, unfolded

__all__ = ["KINDS", "SIZED", "coloured", "spec_of"]


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
    made: dict[str, Any] = unfolded(chart.configure(**_CONFIG).to_dict(validate=False))
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

KINDS: Final[Mapping[str, Callable[[Data], Any]]] = {
    "histogram": mark_charts.histogram, "cumulative": mark_charts.cumulative, "agreement": mark_charts.agreement, "components": study_charts.components, "dstudy": study_charts.dstudy,
    "decisions": mark_charts.decisions, "conditional": mark_charts.conditional, "severity": study_charts.severity, "ownview": mark_charts.ownview, "calibration": study_charts.calibration,
    "learning": study_charts.learning, "attempts": study_charts.attempts, "cusum": study_charts.cusum, "forest": study_charts.forest, "gauge": study_charts.gauge, "plans": study_charts.plans,
    "items": mark_charts.items, "differences": people_charts.differences, "functioning": study_charts.functioning, "cohorts": study_charts.cohorts,
}  # fmt: skip
SIZED: Final[Mapping[str, Callable[[Data, float, float], Any]]] = {
    "passline": mark_charts.passline,
    "wright": study_charts.wright,
    "pairs": people_charts.pairs,
    "drift": people_charts.drift,
}
"""Every kind of figure an answer may ask for; those made of two plots share out their own width."""
