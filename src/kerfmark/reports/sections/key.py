"""What the hatchings of a section mean, one row for all sections of a page or sheet."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING, Final

from kerfmark.reports.canvas import DASHED, NARROW, hatching, line, svg, text, text_width

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = ["DECAY", "NOT_SCANNED", "UNSEEN_FILL", "decay_pattern", "key_of", "key_svg", "unseen_pattern"]

DECAY: Final = "caries"
UNSEEN_FILL: Final = "unseen"
SWATCH_PX: Final = (22.0, 11.0)
HEIGHT_PX: Final = 18.0
APART_PX: Final = 18.0
KEYED: Final = {
    "enamel": (("enamel", "hatched", "enamel"),),
    "dentine": (("dentine", "hatched", "dentine"),),
    "pulp": (("pulp", "blank", DASHED),),
    DECAY: (("decay left", "hatched", DECAY), ("lesion before cutting", "line", DASHED)),
}
NOT_SCANNED: Final = "1.2 2.6"
"""Dashes of an outline across what was not scanned."""
UNSEEN: Final = ("not scanned", "dotted", NOT_SCANNED)
"""Words, what the swatch is, and its pattern's name or its line's dashes."""
Entry = tuple[str, str, str]


def decay_pattern(name: str) -> str:
    """The fill `caries-name`: upright lines close together, in ink so that a thin rest is seen."""
    return hatching(f"{DECAY}-{name}", turn_deg=90.0, gap=2.6, stroke="@ink", width=0.9)


def unseen_pattern(name: str) -> str:
    """The fill `unseen-name`: scattered dots where a scan has a hole."""
    dots = '<circle cx="1.5" cy="1.5" r="0.6" fill="@ink2"/><circle cx="4.5" cy="4.5" r="0.6" fill="@ink2"/>'
    ground = '<rect width="6" height="6" fill="@sheet"/>'
    return f'<pattern id="{UNSEEN_FILL}-{name}" width="6" height="6" patternUnits="userSpaceOnUse">{ground}{dots}</pattern>'


def key_of(prepared: Prepared, *, width: float, open_ends: bool = False) -> str:
    """The key to an exercise's own layers; empty where it has none and nothing is left open."""
    return key_svg(tuple(prepared.layers), width=width, open_ends=open_ends)


def key_svg(layers: Collection[str], *, width: float, open_ends: bool = False) -> str:
    """Swatches of the layers that are drawn, and of where a scan has holes, in as many rows as they need.

    Parameters
    ----------
    layers : collection of str
        `enamel`, `dentine`, `pulp`, `caries`; others have no key.
    width : float, px
    open_ends : bool
        Whether an outline ends where nothing was scanned.

    Returns
    -------
    drawing : str
        SVG in the sheet's colour tokens; empty where there is nothing to explain.
    """
    entries: list[Entry] = [entry for name, known in KEYED.items() if name in layers for entry in known]
    entries += [UNSEEN] * open_ends
    if not entries:
        return ""
    body, x, row, widest = "", 2.0, 0, 0.0
    for entry in entries:
        run = SWATCH_PX[0] + 6.0 + text_width(entry[0], size=12)
        if x > 2.0 and x + run > width:
            x, row = 2.0, row + 1
        body += _swatch(entry, x, HEIGHT_PX * (row + 1) - 5.0)
        widest = max(widest, x + run)
        x += run + APART_PX
    patterns = hatching("dentine-key", turn_deg=-45.0, gap=7.0) + hatching("enamel-key", turn_deg=45.0, gap=3.4)
    patterns += unseen_pattern("key")
    label = "key to the hatching: " + ", ".join(words for words, _, _ in entries)
    return svg(widest + 2.0, HEIGHT_PX * (row + 1), f"<defs>{patterns}{decay_pattern('key')}</defs>{body}", label=label)


def _swatch(entry: Entry, x: float, base: float) -> str:
    words, kind, how = entry
    wide, high = SWATCH_PX
    label = text(x + wide + 6.0, base, words, size=12, fill="@ink2")
    if kind == "line":
        return line(x, base - 3.5, x + wide, base - 3.5, stroke_dasharray=how, stroke_width=1.1) + label
    fill = f"url(#{how}-key)" if kind == "hatched" else f"url(#{UNSEEN_FILL}-key)" if kind == "dotted" else "@sheet"
    dash = "" if kind == "hatched" else f' stroke-dasharray="{how}"'
    box = f'<rect x="{x:g}" y="{base - 9.0:g}" width="{wide:g}" height="{high:g}" fill="{fill}" stroke="@ink2" stroke-width="{NARROW}"{dash}/>'
    return box + label
