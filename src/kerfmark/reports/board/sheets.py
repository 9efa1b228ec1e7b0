"""The evidence as A4 sheets: one page for the board, the details after it, in the frame of every sheet."""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any, Final

from kerfmark.evidence.gather import Evidence
from kerfmark.outputs import write_whole
from kerfmark.reports import symbols, tokens
from kerfmark.reports.board.cells import cell_text, sentence
from kerfmark.reports.board.contents import board_answers, claim_gauge, made_from, sections
from kerfmark.reports.board.drawings import paper_svg
from kerfmark.version import __version__

__all__ = ["board_pdf", "write_board_pdf"]

BOARD_SIZE: Final = {"passline": (385, 215), "agreement": (285, 205), "sources": (380, 150), "decisions": (285, 120)}
DETAIL_SIZE: Final = (338, 205)


def write_board_pdf(path: Path, evidence: Evidence) -> None:
    """Write the evidence as a PDF of A4 sheets. The same evidence gives the same bytes; no date is put in.

    Parameters
    ----------
    path : Path
        Where to; the folder must exist.
    evidence : Evidence
    """
    write_whole(path, board_pdf(evidence))


def board_pdf(evidence: Evidence) -> bytes:
    """The sheets' bytes."""
    import typst

    with as_file(files("kerfmark.reports") / "fonts") as fonts:
        inputs = {"data": json.dumps(_data(evidence), ensure_ascii=False)}
        made = typst.compile(  # type: ignore[misc]  # the stubs take one of three types and cannot tell which
            _template(), font_paths=[str(fonts)], ignore_system_fonts=True, sys_inputs=inputs, timestamp=0
        )
    return bytes(made)


@cache
def _template() -> bytes:
    folder = files("kerfmark.reports") / "templates"
    return (folder / "frame.typ").read_bytes() + (folder / "board.typ").read_bytes()


def _data(evidence: Evidence) -> dict[str, Any]:
    """Everything the template shows, as plain values."""
    options = evidence.options
    return {
        "ink": tokens.PAPER,
        "title": options.title,
        "subtitle": _subtitle(evidence),
        "simulated": options.simulated,
        "wordmark": _painted(symbols.wordmark_svg()),
        "board": [_panel(number, answer, figure) for number, (answer, figure) in enumerate(board_answers(evidence), start=1)],
        "claims": [
            {"gauge": _painted(claim_gauge(c)), "claim": c.claim, "verdict": c.verdict, "because": cell_text(c.because, 0), "at": evidence.answers[c.question].question}
            for c in evidence.claims
        ],
        "sections": [_section(s) for s in sections(evidence)],
        "flags": [{"question": a.question, "flag": sentence(flag)} for a in evidence.answers.values() for flag in a.flags],
        "made": [list(pair) for pair in made_from(evidence)],
        "block": _title_block(evidence),
    }  # fmt: skip


def _subtitle(evidence: Evidence) -> str:
    school = f"{evidence.options.school}. " if evidence.options.school else ""
    examiners = f", {evidence.examiners} examiners" if evidence.examiners else ""
    sites = f" at {evidence.sites} sites" if evidence.sites > 1 else ""
    return f"{school}{evidence.pieces} pieces by {evidence.learners} learners{sites}, {evidence.exercises} exercises{examiners}."


def _panel(number: int, answer: Any, figure: Any) -> dict[str, Any]:
    drawing = None
    if figure is not None:
        width, height = BOARD_SIZE[answer.key]
        drawing = paper_svg(figure, width=width, height=height)
    return {
        "number": number,
        "heading": answer.question,
        "said": sentence(answer.said),
        "drawing": drawing,
        "caption": sentence(figure.caption).rstrip(".") if figure else "",
    }


def _section(section: Any) -> dict[str, Any]:
    width, height = DETAIL_SIZE
    answer = section.answer
    return {
        "number": section.number,
        "heading": answer.question,
        "answered": answer.answered,
        "said": sentence(answer.said),
        "figures": [
            {"drawing": paper_svg(f, width=width, height=height), "caption": sentence(f.caption).rstrip(".")}
            for f in answer.figures
        ],
        "tables": [{**table, "columns": len(table["header"])} for table in section.tables],
        "methods": [sentence(m) for m in answer.methods],
        "flags": [sentence(f) for f in answer.flags],
    }


def _painted(drawing: str) -> dict[str, Any]:
    """A sign drawn here, with paper's colours."""
    from kerfmark.reports.sheet import svg_for_paper

    return svg_for_paper(drawing)


def _title_block(evidence: Evidence) -> list[list[dict[str, Any]]]:
    """Rows of labelled cells at the foot of every sheet."""
    options, line = evidence.options, evidence.line
    passline = f"{line.cut.value:.1f}" if line else "not set"
    return [
        [
            _cell("worked out by", f"Kerfmark {__version__}", f"from {evidence.rows} rows", 1.2),
            _cell("pass line", passline, line.name if line else "see sheet 1", 1.6),
            _cell("chosen and signed", options.signed or "not yet signed", options.chosen, 1.6),
        ],
        [
            _cell("table", evidence.digest[:12] + "…", "sha256", 1.0),
            _cell("can be made again", "yes", f"seed {options.seed}, settings on the last sheet", 1.5),
            _cell("for", "exercises only", "nothing here is for use on patients", 2.0),
        ],
    ]


def _cell(label: str, figure: str, more: str, share: float) -> dict[str, Any]:
    return {"label": label, "figure": figure, "more": more, "share": share}
