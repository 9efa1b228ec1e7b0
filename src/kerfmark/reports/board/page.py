"""The evidence as one page that needs nothing from outside: figures drawn by the bundled Vega, tables beneath."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from kerfmark.evidence.gather import Evidence
from kerfmark.outputs import write_whole
from kerfmark.reports import symbols, tokens
from kerfmark.reports.board.cells import cell_text, sentence
from kerfmark.reports.board.contents import claim_gauge, made_from, sections, title_cells
from kerfmark.reports.board.drawings import page_script, specs_for_page
from kerfmark.reports.board.names import with_names
from kerfmark.reports.contents import CAUTION
from kerfmark.reports.piece import page_style, template

__all__ = ["board_body", "board_page", "board_style", "write_board_page"]

PANELS: Final = (("passline", 0), ("agreement", 0), ("decisions", 0), ("sources", 0), ("sources", 1), ("fairness", 0))
"""Question and figure of each panel at the head of the page."""

HEADINGS: Final = {("sources", 1): "How many exercises?"}
"""What a panel is headed where the question already heads another."""

PANEL_SIZE: Final = (430.0, 240.0)
DETAIL_SIZE: Final = (460.0, 250.0)


def write_board_page(path: Path, evidence: Evidence) -> None:
    """Write the evidence as one HTML file with its typefaces, charts and script inside it.

    Parameters
    ----------
    path : Path
        Where to; the folder must exist.
    evidence : Evidence
    """
    write_whole(path, board_page(evidence).encode("utf-8"))


def board_page(evidence: Evidence) -> str:
    """The page's text."""
    body = board_body(evidence)
    return template("board.html").render(
        title=evidence.options.title,
        school=evidence.options.school,
        simulated=evidence.options.simulated,
        caution=CAUTION,
        cells=title_cells(evidence),
        wordmark=_painted(symbols.wordmark_svg()),
        style=page_style(),
        board_style=board_style(),
        script=page_script() if body["figures"] != "{}" else "",
        **body,
    )


def board_style() -> str:
    """The rules that only a page of evidence needs."""
    return (files("kerfmark.reports") / "templates" / "board.css").read_text(encoding="utf-8")


def board_body(evidence: Evidence) -> dict[str, Any]:
    """What the template of the answers, `board_body.html`, is filled with; `figures` is JSON for the script that draws them."""
    evidence = with_names(evidence)
    figures: dict[str, Any] = {}
    panels = [
        panel
        for number, (key, at) in enumerate(PANELS, start=1)
        if (panel := _panel(evidence, key, at, number, figures))
    ]
    return {
        "panels": panels,
        "claims": [
            {"gauge": _painted(claim_gauge(c)), "claim": c.claim, "verdict": c.verdict, "because": cell_text(c.because, 0), "at": c.question}
            for c in evidence.claims
        ],
        "sections": [_section(s, figures) for s in sections(evidence)],
        "flags": [(a.question, sentence(flag), key) for key, a in evidence.answers.items() for flag in a.flags],
        "actions": evidence.actions,
        "made": made_from(evidence),
        "figures": json.dumps(figures, ensure_ascii=False).replace("</", "<\\/"),
    }  # fmt: skip


def _painted(drawing: str) -> str:
    return tokens.painted(drawing, for_page=True)


def _panel(evidence: Evidence, key: str, at: int, number: int, figures: dict[str, Any]) -> dict[str, Any] | None:
    """A panel at the head; a question without an answer says why in its place, once."""
    answer = evidence.answers[key]
    if at >= len(answer.figures):
        return (
            {
                "number": number,
                "question": answer.question,
                "said": sentence(answer.said),
                "id": "",
                "caption": "",
                "key": key,
            }
            if at == 0
            else None
        )
    figure, place = answer.figures[at], f"panel-{number}"
    figures[place] = specs_for_page(figure, width=PANEL_SIZE[0], height=PANEL_SIZE[1])
    said = sentence(answer.said) if at == 0 else ""
    return {
        "number": number,
        "question": HEADINGS.get((key, at), answer.question),
        "said": said,
        "id": place,
        "caption": sentence(figure.caption).rstrip("."),
        "key": key,
    }


def _section(section: Any, figures: dict[str, Any]) -> dict[str, Any]:
    answer, drawn = section.answer, []
    for number, figure in enumerate(answer.figures, start=1):
        place = f"{answer.key}-{number}"
        figures[place] = specs_for_page(figure, width=DETAIL_SIZE[0], height=DETAIL_SIZE[1])
        drawn.append((place, sentence(figure.caption).rstrip(".")))
    return {
        "number": section.number, "key": answer.key, "question": answer.question, "answered": answer.answered, "said": sentence(answer.said),
        "figures": drawn, "tables": section.tables, "methods": " ".join(sentence(m) for m in answer.methods),
        "flags": [sentence(f) for f in answer.flags],
    }  # fmt: skip
