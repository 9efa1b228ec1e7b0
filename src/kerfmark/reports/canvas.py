"""Writing SVG: numbers, paths, text with a halo, hatching. Colours stay tokens until `tokens.painted`."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final
from xml.sax.saxutils import escape

import numpy as np

from kerfmark.records import FloatArray

__all__ = [
    "CHAIN", "CHAIN_DOUBLE", "DASHED", "LIMIT", "NARROW", "SELECTED", "WIDE", "arrowhead", "circle", "departure_patterns", "hatching", "line",
    "num", "path", "path_data", "said", "scale_bar", "svg", "text", "text_width",
]  # fmt: skip

WIDE: Final = 1.4
NARROW: Final = 0.7
LIMIT: Final = 1.1
SELECTED: Final = 3.2
DASHED: Final = "4 2.5"
CHAIN: Final = "12 3 1.5 3"
CHAIN_DOUBLE: Final = "10 2.5 1.5 2.5 1.5 2.5"
ARROW_PX: Final = (7.5, 2.9)
BAR_MM: Final = (1.0, 2.0, 5.0, 10.0, 20.0)

_NARROW_SIGNS: Final = "iIljtf.,:;'|!()[] °"


def num(value: float) -> str:
    """A coordinate to two decimals, without a tail of zeros; never NaN."""
    if not np.isfinite(value):
        raise ValueError(f"a coordinate is {value}")
    shown = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if shown == "-0" else shown


def said(content: object) -> str:
    """Text made safe inside a drawing: markup escaped, and @ kept from reading as a colour token."""
    return escape(str(content), {'"': "&quot;", "@": "&#64;"})


def attributes(given: dict[str, object]) -> str:
    """Keyword arguments as SVG attributes: `stroke_width` becomes `stroke-width`; None is left out."""
    return "".join(
        f' {name.rstrip("_").replace("_", "-")}="{num(value) if isinstance(value, float) else value}"'
        for name, value in given.items()
        if value is not None
    )


def path_data(points: FloatArray, *, closed: bool = False) -> str:
    """A polyline (n, 2) as path data, to a tenth of a pixel."""
    rounded = np.round(np.asarray(points, dtype=float), 1) + 0.0
    keep = np.ones(len(rounded), dtype=bool)
    keep[1:] = np.any(rounded[1:] != rounded[:-1], axis=1)
    pairs = " ".join(f"{x:g} {y:g}" for x, y in rounded[keep].tolist())
    return f"M{pairs}{'Z' if closed else ''}" if pairs else ""


def path(points: FloatArray | Iterable[FloatArray] | str, *, closed: bool = False, **style: object) -> str:
    """A path through one polyline, several of them, or ready path data."""
    if isinstance(points, str):
        data = points
    elif isinstance(points, np.ndarray):
        data = path_data(points, closed=closed)
    else:
        data = "".join(path_data(part, closed=closed) for part in points)
    return f'<path d="{data}"{attributes({"fill": "none", **style})}/>' if data else ""


def line(x1: float, y1: float, x2: float, y2: float, **style: object) -> str:
    """A straight line; 0.7 px ink unless told otherwise."""
    given = {"stroke": "@ink", "stroke_width": NARROW, **style}
    return f'<line x1="{num(x1)}" y1="{num(y1)}" x2="{num(x2)}" y2="{num(y2)}"{attributes(given)}/>'


def circle(x: float, y: float, r: float, **style: object) -> str:
    """A circle."""
    return f'<circle cx="{num(x)}" cy="{num(y)}" r="{num(r)}"{attributes(style)}/>'


def text(
    x: float,
    y: float,
    content: object,
    *,
    size: float = 12,
    weight: int = 400,
    anchor: str = "start",
    fill: str = "@ink",
    halo: bool = False,
    **style: object,
) -> str:
    """Text in the sheet's face; with `halo`, a sheet-coloured rim keeps it readable over lines."""
    rim = {"stroke": "@sheet", "stroke_width": 3.5, "stroke_linejoin": "round", "paint_order": "stroke"} if halo else {}
    given = {"font_size": size, "font_weight": weight, "text_anchor": anchor, "fill": fill, **rim, **style}
    return f'<text x="{num(x)}" y="{num(y)}"{attributes(given)}>{said(content)}</text>'


def text_width(content: str, *, size: float = 12) -> float:
    """About how wide a text runs, px, for placing it; on the wide side."""
    return sum(0.27 if c in _NARROW_SIGNS else 0.52 for c in content) * size


def arrowhead(x: float, y: float, direction: tuple[float, float], **style: object) -> str:
    """A closed filled arrowhead, 7.5 × 2.9 px, its tip at (x, y), pointing along `direction`."""
    along = np.asarray(direction) / (np.hypot(*direction) or 1.0)
    across = np.array([-along[1], along[0]])
    tip = np.array([x, y])
    length, width = ARROW_PX
    corners = np.array([tip, tip - length * along + width / 2 * across, tip - length * along - width / 2 * across])
    data = "M" + "L".join(f"{num(a)} {num(b)}" for a, b in corners.tolist()) + "Z"
    return f'<path d="{data}"{attributes({"fill": "@ink", **style})}/>'


def scale_bar(x: float, y: float, px_per_mm: float, *, most_px: float = 80.0, length_mm: float | None = None) -> str:
    """A bar of round millimetres that ends at (x, y), its length over it; rimmed, so that it reads on any grey.

    Parameters
    ----------
    x, y : float, px
        Its right end.
    px_per_mm : float
    most_px : float
        How long it may be; the longest of 1, 2, 5, 10 and 20 mm that fits is taken.
    length_mm : float, optional
        A length of one's own instead.
    """
    length = length_mm or max((mm for mm in BAR_MM if mm * px_per_mm <= most_px), default=BAR_MM[0])
    begin = x - length * px_per_mm
    ends = [
        np.array(part) for part in ([[begin, y], [x, y]], [[begin, y - 5], [begin, y + 5]], [[x, y - 5], [x, y + 5]])
    ]
    body = path(ends, stroke="@sheet", stroke_width=NARROW + 2.4, stroke_opacity=0.75)
    body += path(ends, stroke="@ink", stroke_width=NARROW)
    body += arrowhead(x, y, (1, 0)) + arrowhead(begin, y, (-1, 0))
    return body + text(
        (begin + x) / 2, y - 5, f"{length:g} mm", size=12, anchor="middle", halo=True, class_="scale-bar"
    )


def hatching(name: str, *, turn_deg: float, gap: float, stroke: str = "@rule", width: float = NARROW) -> str:
    """A pattern of parallel lines `gap` px apart, for `fill="url(#name)"`."""
    return (
        f'<pattern id="{name}" width="{num(gap)}" height="{num(gap)}" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate({num(turn_deg)})"><line x1="0" y1="{num(gap / 2)}" x2="{num(gap)}" y2="{num(gap / 2)}" '
        f'stroke="{stroke}" stroke-width="{num(width)}"/></pattern>'
    )


def departure_patterns(name: str) -> str:
    """The fills `over-name` (cut too far: orange with dots) and `left-name` (material left: blue with hatching)."""
    frame = 'width="3.4" height="3.4" patternUnits="userSpaceOnUse"'
    ground = '<rect width="3.4" height="3.4" fill="{}"/>'
    dots = f'{ground.format("@o2")}<circle cx="1.7" cy="1.7" r="0.75" fill="@o4"/>'
    lines = f'{ground.format("@l2")}<line x1="0" x2="3.4" y1="1.7" y2="1.7" stroke="@l4" stroke-width="0.8"/>'
    over = f'<pattern id="over-{name}" {frame}>{dots}</pattern>'
    return over + f'<pattern id="left-{name}" {frame} patternTransform="rotate(-45)">{lines}</pattern>'


def svg(width: float, height: float, body: str, *, label: str | None = None, **style: object) -> str:
    """A whole drawing; with `label`, an image that reads aloud as that."""
    role = {"role": "img", "aria_label": said(label)} if label else {"aria_hidden": "true"}
    given = {"font_family": "@font", **role, **style}
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{num(width)}" height="{num(height)}" '
        f'viewBox="0 0 {num(width)} {num(height)}"{attributes(given)}>{body}</svg>'
    )
