"""How sure a reading is: the lines of its uncertainty budget as shares of u², drawn as one dimensioned bar."""

from __future__ import annotations

from dataclasses import dataclass

from kerfmark.records import Reading
from kerfmark.reports import wording
from kerfmark.reports.canvas import NARROW, arrowhead, line, svg, text, text_width
from kerfmark.reports.contents import CriterionLine

__all__ = ["BudgetLine", "budget_lines", "budget_svg"]

LEAST_SHARE = 1e-6


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One source: its standard uncertainty as written, and its share of u²."""

    source: str
    u_text: str
    share: float


def budget_lines(reading: Reading) -> tuple[BudgetLine, ...]:
    """The budget, largest share first; empty where the reading kept none. A line under a thousandth of u says nothing and is left out."""
    total = sum(part.u**2 for part in reading.budget)
    if total <= 0.0:
        return ()
    said = (part for part in reading.budget if part.u**2 >= LEAST_SHARE * total)
    ordered = sorted(said, key=lambda part: -part.u)
    return tuple(
        BudgetLine(part.source, wording.with_unit(wording.significant(part.u), reading.unit), part.u**2 / total)
        for part in ordered
    )


def budget_svg(criterion: CriterionLine, *, width: float = 300.0) -> str:
    """The bar: its whole length is u², parted by source, u over it as a dimension; sources too thin to name stand in the list."""
    parts = budget_lines(criterion.reading)
    if not parts or criterion.reading.u is None:
        return ""
    named = "u = " + wording.with_unit(wording.significant(criterion.reading.u), criterion.reading.unit)
    half = text_width(named) / 2 + 6
    body = line(0.5, 4, 0.5, 32) + line(width - 0.5, 4, width - 0.5, 32)
    body += line(0.5, 10, width / 2 - half, 10) + line(width / 2 + half, 10, width - 0.5, 10)
    body += arrowhead(0.5, 10, (-1, 0)) + arrowhead(width - 0.5, 10, (1, 0))
    body += text(width / 2, 14, named, size=12, weight=500, anchor="middle")
    x = 0.5
    for i, part in enumerate(parts):
        wide = part.share * (width - 1)
        fill = ("@corr", "@well")[i % 2]
        body += f'<rect x="{x:.2f}" y="18" width="{max(wide, 0.0):.2f}" height="11" fill="{fill}" stroke="@edge" stroke-width="{NARROW}"/>'
        if text_width(part.source) < wide - 2:
            body += text(x + 2, 43, part.source, size=12, fill="@ink2")
        x += wide
    return svg(
        width, 48, body, label=f"Shares of u²: {', '.join(f'{p.source} {p.share:.2f}' for p in parts)}", class_="budget"
    )
