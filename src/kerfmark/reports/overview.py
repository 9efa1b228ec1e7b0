"""One page for a whole sitting: counts that add up, a row a piece, and what was truly cut beside what was measured."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeAlias

from kerfmark.outputs import write_whole
from kerfmark.records import Assessment
from kerfmark.reports import strips, symbols, tokens, wording
from kerfmark.reports.canvas import num, said
from kerfmark.reports.chains import Chain, Part, chains_svg, gap_of
from kerfmark.reports.contents import CAUTION, CriterionLine, PieceContents, contents_of
from kerfmark.reports.piece import page_style, template

if TYPE_CHECKING:
    from kerfmark.exercise.folder import LoadedExercise

__all__ = ["Key", "SittingRow", "overview_of", "write_overview"]

Key: TypeAlias = tuple[str, str | None, str | None]

STRIPS: Final = 4
"""How many criteria get a strip of their own: those most often not met."""

BALLOONS: Final = 7
"""How many balloons a row shows, not met first; the rest are counted."""


@dataclass(frozen=True, slots=True, eq=False)
class SittingRow:
    """One piece of a sitting.

    Attributes
    ----------
    code : str
        What the piece is called.
    learner : str
        Who cut it, or what stands for them.
    assessment : Assessment or None
        None where the piece could not be assessed; `failure` then says why.
    failure : str or None
    html, pdf : str or None
        Links to the reports of the piece, relative to the page.
    faults : tuple of str
        Of a simulated piece: what was put in.
    truth : mapping of (id, where, stat) to float
        Of a simulated piece: what was truly cut.
    """

    code: str
    learner: str
    assessment: Assessment | None
    failure: str | None = None
    html: str | None = None
    pdf: str | None = None
    faults: tuple[str, ...] = ()
    truth: Mapping[Key, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Compared:
    """A reading of a simulated piece beside the truth, as written and as numbers."""

    code: str
    name: str
    truth: str
    value: str
    expanded: str
    difference: str
    in_u: float

    @property
    def outside(self) -> bool:
        """True where the truth lies outside the reading ± U."""
        return abs(self.in_u) > 1.0


def write_overview(
    path: Path, rows: Sequence[SittingRow], loaded: LoadedExercise, *, title: str, school: str, simulated: bool = True
) -> None:
    """Write the page of a sitting as one HTML file.

    Parameters
    ----------
    path : Path
    rows : sequence of SittingRow
        Every piece that was handed in, in the order of the page.
    loaded : LoadedExercise
    title, school : str
        What the sitting and the place are called.
    simulated : bool
        True where no person cut the pieces; the page says so.
    """
    write_whole(path, overview_of(rows, loaded, title=title, school=school, simulated=simulated).encode("utf-8"))


def overview_of(
    rows: Sequence[SittingRow], loaded: LoadedExercise, *, title: str, school: str, simulated: bool = True
) -> str:
    """The page's text."""
    contents = {
        row.code: contents_of(row.assessment, loaded, labels={"piece": row.code})
        for row in rows
        if row.assessment is not None
    }
    chosen = _most_often_missed(list(contents.values()))
    chains = _chains(rows)
    compared = [one for row in rows if row.assessment is not None for one in _compared(row, contents[row.code])]
    pass_line = float(loaded.exercise.pass_.minimum_percent)
    return template("overview.html").render(
        title=title,
        school=school,
        simulated=simulated,
        exercise=loaded.exercise.title,
        version=loaded.version,
        pass_line=f"{pass_line:g}",
        caution=CAUTION,
        headline=_headline(rows, chains),
        chains=_painted(chains_svg(chains, width=900.0)),
        rows=[_row(row, contents.get(row.code), chosen, pass_line) for row in rows],
        strip_names=[wording.name_of(*key, alone=True) for key in chosen],
        truths=_truth_rows(compared),
        compared=compared,
        within=sum(not one.outside for one in compared),
        wordmark=_painted(symbols.wordmark_svg()),
        style=page_style(),
    )


def _painted(drawing: str) -> str:
    return tokens.painted(drawing, for_page=True)


def _chains(rows: Sequence[SittingRow]) -> list[Chain]:
    """Handed in; of these assessed; of these settled."""
    outcomes = Counter(row.assessment.mark.outcome for row in rows if row.assessment is not None)
    assessed, aside = sum(outcomes.values()), sum(row.assessment is None and row.failure is not None for row in rows)
    return [
        Chain(len(rows), (Part(len(rows), "handed in", strong=True),)),
        Chain(len(rows), (Part(assessed, "assessed"), Part(aside, "set aside: could not be assessed"))),
        Chain(
            assessed,
            (
                Part(outcomes["pass"] + outcomes["fail"], "settled"),
                Part(outcomes["refer"], "wait for an examiner", strong=True),
            ),
        ),
        Chain(
            outcomes["pass"] + outcomes["fail"], (Part(outcomes["pass"], "pass"), Part(outcomes["fail"], "not passed"))
        ),
    ]


def _headline(rows: Sequence[SittingRow], chains: list[Chain]) -> str:
    missing = gap_of(chains)
    return f"{missing} not accounted for" if missing else f"Nothing lost: {len(rows)} of {len(rows)} accounted for"


def _most_often_missed(contents: list[PieceContents]) -> list[Key]:
    missed: Counter[Key] = Counter()
    for piece in contents:
        for line in piece.lines:
            missed[line.reading.key] += {"notmet": 1000, "close": 1}.get(line.state, 0)
    order = {line.reading.key: line.number for piece in contents for line in piece.lines}
    return sorted(sorted(missed, key=lambda key: (-missed[key], order[key]))[:STRIPS], key=lambda key: order[key])


def _row(row: SittingRow, contents: PieceContents | None, chosen: list[Key], pass_line: float) -> dict[str, object]:
    if contents is None or row.assessment is None:
        return {"code": row.code, "learner": row.learner, "failure": row.failure or "not accounted for"}
    lines = {line.reading.key: line for line in contents.lines}
    urgent = sorted(
        (line for line in contents.lines if line.state in ("notmet", "close")), key=lambda line: line.state != "notmet"
    )
    return {
        "code": row.code,
        "learner": row.learner,
        "failure": None,
        "html": row.html,
        "pdf": row.pdf,
        "faults": ", ".join(row.faults),
        "mark": "–" if row.assessment.mark.percent is None else wording.mark(row.assessment.mark.percent),
        "mark_strip": _painted(mark_strip_svg(row.assessment.mark.percent, pass_line)),
        "outcome": contents.outcome_text,
        "waits": row.assessment.mark.outcome == "refer",
        "counts": wording.ruling_counts([line.ruling.ruling for line in contents.lines]),
        "balloons": [
            (_painted(symbols.balloon_svg(line.number, line.state)), line.aloud) for line in urgent[:BALLOONS]
        ],
        "further": max(0, len(urgent) - BALLOONS),
        "strips": [_painted(strips.strip_svg(lines[key], height=29.0)) if key in lines else "" for key in chosen],
    }


def mark_strip_svg(percent: float | None, pass_line: float, *, height: float = 29.0) -> str:
    """The mark from 0 to 100 with the pass line as its limit; what passes is the corridor."""
    middle = height / 2
    body = f'<rect x="{num(pass_line)}%" width="{num(100 - pass_line)}%" y="{num(0.3 * height)}" height="{num(0.4 * height)}" fill="@corr"/>'
    body += f'<line x1="0%" x2="100%" y1="{num(middle)}" y2="{num(middle)}" stroke="@edge" stroke-width="0.7"/>'
    body += f'<line x1="{num(pass_line)}%" x2="{num(pass_line)}%" y1="0" y2="{num(height)}" stroke="@ink" stroke-width="1.1"/>'
    if percent is not None:
        at = min(max(percent, 0.5), 99.5)
        body += f'<line x1="{num(at)}%" x2="{num(at)}%" y1="{num(0.2 * height)}" y2="{num(0.8 * height)}" stroke="@ink" stroke-width="2.2"/>'
    words = "no mark" if percent is None else f"mark {wording.mark(percent)} of 100, pass line {pass_line:g}"
    return f'<svg xmlns="http://www.w3.org/2000/svg" class="strip" width="100%" height="{num(height)}" role="img" aria-label="{words}">{body}</svg>'


def _compared(row: SittingRow, contents: PieceContents) -> list[Compared]:
    lines = {line.reading.key: line for line in contents.lines}
    readings = {reading.key: reading for reading in row.assessment.readings} if row.assessment else {}
    found = []
    for key, truth in row.truth.items():
        reading = readings.get(key)
        if reading is None or reading.value is None or not reading.u:
            continue
        line: CriterionLine | None = lines.get(key)
        decimals = (line.decimals if line else wording.decimals_for(reading.unit, (0.0, 1.0), reading.u)) + 1
        difference = reading.value - truth
        found.append(
            Compared(
                row.code,
                wording.name_of(*key, alone=True),
                wording.with_unit(wording.number(truth, decimals), reading.unit),
                wording.number(reading.value, decimals),
                wording.number(2 * reading.u, decimals),
                wording.number(difference, decimals, sign=True),
                difference / (2 * reading.u),
            )
        )
    return found


def _truth_rows(compared: list[Compared]) -> list[dict[str, object]]:
    """One row a reading: every piece's difference from the truth, in U."""
    by_name: dict[str, list[Compared]] = {}
    for one in compared:
        by_name.setdefault(one.name, []).append(one)
    return [
        {
            "name": name,
            "n": len(ones),
            "outside": sum(one.outside for one in ones),
            "strip": _painted(_truth_strip(name, ones)),
        }
        for name, ones in by_name.items()
    ]


def _truth_strip(name: str, ones: list[Compared], *, height: float = 25.0) -> str:
    """Differences in U: the corridor is ± U, each piece a needle; those outside are squares, as on a control chart."""
    body = f'<rect x="25%" width="50%" y="{num(0.3 * height)}" height="{num(0.4 * height)}" fill="@corr"/>'
    body += f'<line x1="0%" x2="100%" y1="{num(height / 2)}" y2="{num(height / 2)}" stroke="@edge" stroke-width="0.7"/>'
    for limit in (25, 75):
        body += f'<line x1="{limit}%" x2="{limit}%" y1="0" y2="{num(height)}" stroke="@ink" stroke-width="1.1"/>'
    for one in ones:
        at = min(max(50.0 + 25.0 * one.in_u, 1.0), 99.0)
        if one.outside:
            body += f'<svg x="{num(at)}%" y="{num(height / 2)}" width="1" height="1" overflow="visible"><rect x="-3.5" y="-3.5" width="7" height="7" fill="@ink"/></svg>'
        else:
            body += f'<line x1="{num(at)}%" x2="{num(at)}%" y1="{num(0.24 * height)}" y2="{num(0.76 * height)}" stroke="@ink" stroke-width="1.2"/>'
    outside = sum(one.outside for one in ones)
    label = f"{name}: {len(ones) - outside} of {len(ones)} readings within U of what was cut"
    return f'<svg xmlns="http://www.w3.org/2000/svg" class="strip" width="100%" height="{num(height)}" role="img" aria-label="{said(label)}">{body}</svg>'
