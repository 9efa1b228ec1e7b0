"""A piece as the store knows it, made into the rows a sheet shows: criteria under their headings, strips, balloons, gauges."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from kerfmark.records import Reading
from kerfmark.reports import strips, symbols, tokens
from kerfmark.reports.contents import CriterionLine, Family, families_of
from kerfmark.reports.piece import gauge_of
from kerfmark.reports.sides import effective_limits, guarded, side_of_large
from kerfmark.reports.strips import Judged
from kerfmark.sittings.exercises import CriterionLine as Criterion
from kerfmark.sittings.marks import Examined
from kerfmark.sittings.pieces import PiecePage, ReadingLine
from kerfmark.web.words import Words

__all__ = [
    "Sheet",
    "choosing_strip",
    "close_balloon",
    "criterion_names",
    "examiner_notes",
    "for_both_widths",
    "judged_views",
    "row_of",
    "sheet_of",
    "thin_balloon",
]


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """What the list of criteria shows: `families` of lines, a row of drawings by number, which is chosen first.

    The attributes are those of the report's own contents, so that the same template draws both.
    """

    families: tuple[Family, ...]
    rows: Mapping[int, Mapping[str, Any]]
    chosen: int

    @property
    def lines(self) -> tuple[CriterionLine, ...]:
        """Every criterion."""
        return tuple(line for family in self.families for line in family.lines)

    @property
    def sided(self) -> bool:
        """Whether any strip has a side on which material is left or the cut went too far."""
        return any(any(guarded(line.limits, line.side_of_large)) for line in self.lines)

    def line(self, number: int) -> CriterionLine:
        """One criterion by its number."""
        return next(line for line in self.lines if line.number == number)


def sheet_of(piece: PiecePage, words: Words, *, budgets: Mapping[str, Any] | None = None) -> Sheet:
    """The criteria of a piece whose measurement may be seen.

    Parameters
    ----------
    piece : PiecePage
    words : Words
    budgets : mapping, optional
        By number, as `drawn` keeps them; without it lines have no budget.
    """
    readings = [_reading(r) for r in piece.readings]
    asks = {(c.reading, c.where, c.stat): c.ask for c in piece.criteria}
    families = families_of(piece.by_limits, readings, asks, say=words)
    own, decided = judged_views(piece), _decisions(piece, words)
    lines = [line for family in families for line in family.lines]
    rows = {
        line.number: row_of(
            line,
            own=own.get(line.number),
            by=decided.get(line.number, ""),
            budget=(budgets or {}).get(str(line.number)),
        )
        for line in lines
    }
    return Sheet(families, rows, _first_chosen(lines))


def row_of(
    line: CriterionLine, *, own: Judged | None = None, by: str = "", budget: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """What is drawn in a criterion's row."""
    return {
        "balloon": painted(symbols.balloon_svg(line.number, line.state)),
        "strip": painted(strips.strip_svg(line, own=own)),
        "gauge": painted(gauge_of(line)),
        "budget": "" if budget is None else budget["drawing"],
        "parts": [] if budget is None else budget["parts"],
        "by": by,
    }


def judged_views(piece: PiecePage) -> dict[int, Judged]:
    """The learner's own view by number, where it may be seen."""
    return {at + 1: Judged(view, confidence) for at, (view, confidence) in (piece.own_view or {}).items()}


def criterion_names(criteria: tuple[Criterion, ...], words: Words) -> dict[int, str]:
    """What each criterion is called by itself, by number."""
    from kerfmark.reports.wording import name_of

    return {c.number: name_of(c.reading, c.where, c.stat, alone=True, say=words) for c in criteria}


def choosing_strip(criterion: Criterion, name: str) -> str:
    """The strip on which a learner's own view appears as it is chosen."""
    limits = effective_limits(criterion.reading, criterion.limits, criterion.stat)
    return painted(strips.choosing_svg(limits, side_of_large(criterion.reading, criterion.stat), name))


def thin_balloon(number: int) -> str:
    """A balloon that says nothing yet."""
    return painted(symbols.balloon_svg(number, "met"))


def close_balloon(number: int) -> str:
    """A balloon of what is too close to call."""
    return painted(symbols.balloon_svg(number, "close"))


def painted(drawing: str) -> str:
    """A drawing with the page's colours."""
    return tokens.painted(drawing, for_page=True)


def for_both_widths(draw: Callable[[float], str], *, wide: float, narrow: float) -> str:
    """A drawing made for a wide page and for a phone, of which the style sheet shows one: neither is scaled until nobody can read it."""
    return f'<div class="wide-only">{draw(wide)}</div><div class="narrow-only">{draw(narrow)}</div>'


def _reading(line: ReadingLine) -> Reading:
    return Reading(line.reading, line.where, line.stat, line.value, line.unit, line.u, line.status, line.reason)  # type: ignore[arg-type]


def _decisions(piece: PiecePage, words: Words) -> dict[int, str]:
    """What examiners said of each criterion, where it may be seen: `not met by examiner`."""
    said: dict[int, str] = {}
    for examined in piece.examined:
        for at in examined.words:
            final = piece.rulings[at].ruling if at < len(piece.rulings) else examined.words[at]
            said[at + 1] = words("{ruling} by examiner").format(ruling=words(final))
    return said


def examiner_notes(examined: tuple[Examined, ...]) -> list[tuple[int, str, str]]:
    """Words an examiner wrote, by criterion's number: number, ruling, note."""
    return [(at + 1, e.words[at], e.notes.get(at, "")) for e in examined for at in sorted(e.words) if e.notes.get(at)]


def _first_chosen(lines: list[CriterionLine]) -> int:
    for state in ("notmet", "close"):
        for line in lines:
            if line.state == state:
                return line.number
    return lines[0].number if lines else 0
