"""The colours and typefaces of every page and sheet, light and dark, and how a drawing takes them on.

Drawings are written once with tokens in place of colours (`@ink`, `@l2`); `painted` turns them into CSS variables for
a page, which follows light and dark by itself, or into the light hex values for paper.

>>> painted('<path stroke="@ink"/>', for_page=False)
'<path stroke="#17201E"/>'
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache
from importlib.resources import files
from typing import Final

__all__ = [
    "DARK",
    "LIGHT",
    "NEEDLE_STEPS",
    "PAGE_FONT",
    "PAPER",
    "PAPER_FONT",
    "css_variables",
    "font_faces",
    "font_files",
    "painted",
]

LIGHT: Final = {
    "film": "#E6EBE9",
    "sheet": "#F9FAF9",
    "well": "#F0F3F2",
    "pick": "#E4EAE7",
    "corr": "#DCE4E1",
    "hair": "#D6DDDA",
    "rule": "#AEBAB6",
    "edge": "#75827E",
    "ink": "#17201E",
    "ink2": "#414C49",
    "ink3": "#5A6662",
    "left": "#185C9E",
    "over": "#8B440C",
    "l1": "#9BCAF2",
    "l2": "#61A4E2",
    "l3": "#327AC4",
    "l4": "#1B5296",
    "o1": "#EDB88B",
    "o2": "#D8894A",
    "o3": "#B25D23",
    "o4": "#803D18",
}
DARK: Final = {
    "film": "#0E1212",
    "sheet": "#161B1B",
    "well": "#1D2323",
    "pick": "#273030",
    "corr": "#2B3534",
    "hair": "#293131",
    "rule": "#465150",
    "edge": "#7F8D8A",
    "ink": "#E8EDEB",
    "ink2": "#BAC5C2",
    "ink3": "#98A5A1",
    "left": "#83C1FB",
    "over": "#F3A768",
    "l1": "#46729E",
    "l2": "#4F8DCC",
    "l3": "#6AAEEC",
    "l4": "#9CCDF8",
    "o1": "#985F3B",
    "o2": "#C0733C",
    "o3": "#E29352",
    "o4": "#F3BA85",
}
PAPER: Final = {**LIGHT, "film": "#FFFFFF", "sheet": "#FFFFFF"}
"""Paper is white; everything else as in light."""

NEEDLE_STEPS: Final = {"left": "l3", "over": "o3"}
"""The step that fills the ± bar beyond a limit, per side."""

PAGE_FONT: Final = '"Barlow Semi Condensed", "Arial Narrow", system-ui, sans-serif'
PAPER_FONT: Final = "Barlow Sheet"

_TOKEN = re.compile(r"@([a-z]+[0-9]?)\b")
_FACES = {"Barlow Semi Condensed": "barlow-semi-condensed", "Barlow": "barlow"}


def painted(drawing: str, *, for_page: bool) -> str:
    """A drawing with its tokens turned into CSS variables (`for_page`) or into the hex values of paper.

    Parameters
    ----------
    drawing : str
        SVG in which `@name` stands for a colour token. Other text after an @ is left alone.
    for_page : bool
        True gives `var(--name)`, which follows light and dark; False the paper hex.
    """
    if for_page:
        names = {name: f"var(--{name})" for name in PAPER} | {"font": "var(--font)"}
    else:
        names = {**PAPER, "font": PAPER_FONT}
    return _TOKEN.sub(lambda found: names.get(found[1], found[0]), drawing)


def css_variables(tokens: dict[str, str]) -> str:
    """The tokens as CSS custom properties, one declaration each."""
    return "".join(f"--{name}:{value};" for name, value in tokens.items())


@cache
def font_faces() -> str:
    """`@font-face` rules with the packaged files inside them, so that a page needs nothing from outside."""
    from base64 import b64encode

    folder = files("kerfmark.reports") / "fonts"

    def inside(file: str) -> str:
        return f"data:font/woff2;base64,{b64encode((folder / file).read_bytes()).decode('ascii')}"

    return _faces(inside)


def font_files(prefix: str) -> str:
    """`@font-face` rules that name the packaged files, for pages that are served: `prefix` stands before each file's name."""
    return _faces(lambda file: prefix + file, display="swap")


def _faces(source: Callable[[str], str], *, display: str = "auto") -> str:
    return "\n".join(
        f'@font-face{{font-family:"{family}";font-weight:{weight};font-style:normal;font-display:{display};'
        f"src:url({source(f'{stem}-{weight}.woff2')}) format('woff2')}}"
        for family, stem in _FACES.items()
        for weight in ((400, 500, 600) if family != "Barlow" else (400, 600))
    )
