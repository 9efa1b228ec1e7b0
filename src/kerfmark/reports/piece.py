"""The report of one piece as a page that needs nothing from outside."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from kerfmark.outputs import write_whole
from kerfmark.records import Assessment
from kerfmark.reports import strips, symbols, tokens
from kerfmark.reports.access_plan import access_plan_svg
from kerfmark.reports.also import also_measured, reason_notes
from kerfmark.reports.budget import budget_lines, budget_svg
from kerfmark.reports.contents import CriterionLine, PieceContents
from kerfmark.reports.drawn import PieceScene, developed_for_page, piece_scene, sections_for_page, views_for_page
from kerfmark.reports.history import event_sentences, history_svg, no_event_sentence, process_rows
from kerfmark.reports.jaw_strip import jaw_strip_svg
from kerfmark.reports.sections.key import key_of
from kerfmark.reports.view.camera import direction_words
from kerfmark.reports.view.deviation import legend_svg
from kerfmark.reports.view.picture import View

if TYPE_CHECKING:
    from jinja2 import Template

    from kerfmark.exercise.folder import LoadedExercise
    from kerfmark.exercise.prepared import Prepared

JAW_STRIP_PX, KEY_PX = 660.0, 330.0
LONG_LIST = 15
"""From so many criteria on their column is the longer one, and remarks stand under the drawings."""

__all__ = ["gauge_of", "page_of", "page_style", "template", "write_html"]


def write_html(
    path: Path,
    assessment: Assessment,
    prepared: Prepared,
    loaded: LoadedExercise,
    *,
    labels: Mapping[str, str] | None = None,
    scene: PieceScene | None = None,
) -> None:
    """Write the report of one piece as one HTML file, with its typefaces, pictures and script inside it.

    Parameters
    ----------
    path : Path
        Where to; the folder must exist.
    assessment : Assessment
    prepared : Prepared
    loaded : LoadedExercise
        The exercise it was assessed against.
    labels : mapping, optional
        What to call things: `piece`, `learner`, `source`; further entries stand in the head of the page. A piece that
        was not cut by a person carries the word *simulated* in its source.
    scene : PieceScene, optional
        From `piece_scene`, where page and sheets are written of the same piece.
    """
    page = page_of(scene or piece_scene(assessment, prepared, loaded, labels=labels))
    write_whole(path, page.encode("utf-8"))


def page_of(scene: PieceScene) -> str:
    """The page's text."""
    contents = scene.contents
    views, sections = views_for_page(scene), sections_for_page(scene)
    chosen = _first_chosen(contents)
    also = also_measured(scene.assessment)
    shown = next((s.name for s in sections if chosen in s.numbers), sections[0].name if sections else "")
    drawing = {
        "views": [(v.letter, *_way(v, scene), _painted(v.drawing), v.patch_texts) for v in views],
        "sections": [(s.name, s.title, s.ends, _painted(s.drawing), s.numbers, s.dimensions) for s in sections],
        "developed": _painted(developed_for_page(scene)),
        "key": _painted(
            key_of(
                scene.prepared,
                width=KEY_PX,
                open_ends=any(s.has_gaps for s in sections) or any(v.has_holes for v in views),
            )
        ),
        "access_plan": _painted(
            access_plan_svg(scene.assessment, scene.prepared, width=JAW_STRIP_PX, lines=contents.lines)
        ),
        "jaw_strip": _painted(jaw_strip_svg(scene.assessment, scene.prepared, width=JAW_STRIP_PX)),
        "history": _painted(history_svg(scene.assessment, scene.removal)),
        "legend": _painted(legend_svg(limit_mm=scene.limit_mm)) if scene.view.has_map else "",
        "wordmark": _painted(symbols.wordmark_svg()),
        "critical": _painted(symbols.critical_svg()),
    }
    return template("piece.html").render(
        contents=contents,
        caution=contents.caution,
        rows={line.number: _row(line) for line in contents.lines},
        chosen=chosen,
        shown=shown,
        process=process_rows(scene.assessment),
        events=event_sentences(scene.assessment.events),
        no_event=no_event_sentence(scene.prepared),
        also=also,
        also_notes=reason_notes(also),
        remarks_beside=len(contents.lines) < LONG_LIST,
        limit=f"{scene.limit_mm:.2f}",
        style=page_style(),
        script=_text("piece.js"),
        **drawing,
    )


def _way(view: View, scene: PieceScene) -> tuple[str, str]:
    return direction_words(view.letter, mesial_sign=scene.prepared.mesial_sign, tooth=scene.contents.has_tooth)


def _first_chosen(contents: PieceContents) -> int:
    """The criterion chosen when the page opens: the first not met, else the first too close, else the first."""
    for state in ("notmet", "close"):
        for line in contents.lines:
            if line.state == state:
                return line.number
    return contents.lines[0].number if contents.lines else 0


def gauge_of(line: CriterionLine) -> str:
    """The ruling's gauge, on the side where the reading stands."""
    right = line.reading.value is not None and _towards_upper(line)
    return symbols.ruling_gauge_svg(line.ruling.ruling, line.failed_side, right=right)


def _row(line: CriterionLine) -> dict[str, object]:
    return {
        "balloon": _painted(symbols.balloon_svg(line.number, line.state)),
        "strip": _painted(strips.strip_svg(line)),
        "gauge": _painted(gauge_of(line)),
        "budget": _painted(budget_svg(line)),
        "parts": budget_lines(line.reading),
    }


def _towards_upper(line: CriterionLine) -> bool:
    """True where the reading stands nearer the limit drawn on the right."""
    scale = strips.strip_scale(line.limits, line.side_of_large)
    return scale.left_limit is None or (scale.right_limit is not None and scale.at(line.reading.value or 0.0) >= 0.5)


def _painted(drawing: str) -> str:
    return tokens.painted(drawing, for_page=True)


@cache
def page_style() -> str:
    """The style sheet with typefaces and colours inside it."""
    light, dark = tokens.css_variables(tokens.LIGHT), tokens.css_variables(tokens.DARK)
    paper = tokens.css_variables(tokens.PAPER)
    colours = (
        f":root{{{light}--font:{tokens.PAGE_FONT};--matt:1}}\n"
        f"@media (prefers-color-scheme:dark){{:root{{{dark}--matt:0.465}}}}\n@media print{{:root{{{paper}--matt:1}}}}\n"
    )
    return tokens.font_faces() + "\n" + colours + _text("page.css")


@cache
def _text(name: str) -> str:
    return (files("kerfmark.reports") / "templates" / name).read_text(encoding="utf-8")


@cache
def template(name: str) -> Template:
    """A page's template; everything put into it is escaped unless it was drawn here."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("kerfmark.reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["_"] = str
    return environment.get_template(name)
