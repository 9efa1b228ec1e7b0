"""The small signs of a sheet: balloons, the critical square, the ruling's gauge, chevrons, the wordmark."""

from __future__ import annotations

from kerfmark.reports.canvas import LIMIT, arrowhead, circle, line, path, svg, text
from kerfmark.reports.sides import Side

__all__ = ["CHEVRONS_PX", "balloon", "balloon_svg", "chevrons", "critical_svg", "ruling_gauge_svg", "wordmark_svg"]

BALLOON_R = 8.0
CHEVRONS_PX = 13.0


def balloon(x: float, y: float, number: int, state: str, *, choose: bool = True, r: float = BALLOON_R) -> str:
    """A criterion's balloon: thin circle met, filled not met, dashed too close, thin dotted nothing measured."""
    filled = state == "notmet"
    dash = {"close": "2.8 2", "none": "0.8 2.2"}.get(state)
    body = circle(
        x,
        y,
        r,
        fill="@ink" if filled else "@sheet",
        stroke="@ink",
        stroke_width=LIMIT + 0.2 if state == "close" else 1.0,
        stroke_dasharray=dash,
    ) + text(
        x,
        y + 3.9 * r / 8,
        number,
        size=11.5 * r / 8 if number < 100 else 9,
        weight=600 if filled else 500,
        anchor="middle",
        fill="@sheet" if filled else "@ink",
    )
    chosen_by = f' data-c="{number}"' if choose else ""
    return f'<g class="balloon"{chosen_by}>{body}</g>'


def balloon_svg(number: int, state: str) -> str:
    """The balloon by itself, as in the list."""
    return svg(20, 20, balloon(10, 10, number, state, choose=False), class_="b")


def critical_svg() -> str:
    """`C` in a square: a criterion that fails the piece."""
    body = '<rect x="1" y="1" width="13" height="13" fill="none" stroke="@ink" stroke-width="0.9"/>'
    return svg(15, 15, body + text(7.5, 11.4, "C", size=11, weight=600, anchor="middle"), label="critical")


def ruling_gauge_svg(word: str, failed_side: Side, *, right: bool | None = None) -> str:
    """A square between two limits (met), outside on the side it failed (not met), a bar across a limit (too close)."""
    if word in ("met", "not met", "too close to call"):
        body = line(9, 2, 9, 12, stroke_width=1.3) + line(19, 2, 19, 12, stroke_width=1.3)
    else:
        body = line(9, 7, 19, 7, stroke_dasharray="2.5 2", stroke="@ink3", stroke_width=1.0)
    on_right = right if right is not None else failed_side != "left"
    if word == "met":
        body += '<rect x="12" y="5" width="4" height="4" fill="@ink"/>'
    elif word == "not met":
        fill = f"@{failed_side}" if failed_side else "@ink"
        body += f'<rect x="{21 if on_right else 2}" y="4.5" width="5" height="5" fill="{fill}"/>'
    elif word == "too close to call":
        middle = 19 if on_right else 9
        body += (
            line(middle - 5, 7, middle + 5, 7, stroke_width=1.3)
            + line(middle - 5, 4, middle - 5, 10)
            + line(middle + 5, 4, middle + 5, 10)
        )
    return svg(28, 14, body, class_="g")


def chevrons(x: float, y: float, *, to_left: bool, fill: str) -> str:
    """Two filled chevrons at the strip's edge, pointing the way the reading went."""
    sign = -1 if to_left else 1
    one = f"M{x + sign * 6:g} {y - 4:g}L{x + sign * 12:g} {y:g}L{x + sign * 6:g} {y + 4:g}Z"
    two = f"M{x:g} {y - 4:g}L{x + sign * 6:g} {y:g}L{x:g} {y + 4:g}Z"
    return path(one + two, fill=fill)


def wordmark_svg() -> str:
    """The project's name with the width of a cut dimensioned between its halves."""
    body = text(0, 17, "kerf", size=20, weight=600) + text(43, 17, "mark", size=20, weight=600)
    body += line(36.5, 3, 36.5, 25) + line(40.5, 3, 40.5, 25)
    body += line(26, 23, 36.5, 23) + arrowhead(36.5, 23, (1, 0)) + line(40.5, 23, 51, 23) + arrowhead(40.5, 23, (-1, 0))
    return svg(86, 28, body, label="kerfmark", class_="wordmark")
