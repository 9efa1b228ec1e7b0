"""Charts drawn: as SVG for paper, and as specifications with the script that draws them for a page."""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import as_file, files
from typing import Any

from kerfmark.evidence.answer import Figure
from kerfmark.reports import tokens
from kerfmark.reports.board.charts import coloured, spec_of
from kerfmark.reports.paper import svg_size

__all__ = ["page_script", "paper_svg", "specs_for_page"]

_SCRIPT = """
const figures = JSON.parse(document.getElementById("figures").textContent);
const system = window.matchMedia("(prefers-color-scheme: dark)");
const chosen = document.documentElement.dataset.scheme;
const dark = () => (chosen ? chosen === "dark" : system.matches);
function fitted(spec, room) {
  const rows = spec.vconcat ? spec.vconcat.map((row) => row.hconcat || [row]) : [spec.hconcat || []];
  const taken = Math.max(0, ...rows.map((row) => row.reduce((sum, part) => sum + part.width, 0)));
  const share = Math.min(1, (room - 60) / taken);
  for (const row of rows) for (const part of row) if (room) part.width *= share;
  if (spec.width && room) spec.width = Math.min(spec.width, room);
  return spec;
}
function draw() {
  for (const [id, specs] of Object.entries(figures)) {
    const place = document.getElementById(id);
    if (!place) continue;
    vegaEmbed(place, fitted(structuredClone(dark() ? specs.dark : specs.light), place.clientWidth), {actions: false, renderer: "svg", ast: true, tooltip: false, defaultStyle: false});
  }
}
let drawnAt = window.innerWidth;
draw();
system.addEventListener("change", draw);
window.addEventListener("resize", () => {
  if (window.innerWidth === drawnAt) return;
  drawnAt = window.innerWidth;
  draw();
});
"""


@cache
def _fonts_known() -> bool:
    import vl_convert

    with as_file(files("kerfmark.reports") / "fonts") as folder:
        vl_convert.register_font_directory(str(folder))
    return True


def paper_svg(figure: Figure, *, width: float, height: float) -> dict[str, Any]:
    """A figure for paper: its SVG and its size in px."""
    import vl_convert

    _fonts_known()
    spec = coloured(spec_of(figure, width=width, height=height), tokens.PAPER, tokens.PAPER_FONT)
    drawing = vl_convert.vegalite_to_svg(json.dumps(spec))
    return {"data": drawing, **svg_size(drawing)}


def specs_for_page(figure: Figure, *, width: float, height: float) -> dict[str, Any]:
    """A figure's specifications, light and dark."""
    spec = spec_of(figure, width=width, height=height)
    font = tokens.PAGE_FONT.replace('"', "")
    return {"light": coloured(spec, tokens.LIGHT, font), "dark": coloured(spec, tokens.DARK, font)}


@cache
def page_script() -> str:
    """The bundled Vega, Vega-Lite and embedding code with the few lines that draw; nothing is fetched.

    Expressions are interpreted (`ast`), not compiled, and nothing is styled by elements of its own: it also runs where a page's
    policy forbids both.
    """
    import vl_convert

    bundle: str = vl_convert.javascript_bundle(_SCRIPT)
    return bundle.replace("</script", "<\\/script")
