"""What an evidence report says, as plain values that page and sheets share."""

from __future__ import annotations

import dataclasses
import json
from dataclasses import dataclass, fields
from typing import Any

from kerfmark.evidence.answer import Answer, Claim, Figure, Options, counted
from kerfmark.evidence.gather import Evidence
from kerfmark.reports import symbols
from kerfmark.reports.board.cells import cell_text, grid_rows, sentence
from kerfmark.reports.board.names import with_names
from kerfmark.reports.contents import CAUTION
from kerfmark.version import __version__

__all__ = [
    "BOARD",
    "Section",
    "as_json_text",
    "as_plain",
    "board_answers",
    "claim_gauge",
    "made_from",
    "sections",
    "summary_lines",
    "title_cells",
]

BOARD = ("passline", "agreement", "sources", "decisions")
"""The questions of the first page."""

_GAUGES = {"stands": "met", "with limits": "too close to call", "not shown": "not met"}


@dataclass(frozen=True, slots=True)
class Section:
    """One question of the details.

    Attributes
    ----------
    number : int
    answer : Answer
    tables : list
        Caption, header, rows as written, plain sentence.
    """

    number: int
    answer: Answer
    tables: list[dict[str, Any]]


def sections(evidence: Evidence) -> list[Section]:
    """Every question in order, its tables as written."""
    return [
        Section(
            number,
            answer,
            [
                {"caption": g.caption, "header": list(g.header), "rows": grid_rows(g), "said": g.said}
                for g in answer.grids
            ],
        )
        for number, answer in enumerate(evidence.answers.values(), start=1)
    ]


def board_answers(evidence: Evidence) -> list[tuple[Answer, Figure | None]]:
    """The answers of the first page with their first figure."""
    return [
        (answer, answer.figures[0] if answer.figures else None) for answer in (evidence.answers[key] for key in BOARD)
    ]


def claim_gauge(claim: Claim) -> str:
    """The small gauge beside a claim: between the limits stands, on a limit with limits, outside not shown."""
    return symbols.ruling_gauge_svg(_GAUGES[claim.verdict], None, right=True)


def title_cells(evidence: Evidence) -> list[tuple[str, str, str]]:
    """Label, figure and more of the title block."""
    line, sources = evidence.line, evidence.sources
    passed = evidence.passed
    cells = [
        ("learners", str(evidence.learners), f"of {evidence.entered} entered"), ("pieces", str(evidence.pieces), ""), ("exercises", str(evidence.exercises), ""),
        ("examiners", str(evidence.examiners), ""), ("sites", str(evidence.sites), ""),
    ]  # fmt: skip
    if line is not None:
        se = f" ± {line.cut.se:.1f}" if line.cut.se is not None else ""
        cells.append(("pass line", f"{line.cut.value:.1f}{se}", line.name))
    if passed is not None:
        cells.append(("at or above it", counted(passed[0]), f"below {counted(passed[1])}"))
    if sources is not None:
        d = sources.dependability
        cells.append(("dependability", f"{d.value:.2f}", f"{d.lower:.2f} to {d.upper:.2f}"))
    return cells


def made_from(evidence: Evidence) -> list[tuple[str, str]]:
    """What is needed to make the report again."""
    chosen = evidence.options
    changed = [
        f"{f.name.replace('_', ' ')} {getattr(chosen, f.name):g}"
        for f in fields(Options)
        if f.name not in ("title", "school", "reason", "signed", "chosen", "simulated", "codes")
    ]
    earlier = [(f"table of {name}", f"sha256 {digest}") for name, digest in evidence.earlier.items()]
    return [
        ("table", f"{evidence.rows} rows, sha256 {evidence.digest}"),
        *earlier,
        ("kerfmark", __version__),
        ("settings", "; ".join(changed)),
        (
            "bootstrap",
            f"{chosen.draws} draws of learners, seed {chosen.seed}; the same table and settings give the same numbers",
        ),
        (
            "small cells",
            "counts under 5 and groups under 10 learners are not shown"
            + ("; logs list single pieces by code" if chosen.codes else "; no single piece is listed"),
        ),
        (
            "signed",
            f"{chosen.chosen}: {chosen.reason}; {chosen.signed}"
            if chosen.chosen
            else "no pass line is chosen and signed yet",
        ),
        ("for", CAUTION),
    ]


def as_plain(evidence: Evidence) -> dict[str, Any]:
    """The whole evidence as JSON-able values; NaN and infinities become None."""

    def plain(value: Any) -> Any:
        if dataclasses.is_dataclass(value) and not isinstance(value, type):
            return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
        if isinstance(value, dict):
            return {(key if isinstance(key, str) else " × ".join(key)): plain(v) for key, v in value.items()}
        if isinstance(value, list | tuple):
            return [plain(v) for v in value]
        if isinstance(value, float):
            return value if value - value == 0.0 else None
        return value.item() if hasattr(value, "item") else value

    return {
        "kerfmark": __version__, "table": {"rows": evidence.rows, "sha256": evidence.digest},
        "counts": {name: getattr(evidence, name) for name in ("entered", "learners", "pieces", "examiners", "exercises", "sites")},
        "claims": plain(evidence.claims), "answers": {key: plain(answer) for key, answer in evidence.answers.items()},
        "options": plain(evidence.options),
        "actions": plain(evidence.actions), "earlier": plain(dict(evidence.earlier)),
    }  # fmt: skip


def as_json_text(evidence: Evidence) -> str:
    """The whole evidence as JSON, UTF-8, without NaN."""
    return json.dumps(as_plain(evidence), ensure_ascii=False, indent=1, allow_nan=False)


def summary_lines(evidence: Evidence) -> list[str]:
    """The answers as text for a terminal."""
    evidence = with_names(evidence)
    lines = [f"{label:<14} {figure} {more}".rstrip() for label, figure, more in title_cells(evidence)]
    for number, answer in enumerate(evidence.answers.values(), start=1):
        lines += ["", f"{number}. {answer.question}", f"   {sentence(answer.said)}"]
        lines += [f"   to look at: {sentence(flag)}" for flag in answer.flags]
    if evidence.actions:
        lines += ["", "Actions agreed"] + [f"   {a.action} ({a.owner}, {a.by})" for a in evidence.actions]
    lines += ["", "What may be said, and what may not"]
    return lines + [f"   {c.verdict:<12} {c.claim}: {cell_text(c.because, 0)}" for c in evidence.claims]
