"""How the cells of an evidence report are written: a number with its interval, rounded once, here."""

from __future__ import annotations

import math
import re

from kerfmark.evidence.answer import Cell, Grid
from kerfmark.statistics.estimates import Estimate

__all__ = ["cell_text", "grid_rows", "sentence", "signed", "written"]

_MINUS = re.compile(r"(?<![\w.–-])-(?=\d)")
_SIGNED_ZERO = re.compile(r"[+−](0\.0+)(?!\d)")


def written(value: float, decimals: int) -> str:
    """A number with a true minus sign; a dash where there is none.

    Examples
    --------
    >>> written(-1.26, 1), written(float("nan"), 2)
    ('−1.3', '–')
    """
    if not math.isfinite(value):
        return "–"
    shown = f"{value:.{decimals}f}"
    if float(shown) == 0.0:
        shown = shown.lstrip("-")
    return shown.replace("-", "−")


def signed(value: float, decimals: int) -> str:
    """A number with its sign, plus or a true minus; 0 has none.

    Examples
    --------
    >>> signed(1.26, 1), signed(-1.26, 1), signed(-0.01, 1)
    ('+1.3', '−1.3', '0.0')
    """
    shown = written(value, decimals)
    return f"+{shown}" if shown[0] not in "−–" and float(shown) > 0.0 else shown


def sentence(text: str) -> str:
    """A sentence with true minus signs, no signed zero, a capital and a full stop.

    Examples
    --------
    >>> sentence("bias -4.9, then -0.0 to +6.5")
    'Bias −4.9, then 0.0 to +6.5.'
    """
    made = _SIGNED_ZERO.sub(r"\1", _MINUS.sub("−", text.strip()))
    made = made[:1].upper() + made[1:]
    return made if made.endswith((".", "!", "?", "”")) or not made else made + "."


def cell_text(cell: Cell, decimals: int) -> str:
    """One cell as written.

    Examples
    --------
    >>> cell_text(Estimate(0.81, 0.742, 0.861, n=40, method="m"), 2)
    '0.81 (0.74 to 0.86)'
    """
    if cell is None:
        return "–"
    if isinstance(cell, str):
        return _SIGNED_ZERO.sub(r"\1", _MINUS.sub("−", cell))
    if isinstance(cell, Estimate):
        value = written(cell.value, decimals)
        if not cell.has_interval:
            upper = "not known" if math.isfinite(cell.lower) else None
            return f"{value} ({written(cell.lower, decimals)} to {upper})" if upper else value
        return f"{value} ({written(cell.lower, decimals)} to {written(cell.upper, decimals)})"
    return str(cell) if isinstance(cell, int) else written(float(cell), decimals)


def grid_rows(grid: Grid) -> list[list[str]]:
    """Every row of a table as written."""
    return [[cell_text(cell, places) for cell, places in zip(row, grid.decimals, strict=True)] for row in grid.rows]
