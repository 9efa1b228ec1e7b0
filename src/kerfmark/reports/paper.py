"""Sheets of paper: a report's template after the frame every sheet is drawn on, its values, the PDF's bytes."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from functools import cache
from importlib.resources import as_file, files
from typing import Any, Final

from kerfmark.reports import tokens

__all__ = ["block_cell", "pdf_bytes", "svg_for_paper", "svg_size"]

_HIDDEN: Final = re.compile(r'<g class="fitted"[^>]*>.*?</g>|<tspan class="u chosen-only"[^>]*>.*?</tspan>')
_SIZE: Final = re.compile(r'<svg [^>]*?width="([0-9.]+)" height="([0-9.]+)"')


def pdf_bytes(template: str, data: Mapping[str, Any]) -> bytes:
    """A4 sheets. The same values give the same bytes; no date is put in.

    Parameters
    ----------
    template : str
        Name of a template beside `frame.typ`.
    data : mapping
        Everything it shows, as plain values.
    """
    import typst

    with as_file(files("kerfmark.reports") / "fonts") as fonts:
        inputs = {"data": json.dumps(data, ensure_ascii=False)}
        made = typst.compile(  # type: ignore[misc]  # the stubs take one of three types and cannot tell which
            _text_of(template), font_paths=[str(fonts)], ignore_system_fonts=True, sys_inputs=inputs, timestamp=0
        )
    return bytes(made)


@cache
def _text_of(template: str) -> bytes:
    folder = files("kerfmark.reports") / "templates"
    return (folder / "frame.typ").read_bytes() + (folder / template).read_bytes()


def svg_size(drawing: str) -> dict[str, float]:
    """Width and height of a drawing, px."""
    found = _SIZE.search(drawing)
    assert found is not None
    return {"width": float(found[1]), "height": float(found[2])}


def svg_for_paper(drawing: str) -> dict[str, object]:
    """A drawing for paper: its size, its colours as hex, what only a page can show left out."""
    return {"data": tokens.painted(_HIDDEN.sub("", drawing), for_page=False), **svg_size(drawing)}


def block_cell(label: str, figure: str, more: str, share: float) -> dict[str, object]:
    """A cell of the title block at the foot of a sheet; `share` is its part of the row."""
    return {"label": label, "figure": figure, "more": more, "share": share}
