"""The gauge strip: a reading and its uncertainty between its limits, material left on the left, cut too far on the right.

Positions are fractions of the strip's width, so that one drawing fits a list, a sheet and a telephone.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isfinite
from typing import Final

from kerfmark.records import Limits2
from kerfmark.reports.canvas import LIMIT, NARROW, num, said
from kerfmark.reports.contents import CriterionLine
from kerfmark.reports.sides import Side
from kerfmark.reports.symbols import chevrons

__all__ = ["HIGH_AT", "LOW_AT", "Judged", "StripScale", "choosing_svg", "judging_svg", "strip_scale", "strip_svg"]

LOW_AT: Final = 0.25
HIGH_AT: Final = 0.75
CORRIDOR_HEIGHT: Final = 0.40
BAR_HEIGHT: Final = 0.23
NEEDLE_HEIGHT: Final = 0.60
NEEDLE_PX: Final = 2.2
END_PX: Final = (4.0, 6.0)
BRACKET_PX: Final = 4.0
STROKES: Final = {"guess": 1, "fairly sure": 2, "sure": 3}


@dataclass(frozen=True, slots=True)
class Judged:
    """A person's view of one criterion: `inside`, `outside` or `cannot tell`, and how sure (`guess`, `fairly sure`, `sure`)."""

    view: str
    confidence: str | None = None

    @property
    def words(self) -> str:
        """As read aloud: `inside, fairly sure`."""
        return ", ".join(part for part in (self.view, self.confidence) if part)


@dataclass(frozen=True, slots=True)
class StripScale:
    """Where values stand on a strip, as fractions of its width.

    `at_low` and `at_high` are the positions of the limits that exist, left and right as drawn; the corridor runs
    open to an edge where one is None.
    """

    zero_at: float
    per_unit: float
    left_limit: float | None
    right_limit: float | None
    side: Side

    def at(self, value: float) -> float:
        """Position of a value; below 0 or above 1 it is off the strip."""
        return self.zero_at + self.per_unit * value

    @property
    def corridor(self) -> tuple[float, float]:
        """Where the corridor begins and ends."""
        return (0.0 if self.left_limit is None else self.left_limit), (
            1.0 if self.right_limit is None else self.right_limit
        )


def strip_scale(limits: Limits2, side_of_large: Side) -> StripScale:
    """The scale of a strip: linear, the limits at a quarter and three quarters of its width.

    It is reversed where a large reading means material left. With one limit, that limit stands at three quarters (at
    one quarter if it guards against material left); the other end of the scale is 0 for an upper limit and one and a
    half times the limit for a lower one.

    Parameters
    ----------
    limits : pair of float
        Infinite where there is none.
    side_of_large : {"left", "over", None}

    Returns
    -------
    scale : StripScale

    Examples
    --------
    >>> strip_scale((6.0, 16.0), "over").at(11.0)
    0.5
    >>> strip_scale((3.5, float("inf")), "left").at(3.5)
    0.75
    """
    low, high = limits
    if isfinite(low) and isfinite(high):
        ends = (low, high) if side_of_large != "left" else (high, low)
        return _through(ends, LOW_AT, HIGH_AT, side_of_large)
    if isfinite(high):
        other = 0.0 if high > 0.0 else high - (abs(high) or 1.0)
        if side_of_large == "left":
            return _through((high, other), LOW_AT, None, side_of_large)
        return _through((other, high), None, HIGH_AT, side_of_large)
    if isfinite(low):
        other = low + (0.5 * abs(low) or 1.0)
        if side_of_large == "over":
            return _through((low, other), LOW_AT, None, side_of_large)
        return _through((other, low), None, HIGH_AT, side_of_large)
    return StripScale(0.5, 0.0, None, None, side_of_large)


def _through(ends: tuple[float, float], left: float | None, right: float | None, side: Side) -> StripScale:
    """The line through `ends` at a quarter and three quarters."""
    per_unit = (HIGH_AT - LOW_AT) / (ends[1] - ends[0])
    return StripScale(LOW_AT - per_unit * ends[0], per_unit, left, right, side)


def strip_svg(
    line: CriterionLine,
    *,
    height: float = 25.0,
    width: float | None = None,
    own: Judged | None = None,
    examiner: Judged | None = None,
) -> str:
    """The strip of one criterion, with the learner's own view as a bracket beneath it and an examiner's above it.

    Parameters
    ----------
    line : CriterionLine
    height : float, px
        The row's height, so that the limits of neighbouring rows touch.
    width : float, px, optional
        Fixed width for paper; left out, the strip takes the width it is given.
    own, examiner : Judged, optional
    """
    scale = _counted(line) or strip_scale(line.limits, line.side_of_large)
    body = _corridor(scale, height)
    if line.reading.value is None:
        body += _dashed(scale, height)
    else:
        body += _reading(scale, line.reading.value, 2.0 * (line.reading.u or 0.0), height)
    if own is not None:
        body += _bracket(scale, own, height)
    if examiner is not None:
        body += _bracket(scale, examiner, height, above=True)
    views = [f"Own view: {own.words}." if own else "", f"Examiner: {examiner.words}." if examiner else ""]
    return _framed(body, " ".join(part for part in (line.aloud, *views) if part), height=height, width=width)


def judging_svg(
    limits: Limits2, side_of_large: Side, label: str, *, own: Judged | None = None, height: float = 32.0
) -> str:
    """The strip of a criterion whose reading is not shown yet: its corridor, and the learner's own view once there is one."""
    scale = strip_scale(limits, side_of_large)
    body = _corridor(scale, height) + ("" if own is None else _bracket(scale, own, height))
    return _framed(body, label if own is None else f"{label} Own view: {own.words}.", height=height, width=None)


def choosing_svg(limits: Limits2, side_of_large: Side, label: str, *, height: float = 32.0) -> str:
    """The same with every view that can be chosen in it, each in a group `data-view`, how sure in groups `data-sure`; a stylesheet shows one."""
    scale = strip_scale(limits, side_of_large)
    body = _corridor(scale, height)
    for view in ("inside", "outside", "cannot tell"):
        brackets = _bracket(scale, Judged(view), height)
        strokes = (
            ""
            if view == "cannot tell"
            else "".join(f'<g data-sure="{sure}">{_strokes(scale, Judged(view, sure), height)}</g>' for sure in STROKES)
        )
        body += f'<g data-view="{view}">{brackets}{strokes}</g>'
    return _framed(body, label, height=height, width=None)


def _framed(body: str, label: str, *, height: float, width: float | None) -> str:
    shown = "100%" if width is None else num(width)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="strip" width="{shown}" height="{num(height)}" font-family="@font" role="img" '
        f'aria-label="{said(label)}">{body}</svg>'
    )


def _bracket(scale: StripScale, judged: Judged, height: float, *, above: bool = False) -> str:
    """An open bracket: from limit to limit inside, one beyond each limit outside, dashed over everything for who cannot tell."""
    at, tip = (1.0, BRACKET_PX + 1.0) if above else (height - 1.0, height - BRACKET_PX - 1.0)
    body = "".join(_span(span, at, tip, dashed=judged.view == "cannot tell") for span in _spans(scale, judged.view))
    return body + _strokes(scale, judged, height, above=above)


def _spans(scale: StripScale, view: str) -> list[tuple[float, float]]:
    low, high = scale.corridor
    if view == "inside":
        return [(low, high)]
    if view == "outside":
        return [(0.0, low)] * (scale.left_limit is not None) + [(high, 1.0)] * (scale.right_limit is not None)
    return [(0.0, 1.0)]


def _span(span: tuple[float, float], at: float, tip: float, *, dashed: bool) -> str:
    """One bracket; nested drawings carry what stands at a share of the width plus some pixels."""
    begin, end = (_percent(share) for share in span)
    dash = ' stroke-dasharray="4 2.5"' if dashed else ""
    body = f'<line x1="{begin}" x2="{end}" y1="{num(at)}" y2="{num(at)}" stroke="@ink" stroke-width="1.3"{dash}/>'
    for share, inwards in ((begin, 1.0), (end, -1.0)):
        stroke = f'<line x1="{num(inwards)}" x2="{num(inwards)}" y1="{num(at)}" y2="{num(tip)}" stroke="@ink" stroke-width="1.3"/>'
        body += _at(share, stroke)
    return body


def _strokes(scale: StripScale, judged: Judged, height: float, *, above: bool = False) -> str:
    """One, two or three strokes across a bracket: how sure."""
    count = 0 if judged.view == "cannot tell" else STROKES.get(judged.confidence or "", 0)
    at = 3.0 if above else height - 3.0
    marks = "".join(
        f'<line x1="{num(x)}" x2="{num(x)}" y1="{num(at - 3)}" y2="{num(at + 3)}" stroke="@ink" stroke-width="1.3"/>'
        for x in ((k - (count - 1) / 2) * 4.0 for k in range(count))
    )
    spans = _spans(scale, judged.view) if marks else []
    return "".join(_at(_percent((begin + end) / 2), marks) for begin, end in spans)


def _at(share: str, body: str) -> str:
    return f'<svg x="{share}" y="0" width="1" height="1" overflow="visible">{body}</svg>'


def _counted(line: CriterionLine) -> StripScale | None:
    """A count that must be 0 has its limit drawn halfway to 1, so that 0 stands inside it."""
    if line.limits == (-inf, 0.0) and line.reading.unit == "1":
        return strip_scale((-inf, 0.5), line.side_of_large)
    return None


def _percent(fraction: float) -> str:
    return f"{num(100.0 * fraction)}%"


def _rect(begin: float, end: float, share: float, height: float, **style: str) -> str:
    given = "".join(f' {name}="{value}"' for name, value in style.items())
    return (
        f'<rect x="{_percent(begin)}" width="{_percent(max(0.0, end - begin))}" y="{num(height * (1 - share) / 2)}" '
        f'height="{num(height * share)}"{given}/>'
    )


def _upright(at: float, share: float, height: float, *, stroke: str, width: float) -> str:
    top = height * (1 - share) / 2
    return (
        f'<line x1="{_percent(at)}" x2="{_percent(at)}" y1="{num(top)}" y2="{num(height - top)}" stroke="{stroke}" '
        f'stroke-width="{num(width)}"/>'
    )


def _level(begin: float, end: float, height: float, **style: str) -> str:
    given = "".join(f' {name.replace("_", "-")}="{value}"' for name, value in style.items())
    return f'<line x1="{_percent(begin)}" x2="{_percent(end)}" y1="{num(height / 2)}" y2="{num(height / 2)}"{given}/>'


def _corridor(scale: StripScale, height: float) -> str:
    body = _rect(*scale.corridor, CORRIDOR_HEIGHT, height, fill="@corr")
    body += _level(0.0, 1.0, height, stroke="@edge", stroke_width=num(NARROW))
    limits = [at for at in (scale.left_limit, scale.right_limit) if at is not None]
    if scale.side is not None:
        body += "".join(
            _end(height, to_left=to_left)
            for to_left, limit in ((True, scale.left_limit), (False, scale.right_limit))
            if limit is not None
        )
    return body + "".join(_upright(at, 1.0, height, stroke="@ink", width=LIMIT) for at in limits)


def _end(height: float, *, to_left: bool) -> str:
    """A small triangle in the side's colour at the end of a strip: beyond this limit is material left, or a cut too far."""
    tip, base = (0.0, END_PX[0]) if to_left else (0.0, -END_PX[0])
    middle, half = height / 2, END_PX[1] / 2
    data = f"M{num(tip)} {num(middle)}L{num(base)} {num(middle - half)}V{num(middle + half)}Z"
    mark = f'<path d="{data}" fill="{"@left" if to_left else "@over"}"/>'
    return _at("0%" if to_left else "100%", mark)


def _dashed(scale: StripScale, height: float) -> str:
    return _level(*scale.corridor, height, stroke="@ink2", stroke_width="1.6", stroke_dasharray="5 4")


def _reading(scale: StripScale, value: float, expanded: float, height: float) -> str:
    at = scale.at(value)
    if at < 0.0 or at > 1.0:
        return _off_strip(scale, height, to_left=at < 0.0)
    reach = abs(scale.per_unit) * expanded
    body = _bar(scale, max(0.0, at - reach), min(1.0, at + reach), height)
    return body + _upright(at, NEEDLE_HEIGHT, height, stroke=_needle_ink(scale, at), width=NEEDLE_PX)


def _bar(scale: StripScale, begin: float, end: float, height: float) -> str:
    """The ± U bar: neutral inside the corridor, the side's colour beyond it, hatched where there is no side."""
    low, high = scale.corridor
    parts = [(begin, min(end, low), "left"), (max(begin, low), min(end, high), ""), (max(begin, high), end, "over")]
    body = ""
    for start, stop, where in parts:
        if stop - start <= 1e-9:
            continue
        if where and scale.side is None:
            body += _hatched(start, stop, height)
        else:
            fill = {"left": "@l3", "over": "@o3"}.get(where, "@ink3")
            body += _rect(start, stop, BAR_HEIGHT, height, fill=fill)
    return body


def _hatched(start: float, stop: float, height: float) -> str:
    """Hatched ink, drawn as a dashed thick line inside a frame: it needs no pattern and no name."""
    share = height * BAR_HEIGHT
    dashes = _level(start, stop, height, stroke="@ink", stroke_width=num(share), stroke_dasharray="1.1 1.9")
    return dashes + _rect(start, stop, BAR_HEIGHT, height, fill="none", stroke="@ink", **{"stroke-width": "0.7"})


def _needle_ink(scale: StripScale, at: float) -> str:
    low, high = scale.corridor
    if scale.side is None or low - 1e-9 <= at <= high + 1e-9:
        return "@ink"
    return "@left" if at < low else "@over"


def _off_strip(scale: StripScale, height: float, *, to_left: bool) -> str:
    inside = (scale.left_limit if to_left else scale.right_limit) is None  # far into the open side of the corridor
    fill = "@ink" if scale.side is None or inside else "@left" if to_left else "@over"
    signs = chevrons(13.0 if to_left else -13.0, height / 2, to_left=to_left, fill=fill)
    return (
        f'<svg x="{"0" if to_left else "100%"}" y="0" width="1" height="{num(height)}" overflow="visible">{signs}</svg>'
    )
