"""Templates into answers: one environment a language, what every page is given, and the pages for what went wrong."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from hashlib import sha256
from importlib.resources import files
from typing import Any, Final

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined
from starlette.responses import HTMLResponse

from kerfmark.reports import symbols, tokens
from kerfmark.reports.board.drawings import page_script
from kerfmark.reports.board.page import board_style
from kerfmark.reports.canvas import circle, line, svg
from kerfmark.web.drawn_words import in_words
from kerfmark.web.styles import stylesheet
from kerfmark.web.visitor import Visitor
from kerfmark.web.words import Words, words_in

__all__ = ["asset_address", "asset_bytes", "page", "part", "text_of"]

NAVIGATION: Final = (
    ("/pieces", "My pieces", {"learner"}),
    ("/sittings", "Sittings", {"learner", "teacher", "examiner", "lead", "auditor"}),
    ("/queue", "Queue", {"examiner", "lead"}),
    ("/exercises", "Exercises", {"teacher", "examiner", "lead", "auditor"}),
    ("/limits", "Limits", {"teacher", "lead"}),
    ("/learners", "Learners", {"teacher", "lead"}),
    ("/progress", "My progress", {"learner"}),
    ("/evidence", "Evidence", {"lead", "auditor"}),
    ("/rigs", "Rigs", {"lead", "technician"}),
    ("/admin", "Admin", {"lead", "auditor"}),
)
"""Where the pages stand, what they are called, and whose roles see them in the head of a page."""


@cache
def _environment(language: str) -> Environment:
    words = words_in(language)
    environment = Environment(
        loader=ChoiceLoader([PackageLoader("kerfmark.web"), PackageLoader("kerfmark.reports")]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=["jinja2.ext.i18n"],
    )
    environment.install_gettext_callables(words.translations.gettext, words.translations.ngettext, newstyle=False)  # type: ignore[attr-defined]
    environment.globals.update(
        static=asset_address,
        wordmark=tokens.painted(symbols.wordmark_svg(), for_page=True),
        kept_mark=tokens.painted(_kept_svg(), for_page=True),
        language=language,
        view_words=_view_words(words),
    )
    return environment


def _view_words(words: Words) -> str:
    """The words of the view in three dimensions, as JSON by its own keys; nothing where it speaks English by itself."""
    if words.language == "en":
        return ""
    english = json.loads((files("kerfmark.web") / "view" / "words.json").read_text(encoding="utf-8"))
    return json.dumps({key: words(text) for key, text in english.items()}, ensure_ascii=False)


def _kept_svg() -> str:
    """Two register marks on one another: what is shown is stored."""
    body = circle(8, 8, 4.2, fill="none", stroke="@ink", stroke_width=1.1)
    body += "".join(line(*ends, stroke_width=1.1) for ends in ((8, 0.5, 8, 15.5), (0.5, 8, 15.5, 8)))
    body += '<rect x="3.8" y="3.8" width="8.4" height="8.4" fill="none" stroke="@ink" stroke-width="1.1"/>'
    return svg(16, 16, body)


@cache
def asset_address(name: str) -> str:
    """The address of one of our own files, with the digest of what is in it, so that browsers may keep it for good."""
    return f"/static/{name}?{sha256(asset_bytes(name)).hexdigest()[:12]}"


@cache
def asset_bytes(name: str) -> bytes:
    """One of our own files, put together where it is not packaged as it is."""
    if name == "kerfmark.css":
        return stylesheet().encode()
    if name == "piece.js":
        return (files("kerfmark.reports") / "templates" / "piece.js").read_bytes()
    if name == "board.css":
        return board_style().encode()
    if name == "charts.js":
        return page_script().encode()
    package, folder = ("kerfmark.web", "view") if name.startswith("view/") else ("kerfmark.web", "static")
    return (files(package) / folder / name.removeprefix("view/")).read_bytes()


def text_of(visitor: Visitor, template: str, content: Mapping[str, Any]) -> str:
    """A template filled in, in the visitor's language."""
    given = {
        "person": visitor.person,
        "roles_text": visitor.person.roles_text(visitor.words) if visitor.person else "",
        "navigation": _navigation(visitor),
        "form_token": visitor.form_token,
        "scheme": visitor.scheme,
        "single_keys_off": visitor.single_keys_off,
        "now": visitor.now,
        "came_from": visitor.came_from,
        "simulated": False,
        "said": None,
        "wrong": None,
        "unsent": None,
        "send_again": False,
    }
    return _environment(visitor.language).get_template(template).render({**given, **content})


def page(visitor: Visitor, template: str, *, status: int = 200, **content: Any) -> HTMLResponse:
    """A whole page."""
    return HTMLResponse(
        in_words(text_of(visitor, template, content), visitor.words),
        status_code=status,
        headers={"vary": "cookie, accept-language, hx-request"},
    )


def part(visitor: Visitor, template: str, *, status: int = 200, **content: Any) -> HTMLResponse:
    """A part of a page, for htmx to put in."""
    return page(visitor, template, status=status, **content)


def _navigation(visitor: Visitor) -> list[dict[str, Any]]:
    roles = visitor.roles
    entries = [(href, words) for href, words, whose in NAVIGATION if roles & whose]
    if "learner" in roles and len(roles) == 1:
        entries.sort(key=lambda entry: entry[0] != "/pieces")
    return [
        {"href": href, "words": words, "here": visitor.path == href or visitor.path.startswith(f"{href}/")}
        for href, words in entries
    ]
