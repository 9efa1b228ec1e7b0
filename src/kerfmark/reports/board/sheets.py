"""The evidence as A4 sheets: one page for the board, the details after it, in the frame of every sheet."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from kerfmark.evidence.answer import counted
from kerfmark.evidence.gather import Evidence
from kerfmark.outputs import write_whole
from kerfmark.reports import symbols, tokens
from kerfmark.reports.board.cells import cell_text, sentence
from kerfmark.reports.board.contents import board_answers, claim_gauge, made_from, sections
from kerfmark.reports.board.drawings import paper_svg
from kerfmark.reports.board.names import with_names
from kerfmark.reports.paper import block_cell, pdf_bytes, svg_for_paper
from kerfmark.version import __version__

__all__ = ["board_pdf", "write_board_pdf"]

BOARD_SIZE: Final = {"passline": (385, 186), "agreement": (285, 174), "sources": (380, 150), "decisions": (285, 104)}
SHEET_CHARACTERS: Final = 118
"""How many characters of a table's size stand beside one another on a sheet."""
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
    return pdf_bytes("board.typ", _data(with_names(evidence)))


def _data(evidence: Evidence) -> dict[str, Any]:
    """Everything the template shows, as plain values."""
    options = evidence.options
    return {
        "ink": tokens.PAPER,
        "title": options.title,
        "subtitle": _subtitle(evidence),
        "simulated": options.simulated,
        "wordmark": svg_for_paper(symbols.wordmark_svg()),
        "board": [_panel(number, answer, figure) for number, (answer, figure) in enumerate(board_answers(evidence), start=1)],
        "claims": [
            {"gauge": svg_for_paper(claim_gauge(c)), "claim": c.claim, "verdict": c.verdict, "because": cell_text(c.because, 0), "at": evidence.answers[c.question].question}
            for c in evidence.claims
        ],
        "sections": [_section(s) for s in sections(evidence)],
        "flags": [{"question": a.question, "flag": sentence(flag)} for a in evidence.answers.values() for flag in a.flags],
        "actions": [{"about": a.about, "action": a.action, "owner": a.owner, "by": a.by} for a in evidence.actions],
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
        "tables": [{**table, "columns": len(table["header"]), "wide": _wide(table)} for table in section.tables],
        "methods": [sentence(m) for m in answer.methods],
        "flags": [sentence(f) for f in answer.flags],
    }


def _wide(table: dict[str, Any]) -> int:
    """The column that takes what room is left: the last one, or in a table too wide for the sheet the one with most to say."""
    columns = list(zip(table["header"], *table["rows"], strict=True))
    longest = [max(map(len, column)) for column in columns]
    return len(columns) - 1 if sum(longest) <= SHEET_CHARACTERS else longest.index(max(longest))


def _title_block(evidence: Evidence) -> list[list[dict[str, Any]]]:
    """Rows of labelled cells at the foot of every sheet."""
    options, line = evidence.options, evidence.line
    passline = f"{line.cut.value:.1f}" if line else "not set"
    passed = (
        f"; {counted(evidence.passed[0])} at or above, {counted(evidence.passed[1])} below" if evidence.passed else ""
    )
    return [
        [
            block_cell("worked out by", f"Kerfmark {__version__}", f"from {evidence.rows} rows", 1.2),
            block_cell("pass line", passline, f"{line.name}{passed}" if line else "see sheet 1", 2.2),
            block_cell("chosen and signed", options.signed or "not yet signed", "", 1.3),
        ],
        [
            block_cell("table", evidence.digest[:12] + "…", "sha256", 1.0),
            block_cell("can be made again", "yes", f"seed {options.seed}, settings on the last sheet", 1.5),
            block_cell("for", "exercises only", "nothing here is for use on patients", 2.0),
        ],
    ]
