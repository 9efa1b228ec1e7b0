"""The pages' stylesheet: the colours, typefaces and rules of the reports, and what only pages have."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

from kerfmark.reports import tokens

__all__ = ["CHOICES", "stylesheet"]

CHOICES = 99
"""Balloons on one sheet that can be chosen without a script."""


@cache
def stylesheet() -> str:
    """Everything, as one file; what follows light and dark by itself can also be set."""
    light, dark, paper = (tokens.css_variables(t) for t in (tokens.LIGHT, tokens.DARK, tokens.PAPER))
    light, dark = (
        f"{light}--matt:1;--font:{tokens.PAGE_FONT};color-scheme:light",
        f"{dark}--matt:0.465;color-scheme:dark",
    )
    colours = (
        f":root{{{light}}}\n:root[data-scheme=dark]{{{dark}}}\n"
        f"@media (prefers-color-scheme:dark){{:root:not([data-scheme=light]){{{dark}}}}}\n@media print{{:root:root:root{{{paper}--matt:1}}}}"
    )
    return "\n".join((tokens.font_files("fonts/"), colours, _report_rules(), _choosing(), _own_rules()))


def _report_rules() -> str:
    return (
        (files("kerfmark.reports") / "templates" / "page.css")
        .read_text(encoding="utf-8")
        .replace("color-scheme:light dark", "")
    )


def _own_rules() -> str:
    return (files("kerfmark.web") / "static" / "web.css").read_text(encoding="utf-8")


def _choosing() -> str:
    """What is shown for each number, view and plane that can be chosen: a report writes these into its page, which a policy forbids here."""
    numbers = "".join(
        f':root:has(#c-{n}:checked){{.sure[data-c="{n}"]{{display:grid}}.fitted[data-c="{n}"],.dim[data-c="{n}"] .chosen-only{{display:inline}}'
        f'.balloon[data-c="{n}"] circle,.dim[data-c="{n}"] circle{{stroke-width:2}}.leader[data-c="{n}"] line{{stroke-width:1.6}}}}\n'
        for n in range(1, CHOICES + 1)
    )
    views = "".join(f':root:has(#v-{v}:checked) .figure[data-v="{v}"]{{display:block}}\n' for v in "SOBLMD")
    planes = "".join(
        f':root:has(#s-{p}:checked) .figure[data-s="{p}"]{{display:block}}\n'
        for p in ("BL", "MD", "MF-DL", "ML-DF", "X", "Y")
    )
    return numbers + views + planes + ":root:has(#m-plain:checked) :is(.map,.patch,.legend){display:none}"
